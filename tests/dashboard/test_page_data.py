"""What pages keep: nothing of it outlives a change of what it was made from. Archives invented."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from demo_season import demo_archive

from analysis.drift import watch
from analysis.store.drift import oven_report
from analysis.store.drift_frames import span_of
from dashboard import page_data
from dashboard.panels import defects_data, drift_data
from ingest.archive import Archive, open_archive
from ingest.archive.connection import Connection
from ingest.archive.drift_notes import answer_call, choose_run, set_drift
from ingest.archive.events import add_event
from ingest.archive.quality import add_inspection
from ingest.archive.runs import set_run_field

NORTH, SOUTH = "North bench", "South bench"


@pytest.fixture
def book(tmp_path: Path) -> Iterator[page_data.Book]:
    path = tmp_path / "own.duckdb"
    shutil.copy(demo_archive(), path)
    yield page_data.current(str(path))
    page_data.book._opened.cache_clear()


def now(book: page_data.Book) -> page_data.Book:
    return page_data.current(str(book.archive.path))


def north(con: Connection) -> int:
    return con.execute("SELECT oven_id FROM oven WHERE name = ?", [NORTH]).fetchall()[0][0]


def newest_north(con: Connection) -> int:
    return con.execute("SELECT max(run_id) FROM run WHERE oven_id = ?", [north(con)]).fetchall()[0][0]


# One change of each kind of row that an oven's report is made from.
CHANGES: dict[str, Callable[[Connection], object]] = {
    "an event": lambda con: add_event(
        con, north(con), "seal", datetime.now(UTC) - timedelta(days=2), at_precision="day"
    ),
    "a run left out": lambda con: choose_run(con, newest_north(con), "left out", "door opened"),
    "an interval": lambda con: set_drift(con, north(con), reference_every_days=7.0, false_calls_per_100_runs=None),
    "a run's board": lambda con: set_run_field(
        con,
        newest_north(con),
        "board_id",
        con.execute("SELECT max(board_id) FROM board").fetchall()[0][0],
        "typed",
        None,
        "noted wrongly",
    ),
    "a metric": lambda con: con.execute(
        "UPDATE metric SET value = value * 1.5 WHERE run_id = ? AND metric = 'full_power_ramp_high_c_per_s'",
        [newest_north(con)],
    ),
    "a finding": lambda con: con.execute(
        "UPDATE finding_row SET state = 'fail', code = 'stuck' "
        "WHERE rowid = (SELECT min(rowid) FROM finding_row WHERE run_id = ?)",
        [newest_north(con)],
    ),
    "a margin": lambda con: con.execute("UPDATE limit_result SET margin = 1 WHERE run_id = ?", [newest_north(con)]),
    "an answer": lambda con: answer_call(con, north(con), {"id": "x", "series": "hold_duty"}, "watch"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_report_of_drift_is_made_anew_when_anything_it_rests_on_changes(book: page_data.Book, change: str):
    before, other = drift_data.report_now(book, NORTH), drift_data.report_now(book, SOUTH)
    assert drift_data.report_now(now(book), NORTH) is before  # nothing changed: nothing is worked out again
    with book.archive.transaction() as con:
        CHANGES[change](con)
    assert drift_data.report_now(now(book), NORTH) is not before
    if change != "a run left out":  # choices are of all ovens
        assert drift_data.report_now(now(book), SOUTH) is other


def test_a_new_run_shows_in_the_report_of_its_oven_at_once(book: page_data.Book):
    before = drift_data.report_now(book, NORTH)
    with book.archive.transaction() as con:
        copy_of_newest(con)
    assert len(drift_data.report_now(now(book), NORTH).span.numbers) == len(before.span.numbers) + 1


def copy_of_newest(con: Connection) -> None:
    run = newest_north(con)
    new = con.execute("SELECT max(run_id) + 1 FROM run").fetchall()[0][0]
    for table in ("run", "channel", "metric", "evaluation"):
        other_part = ", 9 AS part" if table == "run" else ""
        con.execute(
            f"INSERT INTO {table} SELECT * REPLACE ({new} AS run_id{other_part}) FROM {table} WHERE run_id = ?", [run]
        )


def test_an_inspection_shows_among_the_defects_at_once(book: page_data.Book):
    before = defects_data.report(book).records
    with book.archive.transaction() as con:
        run = con.execute(
            "SELECT max(run_id) FROM run WHERE kind = 'product' AND run_id NOT IN (SELECT run_id FROM inspection)"
        ).fetchall()[0][0]
        add_inspection(con, run, "loupe", boards_looked=1, defects=[])
    after = defects_data.report(now(book)).records
    assert (len(after.runs), after.not_inspected) == (len(before.runs) + 1, before.not_inspected - 1)


def test_a_part_of_the_inspected_runs_is_the_newest_part(book: page_data.Book):
    whole, part = defects_data.report(book, None).records, defects_data.report(book, 50).records
    assert part.runs["run"].tolist() == whole.runs["run"].tolist()[-50:]
    assert (part.all_inspected, part.not_inspected, part.all_runs) == (
        len(whole.runs),
        whole.not_inspected,
        whole.all_runs,
    )
    shared = whole.runs.tail(50).reset_index(drop=True)
    assert part.runs["melt_lag_s"].equals(shared["melt_lag_s"])


@pytest.fixture(scope="module")
def demo() -> Archive:
    return open_archive(demo_archive())


@pytest.mark.parametrize("newest", [30, 100, 150])
def test_a_span_is_the_newest_runs_and_begins_anew_only_now_and_then(demo: Archive, newest: int):
    with demo.connect() as con:
        everything, part = span_of(con, north(con)), span_of(con, north(con), newest)
    assert everything.is_all
    assert not part.is_all
    assert part.numbers.tolist() == everything.numbers.tolist()[-len(part.numbers) :]
    assert newest <= len(part.numbers) < newest * 1.5
    assert (everything.of - len(part.numbers)) % (newest // 2) == 0  # so that one more run does not move the baseline


def test_a_span_that_holds_every_run_gives_the_report_of_all(demo: Archive):
    whole, part = oven_report(demo, NORTH), oven_report(demo, NORTH, newest=1000)
    assert part.calls_json() == whole.calls_json()
    assert part.span.is_all


def test_what_is_remembered_of_a_series_is_what_would_be_worked_out(demo: Archive):
    """Twice, once with nothing remembered: the same to the last digit."""
    watch.STEPS.forget()
    fresh = oven_report(demo, NORTH, newest=100)
    again = oven_report(demo, NORTH, newest=100)
    assert again.calls_json() == fresh.calls_json()
    for one, other in zip(fresh.drift.epochs, again.drift.epochs, strict=True):
        for key, watched in one.watched.items():
            for name in ("expected", "sigma", "bias", "doubt", "z", "cusum_high", "cusum_limit"):
                assert np.array_equal(getattr(watched, name), getattr(other.watched[key], name), equal_nan=True)


def test_one_opening_serves_all_readers_of_a_thread_and_is_closed_after(book: page_data.Book):
    with book.one_opening():
        with book.archive.connect() as one, book.archive.connect() as two:
            assert one is two
        assert page_data.newest_run(book) is not None
    with book.archive.connect() as after:
        assert after is not one
