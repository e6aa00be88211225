"""Opening, migrating, refusing: what happens before the first log."""

from __future__ import annotations

import os
import re
from pathlib import Path

import duckdb
import pytest
from archive_bakes import child, entry, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, default_path
from ingest.archive.logs import store_log
from ingest.archive.migrate import Migration, copy_name, migrations, schema_version

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
    for table in ("log", "log_bytes", "run", "channel", "samples", "run_origin"):
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


# Migrations -----------------------------------------------------------------------------------------------------------


def test_the_shipped_migrations_are_numbered_without_a_gap() -> None:
    assert [m.version for m in migrations()] == list(range(1, len(migrations()) + 1))


def test_numbering_with_a_gap_is_refused(tmp_path: Path) -> None:
    (tmp_path / "0001_a.sql").write_text("SELECT 1")
    (tmp_path / "0003_b.sql").write_text("SELECT 1")
    (tmp_path / "notes.txt").write_text("not a migration")
    with pytest.raises(ArchiveError, match=re.escape("[1, 3]")):
        migrations(tmp_path)


def test_an_older_archive_is_copied_then_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    with open_archive(path, known=migrations()[:1]).transaction() as con:
        store_log(con, entry(), [recording()])
    archive = open_archive(path, known=[migrations()[0], SECOND])
    assert archive.read("SELECT version FROM schema_version ORDER BY 1")["version"].tolist() == [1, 2]
    assert archive.read("SELECT colour FROM oven").empty
    assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 1
    kept = copy_name(path, 2)
    old = open_archive(kept, known=migrations()[:1])
    assert old.read("SELECT max(version) AS v FROM schema_version")["v"].item() == 1
    assert old.read("SELECT count(*) AS n FROM samples")["n"].item() == 3 * 120
    # Numbering goes on in the copy where it stood: a number is never given twice.
    with old.transaction() as con:
        assert store_log(con, entry(2), [recording()]) == [2]


def test_a_migration_that_fails_half_way_leaves_the_archive_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    with open_archive(path, known=migrations()[:1]).transaction() as con:
        store_log(con, entry(), [recording()])
    broken = Migration(2, "broken", SECOND.sql + "INSERT INTO extra VALUES ('not a number');")
    with pytest.raises(ArchiveError, match="was left as it was") as caught:
        open_archive(path, known=[migrations()[0], broken])
    one_line(caught)
    archive = open_archive(path, known=migrations()[:1])
    assert archive.read("SELECT max(version) AS v FROM schema_version")["v"].item() == 1
    tables = archive.read("SELECT table_name FROM duckdb_tables()")["table_name"].tolist()
    assert "extra" not in tables
    assert archive.read("SELECT count(*) AS n FROM samples")["n"].item() == 3 * 120


def test_a_newer_archive_is_refused_with_one_line_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    open_archive(path, known=[migrations()[0], SECOND])
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="newer Ovenbook") as caught:
        open_archive(path, known=migrations()[:1])
    assert "update Ovenbook" in one_line(caught)
    assert path.read_bytes() == before
    assert not copy_name(path, 2).exists()


def test_processes_that_open_a_new_archive_at_once_make_one(tmp_path: Path) -> None:
    code = "import sys; from ingest import open_archive; print(open_archive(sys.argv[1], zone='UTC').change_counter())"
    racing = [child(code, tmp_path / "a.duckdb") for _ in range(4)]
    answers = [process.communicate(timeout=120) for process in racing]
    assert [out.strip() for out, _ in answers] == [str(len(migrations()))] * 4, answers
    with open_archive(tmp_path / "a.duckdb").connect() as con:
        assert schema_version(con) == len(migrations())


def test_a_migration_killed_at_any_moment_is_done_or_not_done(tmp_path: Path) -> None:
    code = """
import sys
from ingest.archive import open_archive
from ingest.archive.migrate import Migration, migrations
print("go", flush=True)
sql = "CREATE TABLE extra (a INTEGER); INSERT INTO extra SELECT range FROM range(300000);"
open_archive(sys.argv[1], known=[migrations()[0], Migration(2, "extra", sql)])
print("done", flush=True)
"""
    import random
    import time

    chance = random.Random(8)
    outcomes = set()
    for trial in range(8):
        path = tmp_path / f"{trial}.duckdb"
        with open_archive(path, known=migrations()[:1]).transaction() as con:
            store_log(con, entry(), [recording()])
        process = child(code, path)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "go"
        time.sleep(chance.random() * 0.3)
        process.kill()
        said, _ = process.communicate()
        sql = "CREATE TABLE extra (a INTEGER); INSERT INTO extra SELECT range FROM range(300000);"
        with duckdb.connect(str(path)) as con:
            version = con.execute("SELECT max(version) FROM schema_version").fetchone()
            tables = con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'extra'").fetchone()
        assert version is not None
        assert tables is not None
        assert (version[0] == 2) == (tables[0] == 1)
        if "done" in said:
            assert version[0] == 2
        outcomes.add(version[0])
        archive = open_archive(path, known=[migrations()[0], Migration(2, "extra", sql)])
        assert archive.read("SELECT count(*) AS n FROM extra")["n"].item() == 300_000
        assert archive.read("SELECT count(*) AS n FROM samples")["n"].item() == 3 * 120
    assert outcomes <= {1, 2}
