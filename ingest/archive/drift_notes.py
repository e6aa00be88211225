"""What people say about drift: answers to calls, runs left out of comparison by hand, how often a reference run is due."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ingest.archive.changes import record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pandas as pd

ANSWERS = ("explained", "fixed", "watch", "false")
CHOICES = ("left out", "taken in")
MOST_FALSE_CALLS = 10.0  # per 100 runs; more would be noise by intention


def answer_call(
    con: Connection,
    oven_id: int,
    call: Mapping[str, Any],
    answer: str,
    *,
    note: str | None = None,
    event_id: int | None = None,
    who: str | None = None,
) -> int:
    """Notes what a person found behind a call; returns the answer's number. An earlier answer to it stays in the record.

    `call`: its JSON form, with `id`. Raises ArchiveError for other words than ANSWERS, no such oven, no such event.
    """
    if answer not in ANSWERS:
        raise ArchiveError(f'"{answer}" is no answer to a call: there are {", ".join(ANSWERS)}')
    _must_exist(con, "oven", oven_id)
    if event_id is not None:
        _must_exist(con, "event", event_id)
    number = _next(con, "drift_answer_seq")
    con.execute(
        "INSERT INTO drift_answer VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, NULL)",
        [
            *(number, oven_id, str(call["id"]), json.dumps(dict(call), ensure_ascii=False, allow_nan=False)),
            *(answer, note or None, event_id, who, stored(utc_now())),
        ],
    )
    return number


def withdraw_answer(con: Connection, answer_id: int, who: str | None = None) -> None:
    """Takes an answer back; it stays in the record with its date."""
    _withdraw(con, "drift_answer", answer_id, who, f"there is no open answer {answer_id}")


def list_answers(con: Connection, oven_id: int | None = None) -> pd.DataFrame:
    """Answers that stand, oldest first: drift_answer_id, oven, call_id, call (JSON text), answer, note, event_id, who,
    answered_at (UTC)."""
    return con.execute(
        """SELECT a.drift_answer_id, o.name AS oven, a.call_id, a.call, a.answer, a.note, a.event_id, a.who, a.answered_at
           FROM drift_answer a JOIN oven o USING (oven_id)
           WHERE a.withdrawn_at IS NULL AND (?::INTEGER IS NULL OR a.oven_id = ?) ORDER BY a.drift_answer_id""",
        [oven_id, oven_id],
    ).df()


def choose_run(con: Connection, run_id: int, choice: str, why: str | None, who: str | None = None) -> int:
    """Leaves a run out of comparison, or takes one in that a rule leaves out; returns the choice's number.

    An earlier choice about the run is taken back. Raises ArchiveError: other words than CHOICES, no reason, no such run.
    """
    if choice not in CHOICES:
        raise ArchiveError(f'"{choice}" is no choice: there are {", ".join(CHOICES)}')
    if not (why or "").strip():
        raise ArchiveError("say why the run is left out or taken in: the reason is shown with every result")
    _must_exist(con, "run", run_id)
    con.execute(
        "UPDATE comparison_choice SET withdrawn_at = ? WHERE run_id = ? AND withdrawn_at IS NULL",
        [stored(utc_now()), run_id],
    )
    number = _next(con, "comparison_choice_seq")
    con.execute(
        "INSERT INTO comparison_choice VALUES (?, ?, ?, ?, ?, ?, NULL)",
        [number, run_id, choice, (why or "").strip(), who, stored(utc_now())],
    )
    return number


def withdraw_choice(con: Connection, run_id: int, who: str | None = None) -> None:
    """The rules decide about the run again. ArchiveError when nobody had chosen."""
    row = con.execute(
        "SELECT comparison_choice_id FROM comparison_choice WHERE run_id = ? AND withdrawn_at IS NULL", [run_id]
    ).fetchone()
    if row is None:
        raise ArchiveError(f"nobody left run {run_id} out or took it in")
    _withdraw(con, "comparison_choice", int(row[0]), who, "")


def list_choices(con: Connection) -> pd.DataFrame:
    """Choices that stand: run, choice, why, who, chosen_at (UTC)."""
    return con.execute(
        """SELECT run_id AS run, choice, why, who, chosen_at FROM comparison_choice
           WHERE withdrawn_at IS NULL ORDER BY comparison_choice_id"""
    ).df()


def set_drift(
    con: Connection,
    oven_id: int,
    *,
    reference_every_days: float | None,
    false_calls_per_100_runs: float | None,
    who: str | None = None,
) -> int:
    """How often a reference run of this oven is due, and its budget of false calls; None: the usual value.

    Raises ArchiveError for values that make no sense.
    """
    _must_exist(con, "oven", oven_id)
    if reference_every_days is not None and not 0 < reference_every_days <= 3660:
        raise ArchiveError(f"a reference run every {reference_every_days:g} days makes no sense")
    if false_calls_per_100_runs is not None and not 0 < false_calls_per_100_runs <= MOST_FALSE_CALLS:
        raise ArchiveError(
            f"the budget of false calls must be above 0 and at most {MOST_FALSE_CALLS:g} per 100 runs, "
            f"not {false_calls_per_100_runs:g}"
        )
    number = _next(con, "drift_setting_seq")
    con.execute(
        "INSERT INTO drift_setting VALUES (?, ?, ?, ?, ?, ?)",
        [number, oven_id, reference_every_days, false_calls_per_100_runs, who, stored(utc_now())],
    )
    return number


def drift_settings(con: Connection) -> pd.DataFrame:
    """The setting that counts of each oven that has one: oven, reference_every_days, false_calls_per_100_runs."""
    return con.execute(
        """SELECT o.name AS oven, s.reference_every_days, s.false_calls_per_100_runs
           FROM drift_setting s JOIN oven o USING (oven_id)
           QUALIFY row_number() OVER (PARTITION BY oven_id ORDER BY drift_setting_id DESC) = 1 ORDER BY o.name"""
    ).df()


def _must_exist(con: Connection, table: str, number: int) -> None:
    if con.execute(f"SELECT 1 FROM {table} WHERE {table}_id = ?", [number]).fetchone() is None:
        raise ArchiveError(f"there is no {table} {number}")


def _next(con: Connection, sequence: str) -> int:
    row = con.execute(f"SELECT nextval('{sequence}')").fetchone()
    return int(row[0]) if row else 0


def _withdraw(con: Connection, table: str, number: int, who: str | None, missing: str) -> None:
    row = con.execute(
        f"UPDATE {table} SET withdrawn_at = ? WHERE {table}_id = ? AND withdrawn_at IS NULL RETURNING {table}_id",
        [stored(utc_now()), number],
    ).fetchone()
    if row is None:
        raise ArchiveError(missing)
    record_change(con, table, number, "withdrawn", None, "yes", who, None)
