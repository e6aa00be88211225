"""What drift detection answers with: calls, the epochs they were found in, and everything a page draws."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift.causes import Cause, Effect
from analysis.drift.margins import MarginChange
from analysis.drift.series import Series
from analysis.drift.watch import Watched

Key = tuple[str, str | None]

NOTE, CHECK = "note", "check before the next batch"
OPEN, GONE_BACK = "open", "gone back"


@dataclass(frozen=True)
class Call:
    """One change of one oven. Dates are None where the logs carry none; run numbers always stand.

    `alarm_run`: the run at which it was first called, from what was known then; date, size and causes use every run
    since. `state`: open, or gone back when the newest runs no longer show half of it. `beside`: events noted at about its
    date. `moved`: names of the series that changed with it. `size`, `rate_*` in `unit`.
    """

    id: str
    oven: str
    series: str
    channel: str | None
    kind: str
    since_run: int
    since_run_interval: tuple[int, int]
    since: str | None
    since_interval: tuple[str, str] | None
    size: float
    size_interval: tuple[float, float]
    unit: str
    size_text: str
    rate_per_100_runs: float | None
    rate_interval: tuple[float, float] | None
    n: int
    tier: str
    causes: tuple[Cause, ...]
    check_first: str
    alarm_run: int
    chart: str
    level: float
    method: str
    left_out: int
    effects: tuple[Effect, ...]
    moved: tuple[str, ...]
    state: str = OPEN
    beside: tuple[str, ...] = ()
    margin: MarginChange | None = None
    closed_by: str | None = None  # the event that restarted the baseline after it

    @property
    def question(self) -> str | None:
        """What to ask about a step that no event explains."""
        if self.kind != "step" or self.beside:
            return None
        when = self.since[:10] if self.since else f"run {self.since_run}"
        return f"Did anything change around {when}?"

    def to_json(self) -> dict[str, Any]:
        """The item of `drift --json`."""
        return {
            "id": self.id,
            "oven": self.oven,
            "series": self.series,
            "channel": self.channel,
            "kind": self.kind,
            "since": self.since,
            "since_interval": list(self.since_interval) if self.since_interval else None,
            "since_run": self.since_run,
            "since_run_interval": list(self.since_run_interval),
            "size": self.size,
            "size_interval": list(self.size_interval),
            "unit": self.unit,
            "rate_per_100_runs": self.rate_per_100_runs,
            "rate_interval": list(self.rate_interval) if self.rate_interval else None,
            "n": self.n,
            "level": self.level,
            "method": self.method,
            "left_out": self.left_out,
            "tier": self.tier,
            "causes": [{"cause": c.cause, "fits": list(c.fits), "against": list(c.against)} for c in self.causes],
            "check_first": self.check_first,
            "called_at_run": self.alarm_run,
            "state": self.state,
            "events_beside": list(self.beside),
            "question": self.question,
            "margin": None
            if self.margin is None
            else {
                "limit": self.margin.label,
                "before": self.margin.before,
                "after": self.margin.after,
                "unit": self.margin.unit,
            },
            "closed_by": self.closed_by,
        }


@dataclass(frozen=True)
class Epoch:
    """The runs between two baseline restarts: positions into the comparable runs, and the watched series."""

    positions: NDArray[np.int64]
    watched: dict[Key, Watched]
    opened_by: str | None


@dataclass(frozen=True)
class OvenDrift:
    """Everything the pages draw. `runs`: comparable_runs with left_out; `reason`: why nothing can be said, or None.

    `watched`: the series chosen; `notes`: what was assumed, in words; `budget_per_100_runs` false calls asked for.
    """

    oven: str
    calls: tuple[Call, ...]
    epochs: tuple[Epoch, ...]
    runs: pd.DataFrame
    series: dict[Key, Series] = field(repr=False)
    reason: str | None = None
    watched: tuple[Key, ...] = ()
    notes: tuple[str, ...] = ()
    budget_per_100_runs: float = 0.0
