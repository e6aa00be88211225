"""What the page *Inspect* needs: runs that wait, what to carry over, and storing what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from dashboard.page_data import Book, kept, record, records
from ingest.archive.quality import add_inspection, withdraw_inspection
from ingest.defect_terms import TERMS, canonical
from ingest.inspection_rows import SheetInspection, Stored, inspections_of, store_sheet
from ingest.inspection_sheets import SheetRead, read_with_memory

COMMON = ("bridge", "tombstone", "solder ball", "nonwetting", "insufficient solder", "skew", "open", "cold joint")


@dataclass(frozen=True)
class Scope:
    """How much is looked at, and where that is from. Amounts None where nothing is known."""

    method: str
    boards: int | None
    joints: int | None
    scope: str | None
    origin: str  # carried over | derived | unknown
    said: str


@kept
def waiting(book: Book, limit: int = 12) -> pd.DataFrame:
    """Product runs nobody has looked at, newest first: run, started_at, oven, board."""
    return book.archive.read(
        "SELECT run, started_at, oven, board FROM run_overview WHERE (kind IS NULL OR kind = 'product') "
        "AND run NOT IN (SELECT run_id FROM inspection) ORDER BY coalesce(started_at, received_at) DESC NULLS LAST, run DESC "
        "LIMIT ?",
        (limit,),
    )


@kept
def scope_for(book: Book, run: int) -> Scope:
    """From the last inspection of this kind of board; else from the board's own joints; else unknown."""
    rows = book.archive.read(
        "SELECT i.run_id, i.method, i.scope, i.boards_looked, i.joints_looked, o.load_count AS then, r.load_count AS now "
        "FROM inspection i JOIN run o ON o.run_id = i.run_id JOIN run r ON r.run_id = ? "
        "WHERE o.board_id IS NOT DISTINCT FROM r.board_id AND i.serial IS NULL ORDER BY i.inspection_id DESC LIMIT 1",
        (run,),
    )
    if len(rows):
        last = record(rows)
        boards, joints = _whole(last["boards_looked"]), _whole(last["joints_looked"])
        # Another number of boards on the rack: what was looked at then does not fit.
        if last["then"] == last["now"] or last["now"] is None or last["then"] is None:
            return Scope(
                *(str(last["method"]), boards, joints, last["scope"], "carried over"),
                f"carried over from run {int(last['run_id'])}",
            )
    rows = book.archive.read(
        "SELECT b.joints, r.load_count FROM run r LEFT JOIN board b USING (board_id) WHERE r.run_id = ?", (run,)
    )
    facts = record(rows) if len(rows) else {"joints": None, "load_count": None}
    boards, joints = _whole(facts["load_count"]), _whole(facts["joints"])
    if boards and joints:
        return Scope("naked eye", boards, boards * joints, None, "derived", "all joints of the boards on the rack")
    return Scope("naked eye", boards, None, None, "unknown", "how much was looked at is not known yet")


@kept
def usual_terms(book: Book) -> list[str]:
    """Terms found here, most often first, then the usual ones, then all the others."""
    rows = book.archive.read("SELECT term FROM defect GROUP BY term ORDER BY count(*) DESC, term")
    out: list[str] = []
    for term in (*rows["term"], *COMMON, *TERMS):
        if canonical(str(term)) not in {canonical(t) for t in out}:
            out.append(str(term))
    return out


@kept
def inspections(book: Book, run: int) -> list[dict[str, Any]]:
    """Inspections of a run, oldest first, each with its defects in words."""
    rows = records(
        book.archive.read("SELECT * FROM defect_long WHERE run = ? ORDER BY inspected_at, inspection", (run,))
    )
    out: dict[int, dict[str, Any]] = {}
    for row in rows:
        one = out.setdefault(int(row["inspection"]), {**row, "found": []})
        if row["defect"]:
            place = ", ".join(str(x) for x in (row["ref_des"], row["side"]) if x)
            one["found"].append(f"{int(row['count'])} {row['defect']}" + (f" ({place})" if place else ""))
    return list(out.values())


def store(
    book: Book,
    run: int,
    scope: Scope,
    defects: Sequence[dict[str, Any]],
    who: str | None,
    *,
    serial: str | None = None,
    note: str | None = None,
    origin: str = "typed",
) -> int:
    with book.archive.transaction() as con:
        return add_inspection(
            con,
            run,
            scope.method,
            scope=scope.scope,
            boards_looked=scope.boards,
            joints_looked=scope.joints,
            serial=serial,
            who=who,
            origin=origin,
            note=note,
            defects=defects,
        )


def withdraw(book: Book, inspection: int, who: str | None) -> None:
    with book.archive.transaction() as con:
        withdraw_inspection(con, inspection, who, "withdrawn on the page")


def read(book: Book, data: bytes, name: str, answers: dict[str, str]) -> SheetRead:
    return read_with_memory(book.archive, data, name, answers)


def rows_of(book: Book, sheet: SheetRead) -> tuple[list[SheetInspection], list[str]]:
    return inspections_of(book.archive, sheet)


def store_rows(book: Book, sheet: SheetRead, found: Sequence[SheetInspection], who: str | None) -> Stored:
    return store_sheet(book.archive, sheet, found, who)


def _whole(value: Any) -> int | None:
    return None if value is None or pd.isna(value) else int(value)
