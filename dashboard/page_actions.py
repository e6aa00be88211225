"""What the pages change: each action is one transaction, and a run whose context changed is judged again in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dashboard.page_data import Book
from ingest.import_result import ImportOptions, ImportResult

WindowRow = tuple[str, str, float | None, float | None, str]  # metric, canonical parameters, low, high, unit


def set_run_value(book: Book, run: int, field: str, value: Any, who: str | None, why: str | None = None) -> None:
    """Store one typed value of a run (`field` a column of run without _id) and judge the run again if it matters."""
    from analysis.store import evaluate_and_write
    from ingest.archive.fields import JUDGED_BY
    from ingest.archive.runs import load_recording, set_run_field

    with book.archive.transaction() as con:
        set_run_field(con, run, field, value, "typed", who, why)
        if field in JUDGED_BY:
            evaluate_and_write(con, run, load_recording(con, run))


def try_log(book: Book, data: bytes, name: str, options: ImportOptions) -> list[ImportResult]:
    """What would become of a log: read it, store nothing."""
    from dataclasses import replace

    from ingest.importing import import_bytes

    return import_bytes(book.archive, data, name, replace(options, dry_run=True))


def store_log(book: Book, data: bytes, name: str, options: ImportOptions) -> list[ImportResult]:
    """Store a log, or hold or reject it, with its evaluation in the same transaction."""
    from analysis.store import evaluate_and_write
    from dashboard.service.desk import page_took
    from ingest.importing import import_bytes

    return page_took(import_bytes(book.archive, data, name, options, after_store=evaluate_and_write))


def answer_held(book: Book, log_id: int, answers: Mapping[str, str], layout_name: str | None) -> list[ImportResult]:
    """Answer the questions of a held log; it is stored, or asks further."""
    from analysis.store import evaluate_and_write
    from dashboard.service.desk import page_took
    from ingest.importing import answer_log

    return page_took(answer_log(book.archive, log_id, answers, layout_name=layout_name, after_store=evaluate_and_write))


def add_reference(book: Book, what: str, name: str, fields: Mapping[str, Any]) -> int:
    """Add an oven, jar or board; returns its number. Fields left empty are not given."""
    from ingest.archive import reference

    adders = {"oven": reference.add_oven, "jar": reference.add_jar, "board": reference.add_board}
    given = {key: value for key, value in fields.items() if value not in (None, "")}
    with book.archive.transaction() as con:
        return adders[what](con, name, **given)


def add_paste(book: Book, name: str, alloy_name: str, fields: Mapping[str, Any]) -> int:
    """Add a paste; its melting range comes with the alloy."""
    from ingest.alloys import alloy_in
    from ingest.archive import ArchiveError, reference

    alloy = alloy_in(alloy_name)
    if alloy is None:
        raise ArchiveError(f"{alloy_name} is no alloy known here")
    given = {key: value for key, value in fields.items() if value not in (None, "")}
    with book.archive.transaction() as con:
        return reference.add_paste(
            con,
            name,
            alloy=alloy.name,
            family=alloy.family,
            solidus_c=alloy.solidus_c,
            liquidus_c=alloy.liquidus_c,
            **given,
        )


def add_event(
    book: Book,
    oven_id: int,
    kind: str,
    happened_at: datetime,
    at_precision: str,
    note: str | None,
    expected: str | None,
    restarts_baseline: bool,
    who: str | None,
) -> int:
    """Note maintenance or a change on an oven."""
    from ingest.archive import events

    with book.archive.transaction() as con:
        return events.add_event(
            con,
            oven_id,
            kind,
            happened_at,
            at_precision=at_precision,
            note=note,
            expected=expected,
            restarts_baseline=restarts_baseline,
            who=who,
        )


def add_window(book: Book, scope: str, source: str, revision: str, limits: Sequence[WindowRow], **owner: int) -> int:
    """Store a window of a paste, of component bodies or of the house (`owner`: paste_id, board_id or oven_id).

    The earlier one of the same owner is superseded; the limits frozen with verdicts given under it stay.
    """
    from ingest.archive import windows

    with book.archive.transaction() as con:
        return windows.add_window(
            con,
            scope,
            source,
            revision,
            limits,
            paste_id=owner.get("paste_id"),
            board_id=owner.get("board_id"),
            oven_id=owner.get("oven_id"),
        )


def judge_again(book: Book) -> str:
    """Judge every run again whose verdict hangs on changed values or earlier rules; returns what that did, in a line."""
    from dashboard.judging import bring_up_to_date

    return bring_up_to_date(book.archive).sentence()


def set_budget(book: Book, oven_id: int, budget: Mapping[str, float], who: str | None, why: str | None) -> str:
    """Set an oven's terms of the uncertainty budget (what is not named is the default) and judge its runs again."""
    from analysis.uncertainty import problems_of
    from ingest.archive import ArchiveError

    problems = problems_of(budget)
    if problems:
        raise ArchiveError(problems[0])
    correct(book, "oven", oven_id, "budget", dict(budget), who, why)
    return judge_again(book)


def judge_by_todays_windows(book: Book, runs: Sequence[int]) -> int:
    """Judge `runs` again by the windows in force; returns how many."""
    from analysis.store import reevaluate

    return reevaluate(book.archive, runs)


def correct(book: Book, table: str, row_id: int, field: str, value: Any, who: str | None, why: str | None) -> None:
    """Correct one value of a reference row; the old value, who and why are kept."""
    from ingest.archive.corrections import correct as correct_value

    with book.archive.transaction() as con:
        correct_value(con, table, row_id, field, value, who, why)


def correct_event(book: Book, event_id: int, values: Mapping[str, Any], who: str | None, why: str | None) -> None:
    """Correct several values of one event in one transaction; what is the same already leaves no trace."""
    from ingest.archive.corrections import correct as correct_value

    with book.archive.transaction() as con:
        for field, value in values.items():
            correct_value(con, "event", event_id, field, value, who, why)
