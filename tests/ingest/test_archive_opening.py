"""Opening, migrating, refusing: what happens before the first log."""

from __future__ import annotations

import os
from pathlib import Path

import duckdb
import pytest
from archive_bakes import entry, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, default_path
from ingest.archive.logs import store_log
from ingest.archive.migrate import Migration, migrations

SECOND = Migration(2, "oven_colour", "ALTER TABLE oven ADD COLUMN colour VARCHAR; CREATE TABLE extra (a INTEGER);")


def one_line(caught: pytest.ExceptionInfo[ArchiveError]) -> str:
    text = str(caught.value)
    assert text
    assert "\n" not in text
    return text


def test_a_new_archive_has_its_schema_zone_and_counter(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")
    assert archive.zone == "Europe/Berlin"
    before = archive.change_counter()
    with archive.transaction():
        pass
    assert archive.change_counter() == before + 1
    assert open_archive(tmp_path / "a.duckdb").change_counter() == before + 1
    assert archive.read("SELECT version, name FROM schema_version").values.tolist() == [
        [m.version, m.name] for m in migrations()
    ]


def test_the_zone_can_be_changed_but_not_to_nonsense(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb", zone="UTC")
    archive.set_zone("Asia/Tokyo")
    assert open_archive(tmp_path / "a.duckdb").zone == "Asia/Tokyo"
    with pytest.raises(ArchiveError, match="no time zone is called"):
        archive.set_zone("Mars/Base")


def test_the_default_place_is_named_by_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(tmp_path / "shop.duckdb"))
    assert default_path() == tmp_path / "shop.duckdb"
    assert open_archive().path == (tmp_path / "shop.duckdb").resolve()


def test_the_default_folder_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OVENBOOK_ARCHIVE", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    archive = open_archive()
    assert archive.path.is_file()
    assert tmp_path.resolve() in archive.path.parents


def test_a_named_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="is not there") as caught:
        open_archive(tmp_path / "stick" / "a.duckdb")
    one_line(caught)
    assert not (tmp_path / "stick").exists()


def test_without_create_a_missing_archive_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="there is no archive"):
        open_archive(tmp_path / "a.duckdb", create=False)
    assert not (tmp_path / "a.duckdb").exists()


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="is a folder"):
        open_archive(tmp_path)


@pytest.mark.parametrize(
    "content",
    [b"hello, world\n" * 1000, b"SQLite format 3\x00" + bytes(4096), b"x"],
    ids=["text", "other database", "one byte"],
)
def test_a_file_that_is_no_archive_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.duckdb"
    path.write_bytes(content)
    with pytest.raises(ArchiveError, match="is not an Ovenbook archive") as caught:
        open_archive(path)
    one_line(caught)
    assert path.read_bytes() == content


def test_a_stranger_s_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE theirs (a INTEGER)")
    with pytest.raises(ArchiveError, match="not an Ovenbook archive"):
        open_archive(path)
    with duckdb.connect(str(path)) as con:
        assert con.execute("SELECT table_name FROM duckdb_tables()").fetchall() == [("theirs",)]


def test_an_archive_that_vanishes_is_an_error_and_not_made_anew(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    archive.path.unlink()
    with pytest.raises(ArchiveError, match="not there any more"):
        archive.change_counter()
    assert not archive.path.exists()


def test_reading_cannot_write(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    with pytest.raises(duckdb.Error, match="read-only"):
        archive.read("DELETE FROM archive_state RETURNING zone")
    assert archive.change_counter() >= 0


def test_a_transaction_that_raises_leaves_nothing(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    before = archive.change_counter()

    def interrupted() -> None:
        with archive.transaction() as con:
            store_log(con, entry(), [recording()])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert archive.change_counter() == before
    for table in ("log", "log_bytes", "run", "channel", "sample_times", "sample_values", "run_origin"):
        assert archive.read(f"SELECT count(*) AS n FROM {table}")["n"].item() == 0


def test_a_transaction_inside_a_transaction_is_refused_at_once(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    with archive.transaction(), pytest.raises(ArchiveError, match="a transaction is open"), archive.transaction():
        pass


def test_a_read_only_folder_can_be_read_and_says_why_it_cannot_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "fixed"
    folder.mkdir()
    path = folder / "a.duckdb"
    with open_archive(path).transaction() as con:
        store_log(con, entry(), [recording()])
    path.chmod(0o444)
    folder.chmod(0o555)
    for parent in (tmp_path, *tmp_path.parents):
        if parent.stat().st_uid == os.getuid() and parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    # Rights do not bind root: act as a plain user then.
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        # os.access asks for the real user, so that the archive learns of it only when DuckDB tries.
        archive = Archive(path, read_only=True) if root else open_archive(path)
        assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 1
        with pytest.raises(ArchiveError, match="cannot be written here") as caught, archive.transaction():
            pass
        one_line(caught)
        with pytest.raises(ArchiveError, match="cannot be written here") as caught:
            open_archive(folder / "new.duckdb")
        one_line(caught)
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
