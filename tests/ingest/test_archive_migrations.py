"""Migrations: each done whole or not at all, after a copy; archives of every earlier schema brought up to date."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import numpy as np
import pytest
from archive_bakes import child, entry, old_archive, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError
from ingest.archive.logs import original_bytes, store_log
from ingest.archive.migrate import Migration, copy_name, migrations, schema_version
from ingest.archive.runs import load_recordings
from ingest.archive.verify import verify
from ingest.reading import read_log

NOW = len(migrations())
NEXT = Migration(NOW + 1, "oven_colour", "ALTER TABLE oven ADD COLUMN colour VARCHAR; CREATE TABLE extra (a INTEGER);")
SAMPLES = 40 * (3 + 2 + 2)  # of the invented old archive


def one_line(caught: pytest.ExceptionInfo[ArchiveError]) -> str:
    text = str(caught.value)
    assert text
    assert "\n" not in text
    return text


def samples(archive: Archive) -> int:
    return archive.read("SELECT count(*) AS n FROM samples")["n"].item()


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
    with open_archive(path).transaction() as con:
        store_log(con, entry(), [recording()])
    archive = open_archive(path, known=[*migrations(), NEXT])
    assert archive.read("SELECT max(version) AS v FROM schema_version")["v"].item() == NOW + 1
    assert archive.read("SELECT colour FROM oven").empty
    assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 1
    old = open_archive(copy_name(path, NOW + 1))
    assert old.read("SELECT max(version) AS v FROM schema_version")["v"].item() == NOW
    assert samples(old) == 3 * 120
    # Numbering goes on in the copy where it stood: a number is never given twice.
    with old.transaction() as con:
        assert store_log(con, entry(2), [recording()]) == [2]


def test_a_migration_that_fails_half_way_leaves_the_archive_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    with open_archive(path).transaction() as con:
        store_log(con, entry(), [recording()])
    broken = Migration(NOW + 1, "broken", NEXT.sql + "INSERT INTO extra VALUES ('not a number');")
    with pytest.raises(ArchiveError, match="was left as it was") as caught:
        open_archive(path, known=[*migrations(), broken])
    one_line(caught)
    archive = open_archive(path)
    assert archive.read("SELECT max(version) AS v FROM schema_version")["v"].item() == NOW
    tables = archive.read("SELECT table_name FROM duckdb_tables()")["table_name"].tolist()
    assert "extra" not in tables
    assert samples(archive) == 3 * 120


def test_a_newer_archive_is_refused_with_one_line_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    open_archive(path, known=[*migrations(), NEXT])
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="newer Ovenbook") as caught:
        open_archive(path)
    assert "update Ovenbook" in one_line(caught)
    assert path.read_bytes() == before
    assert not copy_name(path, NOW + 1).exists()


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
print("go", flush=True)
open_archive(sys.argv[1])
print("done", flush=True)
"""
    import random
    import time

    chance = random.Random(8)
    for trial in range(8):
        path = tmp_path / f"{trial}.duckdb"
        old_archive(path, 4)
        process = child(code, path)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "go"
        time.sleep(chance.random() * 0.3)
        process.kill()
        said, _ = process.communicate()
        with duckdb.connect(str(path)) as con:
            version = con.execute("SELECT max(version) FROM schema_version").fetchone()
            tables = con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'sample_values'").fetchone()
        assert version is not None
        assert tables is not None
        assert (version[0] >= 5) == (tables[0] == 1)
        if "done" in said:
            assert version[0] == NOW
        assert samples(open_archive(path)) == SAMPLES


@pytest.mark.parametrize("version", range(1, NOW))
def test_an_archive_of_each_earlier_schema_is_brought_up_to_date(tmp_path: Path, version: int) -> None:
    path = tmp_path / "a.duckdb"
    old = old_archive(path, version)
    before = old.read("FROM sample ORDER BY ALL")
    archive = open_archive(path)
    assert archive.read("FROM sample ORDER BY ALL").equals(before)
    assert samples(archive) == len(before) == SAMPLES
    assert verify(archive) == []
    with archive.connect() as con:
        assert schema_version(con) == NOW
        for run_id, kept in load_recordings(con):
            # what the reader makes of the original bytes today, to the last bit
            (read,) = read_log(original_bytes(con, run_id), f"invented_{run_id}.csv")[0].recordings
            assert np.array_equal(kept.elapsed_s, read.elapsed_s)
            assert [c.name for c in kept.channels] == [c.name for c in read.channels]
            for mine, theirs in zip(kept.channels, read.channels, strict=True):
                assert np.array_equal(mine.values, theirs.values, equal_nan=True)


def test_samples_that_were_damaged_before_are_missing_after_and_nothing_else(tmp_path: Path) -> None:
    old = old_archive(tmp_path / "a.duckdb", 4)
    with old.connect() as con:
        con.execute("DELETE FROM samples WHERE run_id = 1 AND channel_no = 1 AND elapsed_ms = 50000")
        con.execute("DELETE FROM samples WHERE run_id = 2")
    archive = open_archive(tmp_path / "a.duckdb")
    assert [problem.text for problem in verify(archive)] == [
        "run 1, channel left_c: 39 values and 1 missing instead of 40 and 0",
        "run 2 has 0 samples instead of 80",
        "run 2, channel left_f: 0 values and 0 missing instead of 40 and 0",
        "run 2, channel rear_f: 0 values and 0 missing instead of 40 and 0",
    ]
