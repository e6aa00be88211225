"""Events from a sheet: a row an event.

Columns `oven`, `kind`, `happened_at` (a time, a day or a month) and optionally `at_precision`, `note`, `expected`,
`restarts_baseline` (yes or no). Every wrong line is listed; with one of them nothing is stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands.dates import moment
from dashboard.commands.output import Refusal
from dashboard.commands.sheets import Row, read_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.archive import Archive

YES_OR_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True)
class SheetEvent:
    oven_id: int
    kind: str
    at: datetime
    precision: str
    note: str | None
    expected: str | None
    restarts_baseline: bool | None


def read_events(archive: Archive, sheet: str | Path) -> tuple[list[SheetEvent], list[str]]:
    """The events of a sheet, and every problem as a line of text that names the sheet's line. Refusal as `read_sheet`."""
    from ingest.archive import reference

    rows = read_sheet(sheet, ("oven", "kind", "happened_at"))
    events: list[SheetEvent] = []
    problems: list[str] = []
    with archive.connect() as con:
        ovens = {name.lower(): reference.find_oven(con, name) for name in {row.get("oven", "") for _, row in rows}}
    for line, row in rows:
        try:
            events.append(_event(row, ovens.get(row.get("oven", "").lower()), archive.zone))
        except (ValueError, Refusal) as problem:
            problems.append(f"line {line}: {problem}")
    return events, problems


def _event(row: Row, oven_id: int | None, zone: str) -> SheetEvent:
    from ingest.archive.reference import EVENT_KINDS

    if oven_id is None:
        raise ValueError(f"no oven is called '{row.get('oven', '')}'")
    kind = row.get("kind", "").lower()
    if kind not in EVENT_KINDS:
        raise ValueError(f"'{kind}' is not a kind of event: {', '.join(EVENT_KINDS)}")
    at, precision = moment(row.get("happened_at", ""), zone)
    said = row.get("at_precision", "").lower()
    if said and said not in ("time", "day", "month"):
        raise ValueError(f"'{said}' is not a precision: time, day or month")
    restarts = row.get("restarts_baseline", "").lower()
    if restarts and restarts not in YES_OR_NO:
        raise ValueError(f"'{restarts}' under restarts_baseline is neither yes nor no")
    return SheetEvent(
        oven_id,
        kind,
        at,
        said or precision,
        row.get("note") or None,
        row.get("expected") or None,
        YES_OR_NO[restarts] if restarts else None,
    )


def store_events(archive: Archive, events: Sequence[SheetEvent], who: str | None) -> None:
    """All in one transaction."""
    from ingest.archive import reference

    with archive.transaction() as con:
        for event in events:
            reference.add_event(
                con,
                event.oven_id,
                event.kind,
                event.at,
                at_precision=event.precision,
                note=event.note,
                expected=event.expected,
                restarts_baseline=event.restarts_baseline,
                origin="imported",
                who=who,
            )
