"""What the drift pages read: reports of the ovens, kept until the archive changes; and the actions they take."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from analysis.drift.records import Call
from analysis.store import drift_frames
from analysis.store.drift import OvenReport, oven_names, oven_number, oven_report
from dashboard.page_data import Book, kept, kept_while
from dashboard.panels.spans import USUAL


@kept
def ovens(book: Book) -> list[str]:
    """Ovens that have a run."""
    return oven_names(book.archive)


@kept
def _digest(book: Book, oven: str, newest: int | None, today: str) -> tuple[int, ...]:
    del today
    with book.archive.connect() as con:
        return drift_frames.digest_of(con, oven_number(con, oven), newest)


def read_small(book: Book, usual_span_of: Sequence[str] | None = None) -> list[str]:
    """The ovens by name; reads, through one connection, the small things that the pages ask of each of them, and whether
    the reports of `usual_span_of` (None: of all) still hold."""
    with book.one_opening():
        names = ovens(book)
        choices(book)
        for name in names:
            runs_of(book, name)
            setting(book, name)
            if usual_span_of is None or name in usual_span_of:
                _digest(book, name, USUAL, _today())
        return names


@kept_while(_digest)
def report(book: Book, oven: str, newest: int | None, today: str) -> OvenReport:
    """Everything about one oven's drift. `today` only keeps a report from outliving the day its due dates hang on."""
    del today
    return oven_report(book.archive, oven, newest=newest)


def report_now(book: Book, oven: str, newest: int | None = USUAL) -> OvenReport:
    """The report as of today. `newest`: look at about so many of the newest runs; None: at all of them."""
    return report(book, oven, newest, _today())


def _today() -> str:
    return f"{pd.Timestamp.now(tz='UTC'):%Y-%m-%d}"


@kept
def runs_of(book: Book, oven: str) -> int:
    """How many runs name this oven."""
    return int(
        book.archive.read("SELECT count(*) AS n FROM run JOIN oven USING (oven_id) WHERE oven.name = ?", (oven,))[
            "n"
        ].iloc[0]
    )


@kept
def oven_id(book: Book, oven: str) -> int:
    return int(book.archive.read("SELECT oven_id FROM oven WHERE name = ?", (oven,))["oven_id"].iloc[0])


@kept
def verdicts(book: Book, runs: tuple[int, ...]) -> dict[int, dict[str, Any]]:
    """Board, verdict and limiting margin of these runs, as the archive has them, by run."""
    from dashboard.page_data import records

    rows = book.archive.read(
        """SELECT r.run_id AS run, b.name AS board, e.verdict, e.limiting_metric, e.limiting_margin, e.limiting_unit
           FROM run r LEFT JOIN board b USING (board_id) LEFT JOIN evaluation e ON e.run_id = r.run_id
           WHERE r.run_id IN (SELECT unnest(?::INTEGER[]))""",
        (list(runs),),
    )
    return {int(row["run"]): row for row in records(rows)}


@kept
def setting(book: Book, oven: str) -> tuple[float | None, float | None]:
    """Days between reference runs and false calls per 100 runs as set for this oven; None: as usual."""
    from ingest.archive.drift_notes import drift_settings

    with book.archive.connect() as con:
        rows = drift_settings(con)
    own = rows[rows["oven"] == oven]
    if own.empty:
        return None, None
    days, calls = own["reference_every_days"].iloc[0], own["false_calls_per_100_runs"].iloc[0]
    return (None if pd.isna(days) else float(days)), (None if pd.isna(calls) else float(calls))


@kept
def choices(book: Book) -> dict[int, dict[str, Any]]:
    """Runs a person left out or took in: run -> choice, why, who."""
    from dashboard.page_data import records
    from ingest.archive.drift_notes import list_choices

    with book.archive.connect() as con:
        rows = list_choices(con)
    return {int(r["run"]): r for r in records(rows)}


def answer(book: Book, oven: str, call: Call, what: str, note: str | None, who: str | None) -> None:
    from ingest.archive.drift_notes import answer_call

    number = oven_id(book, oven)
    with book.archive.transaction() as con:
        answer_call(con, number, call.to_json(), what, note=note, who=who)


def choose(book: Book, run: int, choice: str | None, why: str, who: str | None) -> None:
    """Leave a run out, take it in, or (None) let the rules decide again."""
    from ingest.archive.drift_notes import choose_run, withdraw_choice

    with book.archive.transaction() as con:
        if choice is None:
            withdraw_choice(con, run, who)
        else:
            choose_run(con, run, choice, why, who)


def set_drift(book: Book, oven: str, days: float | None, calls: float | None, who: str | None) -> None:
    from ingest.archive.drift_notes import set_drift as store

    number = oven_id(book, oven)
    with book.archive.transaction() as con:
        store(con, number, reference_every_days=days, false_calls_per_100_runs=calls, who=who)
