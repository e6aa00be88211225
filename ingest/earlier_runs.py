"""The runs before a run, for what it takes over from them: asked of the archive, or remembered while a group is stored."""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any

from ingest import carry
from ingest.archive import Connection
from ingest.archive.gathered import Gathered


class EarlierRuns:
    """Each question asked of the archive."""

    def __init__(self, con: Connection) -> None:
        self.con = con

    def written(self) -> None:
        """Sees to it that the archive can be asked for every run stored so far."""

    def earlier(self, oven_id: int, before: datetime, same_setpoints: str | None = None) -> carry.Earlier | None:
        """As carry.earlier_run."""
        return carry.earlier_run(self.con, oven_id, before, same_setpoints)

    def minutes_since_heat(self, oven_id: int, start: datetime) -> float | None:
        """As carry.minutes_since_heat."""
        return carry.minutes_since_heat(self.con, oven_id, start)

    def ovens_of_layout(self, layout_id: int, before: datetime) -> list[tuple[int, str]]:
        """As carry.ovens_of_layout."""
        return carry.ovens_of_layout(self.con, layout_id, before)

    def inherited_jar(
        self, oven_id: int, earlier: carry.Earlier | None, at: datetime, paste_id: int | None
    ) -> carry.JarFound | None:
        """As carry.inherited_jar."""
        return carry.inherited_jar(self.con, oven_id, earlier, at, paste_id)


@dataclass(frozen=True)
class _Known:
    run: carry.Earlier
    started_at: datetime | None

    @property
    def place(self) -> tuple[datetime, int]:
        return self.run.at, self.run.run_id


class GroupedRuns(EarlierRuns):
    """The same answers for logs that are stored in one transaction: what the archive held before is read once for each
    oven, what the group adds is remembered. `since` (naive UTC): no run of the group is earlier."""

    def __init__(self, con: Connection, gathered: Gathered, received_at: datetime, since: datetime) -> None:
        super().__init__(con)
        self._gathered, self._received_at, self._since = gathered, received_at, since
        self._seen = 0
        self._of_oven: dict[int, list[_Known]] = {}
        self._of_layout: dict[int, dict[int, tuple[str, datetime]]] = {}
        self._jars: bool | None = None

    def written(self) -> None:
        self._gathered.write_runs()

    def earlier(self, oven_id: int, before: datetime, same_setpoints: str | None = None) -> carry.Earlier | None:
        if before < self._since:
            self.written()
            return super().earlier(oven_id, before, same_setpoints)
        for known in reversed(self._runs(oven_id)):
            run = known.run
            if run.at < before and run.kind not in carry.ONE_OFFS and same_setpoints in (None, run.setpoint_hash):
                return run
        return None

    def minutes_since_heat(self, oven_id: int, start: datetime) -> float | None:
        if start < self._since:
            self.written()
            return super().minutes_since_heat(oven_id, start)
        dated = (known for known in self._runs(oven_id) if known.started_at is not None and known.started_at < start)
        last = max(dated, key=attrgetter("started_at"), default=None)
        if last is None or last.started_at is None:
            return None
        return (start - last.started_at).total_seconds() / 60 - last.run.duration_s / 60

    def ovens_of_layout(self, layout_id: int, before: datetime) -> list[tuple[int, str]]:
        if layout_id not in self._of_layout:
            self.written()
            self._of_layout[layout_id] = carry.first_uses(self.con, layout_id)
        self._absorb()
        uses = self._of_layout[layout_id]
        if len(uses) > 1:  # which was used last decides how they are told
            self.written()
            return super().ovens_of_layout(layout_id, before)
        return [(oven_id, name) for oven_id, (name, first) in uses.items() if first < before]

    def inherited_jar(
        self, oven_id: int, earlier: carry.Earlier | None, at: datetime, paste_id: int | None
    ) -> carry.JarFound | None:
        if self._jars is None:
            self._jars = carry.any_jar(self.con)
        if not self._jars:
            return None
        self.written()
        return super().inherited_jar(oven_id, earlier, at, paste_id)

    def _runs(self, oven_id: int) -> list[_Known]:
        """In the order of their places in time."""
        if oven_id not in self._of_oven:
            self.written()
            self._absorb()
            rows = carry.runs_around(self.con, oven_id, self._since)
            self._of_oven[oven_id] = [_Known(run, started_at) for run, started_at in rows]
        self._absorb()
        return self._of_oven[oven_id]

    def _absorb(self) -> None:
        """Takes in the runs gathered since the last question."""
        for run, layout_id in self._gathered.runs_from(self._seen):
            self._seen += 1
            oven_id = run["oven_id"]
            if oven_id is None:
                continue
            at = run["started_at"] or self._received_at
            if oven_id in self._of_oven:
                insort(self._of_oven[oven_id], _Known(_earlier(run, at), run["started_at"]), key=attrgetter("place"))
            uses = self._of_layout.get(layout_id) if layout_id is not None else None
            if uses is not None:
                name, first = uses.get(oven_id, ("", at))
                uses[oven_id] = (name or carry.oven_name(self.con, oven_id), min(first, at))


def _earlier(run: Any, at: datetime) -> carry.Earlier:
    same = ("setpoint_hash", "profile_id", "paste_id", "jar_id", "board_id", "kind", "orientation", "operator")
    return carry.Earlier(run["run_id"], at, run["duration_s"], *(run[name] for name in same))
