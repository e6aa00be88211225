"""Tokens and passwords in the archive: what is kept, what is not, and who is let in."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive.access import (
    Access,
    add_token,
    list_people,
    list_tokens,
    read_access,
    remove_person,
    revoke_token,
    set_password,
)
from ingest.archive.reference import add_oven
from ingest.archive.verify import verify

PASSWORD = "four rather plain words"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb")


def access(archive: Archive) -> Access:
    with archive.connect() as con:
        return read_access(con)


def test_a_token_is_known_by_its_hash_only(archive: Archive) -> None:
    with archive.transaction() as con:
        oven = add_oven(con, "Bench oven")
        number, token = add_token(con, "bench controller", oven_id=oven, who="Kim")
    found = access(archive).token(token)
    assert found is not None
    assert (found.token_id, found.name, found.oven) == (number, "bench controller", "Bench oven")
    assert found.sha256 == hashlib.sha256(token.encode()).hexdigest()
    assert access(archive).token(token[:-1]) is None
    assert access(archive).token("") is None
    assert access(archive).token("\udcff") is None
    # Nothing of the token itself is in any file of the archive.
    for path in archive.path.parent.iterdir():
        assert token.encode() not in path.read_bytes()
    with archive.connect() as con:
        assert "sha256" not in list_tokens(con).columns
    assert verify(archive) == []


def test_a_revoked_token_is_out_and_stays_in_the_list(archive: Archive) -> None:
    with archive.transaction() as con:
        number, token = add_token(con, "bench")
    with archive.transaction() as con:
        assert revoke_token(con, number, "Kim") == "bench"
    assert access(archive).token(token) is None
    with archive.connect() as con:
        assert list_tokens(con)["revoked_by"].tolist() == ["Kim"]
    with archive.transaction() as con:
        with pytest.raises(ArchiveError, match="no token"):
            revoke_token(con, number)
        again, other = add_token(con, "bench")
    assert again != number
    assert other != token


def test_names_are_one_line_and_not_twice(archive: Archive) -> None:
    with archive.transaction() as con:
        add_token(con, "bench")
        for name in ("bench", "BENCH", "", "a\nb", "x" * 81):
            with pytest.raises(ArchiveError):
                add_token(con, name)
        with pytest.raises(ArchiveError, match="no oven"):
            add_token(con, "other", oven_id=99)


def test_a_password_is_kept_as_argon2id(archive: Archive) -> None:
    # RFC 9106: the encoded form names the variant; its section 4 gives 64 MiB, 3 passes, 4 lanes for low memory.
    from argon2 import PasswordHasher, extract_parameters
    from argon2.low_level import Type

    with archive.transaction() as con:
        set_password(con, "Kim", PASSWORD)
    person = access(archive).person("Kim")
    assert person is not None
    parameters = extract_parameters(person.password_hash)
    assert (parameters.type, parameters.memory_cost, parameters.time_cost, parameters.parallelism) == (
        Type.ID,
        64 * 1024,
        3,
        4,
    )
    assert PasswordHasher().verify(person.password_hash, PASSWORD)
    assert PASSWORD.encode() not in archive.path.read_bytes()
    with archive.connect() as con:
        assert list_people(con).columns.tolist() == ["name", "changed_at"]


def test_weak_passwords_are_refused_and_a_person_can_be_removed(archive: Archive) -> None:
    with archive.transaction() as con:
        for password in ("", "short", "x" * 11, "ä" * 600):
            with pytest.raises(ArchiveError, match="password"):
                set_password(con, "Kim", password)
        set_password(con, "Kim", PASSWORD)
        first = read_access(con).people[0]
        set_password(con, "Kim", PASSWORD)
        second = read_access(con).people[0]
    assert first.password_hash != second.password_hash  # its own salt each time
    with archive.transaction() as con:
        remove_person(con, "Kim")
        with pytest.raises(ArchiveError, match="nobody"):
            remove_person(con, "Kim")
    assert access(archive).people == ()
