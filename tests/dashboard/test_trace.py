"""From a serial to everything used, and from a jar, lot or event to every board. Serials and events are invented."""

from __future__ import annotations

import csv
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from archive_helpers import Shop
from page_archives import full_archive
from page_fixtures import empty  # noqa: F401  (fixture)
from page_reading import opened, said

from dashboard.export_selection import Selection
from dashboard.trace import as_table, serials_in, trace_event, trace_selection, trace_serial
from ingest.archive import Archive, open_archive
from ingest.archive.events import add_event
from ingest.archive.quality import add_inspection
from ingest.archive.runs import set_run_field


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs 1 to 6 at 9:00, 10:00 ... UTC on 4 March 2025; serials in 1 and 2; a fan cleaned at 11:30."""
    archive = full_archive(tmp_path_factory.mktemp("filled") / "archive.duckdb")
    with archive.transaction() as con:
        set_run_field(con, 1, "serials", "0401-0412, 0420", "typed", None, None)
        set_run_field(con, 2, "serials", "A7;A9", "typed", None, None)
        add_inspection(con, 5, "loupe", serial="0412", boards_looked=1, defects=[])
        add_event(con, 1, "fan", datetime(2025, 3, 4, 11, 30, tzinfo=UTC), at_precision="time", note="new fan")
        add_event(con, 1, "fan", datetime(2025, 3, 4, 13, 30, tzinfo=UTC), at_precision="time", note="another fan")
    return archive.path


@pytest.fixture
def archive(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    path = tmp_path / "archive.duckdb"
    shutil.copy(filled, path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return open_archive(path)


def test_a_range_of_serials_is_written_out() -> None:
    assert serials_in("0101-0103, 0120") == ["0101", "0102", "0103", "0120"]
    assert serials_in("B-7;B-9 A1-A3") == ["B-7", "B-9", "A1", "A2", "A3"]
    assert serials_in("0001-9999999") == ["0001-9999999"]  # more likely a slip than a batch
    assert serials_in(None) == []


def test_a_serial_leads_to_runs_jar_lot_oven_and_events(archive: Archive) -> None:
    trace = trace_serial(archive, "0412")
    assert list(trace.runs["run"]) == [1, 5]  # in the range of run 1, and inspected in run 5
    row = trace.runs.iloc[0]
    assert (row["jar"], row["lot"], row["oven"]) == ("jar 14", "L-2231", "Invented oven")
    assert list(trace.boards["serial"]) == ["0412", "0412"]
    of_first = trace.events[trace.events["run"] == 1]
    assert dict(zip(of_first["kind"], of_first["when"], strict=True)) == {"seal": "before", "fan": "after"}
    assert "4 of 6 runs have no serials recorded; this board may have been in one of them." in trace.gaps


def test_a_serial_nobody_noted_gives_no_run_but_says_what_is_not_known(archive: Archive) -> None:
    trace = trace_serial(archive, "9999")
    assert trace.runs.empty
    assert any("no serials recorded" in gap for gap in trace.gaps)


def test_a_lot_leads_to_every_serial_and_board(archive: Archive) -> None:
    trace = trace_selection(archive, Selection(lot="L-2231"))
    assert len(trace.runs) == 6
    serials = set(trace.boards["serial"].dropna())
    assert serials == {f"04{n:02d}" for n in range(1, 13)} | {"0420", "A7", "A9"}
    assert set(trace.boards["board"]) == {"Heron"}
    assert len(as_table(trace)) == len(trace.boards)
    assert "Not recorded for 4 of 6 runs: serials." in trace.gaps


def test_an_event_leads_to_the_runs_until_the_next_of_its_kind(archive: Archive) -> None:
    numbers = archive.read("SELECT event FROM oven_event WHERE kind = 'fan' ORDER BY happened_at")["event"]
    assert list(trace_event(archive, int(numbers.iloc[0])).runs["run"]) == [4, 5]  # 12:00 and 13:00
    assert list(trace_event(archive, int(numbers.iloc[1])).runs["run"]) == [6]
    seal = archive.read("SELECT event FROM oven_event WHERE kind = 'seal'")["event"].iloc[0]
    of_seal = trace_event(archive, int(seal))
    assert len(of_seal.runs) == 6
    assert any("to the day only" in gap for gap in of_seal.gaps)


@pytest.mark.parametrize(
    ("parameters", "expected"),
    [
        ({"serial": "0412"}, "2 runs, 2 serials."),
        ({"by": "lot", "lot": "L-2231"}, "6 runs, 16 serials; 3 runs without serials."),
        ({"by": "jar", "jar": "jar 14"}, "6 runs"),
        ({"by": "event", "event": "seal on Invented oven, 2025-03-03"}, "6 runs"),
        ({"by": "oven", "oven": "Invented oven", "first": "2025-03-05"}, "0 runs"),
        ({}, "From a board's serial"),
    ],
)
def test_the_page_answers_by_its_address(archive: Archive, parameters: dict[str, str], expected: str) -> None:
    assert archive.path.exists()
    at = opened("trace", **parameters)
    assert not at.exception
    assert not at.error
    assert expected in said(at)


def test_an_empty_archive_says_what_comes_next(empty: Archive) -> None:  # noqa: F811
    assert empty.path.exists()
    at = opened("trace")
    assert not at.exception
    assert "begins with the first log" in said(at)


def test_the_command_prints_json_and_csv_of_one_row_a_board(archive: Archive, tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    assert shop.archive == archive.path
    answer = shop.quick("export", "trace", "--serial", "0412", "--json").json
    assert [row["run"] for row in answer["runs"]] == [1, 5]
    assert shop.quick("export", "trace", "--lot", "L-2231", "--to", str(tmp_path / "lot.csv")).status == 0
    rows = list(csv.DictReader((tmp_path / "lot.csv").open(encoding="utf-8-sig", newline="")))
    assert len(rows) == 19  # 13 + 2 serials, one more at an inspection, three runs without
    assert {row["lot"] for row in rows} == {"L-2231"}
    assert shop("export", "trace").status == 2
    assert shop("export", "trace", "--event", "99").err == "ovenbook: there is no event 99\n"
