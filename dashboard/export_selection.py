"""Which runs an export or a batch sheet is about, as a condition on run_overview."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from ingest.archive import Archive

_NAMED = ("oven", "board", "paste", "profile", "jar", "lot", "kind", "verdict")


@dataclass(frozen=True)
class Selection:
    """Runs by what is recorded of them; everything given must hold, None does not choose.

    `runs`: run numbers. `words`: somewhere in file name, note, operator or serials (an order number written there, say).
    Days are calendar days in the archive's zone, both included; a run whose start is not known is taken by its arrival.
    Names are matched without regard to capitals.
    """

    runs: tuple[int, ...] | None = None
    oven: str | None = None
    board: str | None = None
    paste: str | None = None
    profile: str | None = None
    jar: str | None = None
    lot: str | None = None
    kind: str | None = None
    verdict: str | None = None
    words: str | None = None
    first_day: date | None = None
    last_day: date | None = None

    def condition(self, zone: str) -> tuple[str, tuple[Any, ...]]:
        """SQL on the columns of run_overview, and its parameters."""
        terms, values = [], []
        if self.runs is not None:
            terms.append("run IN (SELECT unnest(?::INTEGER[]))")
            values.append(list(self.runs))
        for column in _NAMED:
            wanted = getattr(self, column)
            if wanted is not None:
                named = "coalesce(verdict, 'not evaluated')" if column == "verdict" else column
                terms.append(f"lower({named}) = lower(?)")
                values.append(wanted)
        if self.words:
            terms.append("contains(lower(concat_ws(' ', log_file, note, operator, serials)), lower(?))")
            values.append(self.words)
        if self.first_day is not None:
            terms.append("coalesce(started_at, received_at) >= ?")
            values.append(_utc(self.first_day, zone))
        if self.last_day is not None:
            terms.append("coalesce(started_at, received_at) < ?")
            values.append(_utc(self.last_day + timedelta(days=1), zone))
        return (" AND ".join(terms) or "TRUE"), tuple(values)

    def in_words(self) -> str:
        """What was chosen, as a sentence without a full stop: "all runs", "board Heron, from 2025-03-01"."""
        from dashboard.words.numbers import ranges

        parts = []
        if self.runs is not None:
            parts.append(f"{'run' if len(self.runs) == 1 else 'runs'} {ranges(self.runs).replace(',', ', ')}")
        parts += [f"{column} {getattr(self, column)}" for column in _NAMED if getattr(self, column) is not None]
        if self.words:
            parts.append(f'with "{self.words}" in file name, note, operator or serials')
        if self.first_day is not None:
            parts.append(f"from {self.first_day.isoformat()}")
        if self.last_day is not None:
            parts.append(f"to {self.last_day.isoformat()}")
        return ", ".join(parts) or "all runs"


def selected_runs(archive: Archive, selection: Selection) -> list[int]:
    """The numbers of the chosen runs, in order of their start (arrival where unknown)."""
    where, values = selection.condition(archive.zone)
    frame = archive.read(
        f"SELECT run FROM run_overview WHERE {where} ORDER BY coalesce(started_at, received_at), run", values
    )
    return [int(run) for run in frame["run"]]


def _utc(day: date, zone: str) -> datetime:
    """Midnight of a day in `zone`, as the archive stores times: UTC without a zone."""
    return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(ZoneInfo("UTC")).replace(tzinfo=None)
