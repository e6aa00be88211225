"""A file that a controller goes on writing into: one log that grows, its runs never twice."""

from __future__ import annotations

from pathlib import Path

import pytest
from import_bakes import bake

from ingest.archive import Archive, open_archive
from ingest.archive.logs import original_bytes
from ingest.archive.quality import add_inspection
from ingest.archive.reference import add_oven
from ingest.archive.runs import set_run_field
from ingest.archive.verify import verify
from ingest.importing import ImportOptions, import_bytes, import_paths


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="UTC")


def stamped(*days: int) -> bytes:
    """One file with a run on each of these days of March 2025, wall-clock stamps, 400 rows a run."""
    rows = ["time,setpoint_c,left_c,right_c"]
    for day in days:
        for line in bake(None).decode().splitlines()[2:402]:
            elapsed, rest = line.split(",", 1)
            second = int(float(elapsed))
            rows.append(f"2025-03-{day:02d} 09:{second // 60:02d}:{second % 60:02d},{rest}")
    return ("\n".join(rows) + "\n").encode()


def test_a_longer_file_takes_the_place_of_its_beginning_and_adds_only_what_is_new(archive: Archive) -> None:
    with archive.transaction() as con:
        add_oven(con, "Bench")
    first = import_bytes(archive, stamped(3, 4), "LOG.CSV", ImportOptions(oven="Bench", who="Ada"))[0]
    assert [r.run for r in first.runs] == [1, 2]
    with archive.transaction() as con:
        add_inspection(
            con,
            2,
            "loupe",
            scope=None,
            boards_looked=1,
            joints_looked=9,
            who="Ada",
            at=None,
            origin="typed",
            defects=(),
        )
        set_run_field(con, 1, "note", "first of the day", "typed", "Ada", None)
    longer = stamped(3, 4, 5)
    grown = import_bytes(archive, longer, "LOG.CSV")[0]
    assert (grown.status, [r.run for r in grown.runs], grown.log) == ("stored", [1, 2, 3], first.log)
    assert "log_grown" in {w.code for w in grown.warnings}
    assert grown.runs[0] == first.runs[0]
    with archive.connect() as con:
        assert original_bytes(con, first.log or 0) == longer
    overview = archive.read("SELECT run, oven, note FROM run_overview ORDER BY run")
    assert list(overview["oven"]) == ["Bench", "Bench", "Bench"]
    assert overview["note"][0] == "first of the day"
    assert int(archive.read("SELECT count(*) AS n FROM inspection")["n"][0]) == 1
    assert int(archive.read("SELECT count(*) AS n FROM log")["n"][0]) == 1
    kept = archive.read("SELECT old_value FROM change WHERE table_name = 'log'")["old_value"][0]
    assert first.sha256 in kept
    assert verify(archive) == []
    # Both copies are known now, the earlier as the beginning of what is stored.
    assert import_bytes(archive, longer, "LOG.CSV")[0].status == "duplicate"
    again = import_bytes(archive, stamped(3, 4), "LOG.CSV")[0]
    assert (again.status, [r.run for r in again.runs]) == ("duplicate", [1, 2, 3])
    assert "the beginning of log 1" in (again.reason or "")


def test_a_run_that_was_cut_is_completed_under_its_number(archive: Archive, tmp_path: Path) -> None:
    whole = bake()
    file = tmp_path / "bake.csv"
    file.write_bytes(b"".join(whole.splitlines(keepends=True)[:260]))
    cut = next(iter(import_paths(archive, [file])))
    assert cut.runs[0].duration_s < 260
    file.write_bytes(whole)
    complete = next(iter(import_paths(archive, [tmp_path / "bake.csv"])))
    assert [(r.run, r.duration_s) for r in complete.runs] == [(1, 420.0)]
    assert int(archive.read("SELECT count(*) AS n FROM run")["n"][0]) == 1


def test_another_file_of_the_same_name_is_another_log(archive: Archive) -> None:
    import_bytes(archive, bake("2025-03-03T09:00:00"), "LOG.CSV")
    other = import_bytes(archive, bake("2025-03-04T09:00:00", variant=1) + b"420.5,25,60,58\n", "LOG.CSV")[0]
    assert (other.status, other.runs[0].run) == ("stored", 2)


def test_a_held_log_that_grew_is_asked_once(archive: Archive) -> None:
    def ambiguous(rows: int) -> bytes:
        lines = [f"03/04/2025 09:{i // 60:02d}:{i % 60:02d},{20 + min(i, 250) * 0.9:.1f}" for i in range(rows)]
        return ("time,board_C\n" + "\n".join(lines) + "\n").encode()

    assert import_bytes(archive, ambiguous(280), "log.csv")[0].status == "held"
    assert import_bytes(archive, ambiguous(300), "log.csv")[0].status == "held"
    assert int(archive.read("SELECT count(*) AS n FROM log WHERE status = 'held'")["n"][0]) == 1
