"""Did the repair work? Every series before and after a named event, against what such an event should move.

Also the firmware that was never flashed: an event says a change was made, and the control behaviour shows none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.drift import groups
from analysis.drift.calls import event_moment
from analysis.drift.causes import (
    AT_PEAK,
    COLD,
    COOLING,
    DUTY,
    LAG,
    OVERSHOOT,
    PEAK,
    RAMP_HIGH,
    RAMP_LOW,
    TO_PEAK,
    Effect,
)
from analysis.drift.change import FEWEST_EACH_SIDE
from analysis.drift.records import Call, Key
from analysis.drift.series import Series, build_series
from analysis.drift.view import View

# What each kind of event is expected to move when it was needed and worked; common practice, no source.
EXPECTED: dict[str, dict[str, str]] = {
    "element": {RAMP_HIGH: "+", RAMP_LOW: "+", DUTY: "-"},
    "seal": {COOLING: "+", DUTY: "-"},
    "fan": {AT_PEAK: "any"},
    "clean": {RAMP_HIGH: "+"},
    "relay": {DUTY: "any", OVERSHOOT: "any"},
    "thermocouple": {COLD: "any", AT_PEAK: "any", PEAK: "any"},
    "controller": {LAG: "any", OVERSHOOT: "any", PEAK: "any", DUTY: "any"},
    "firmware": {LAG: "any", OVERSHOOT: "any", PEAK: "any", DUTY: "any"},
    "profile": {PEAK: "any", TO_PEAK: "any", LAG: "any", OVERSHOOT: "any"},
}
CONTROL_EVENTS = ("firmware", "controller", "profile")
UNEXPECTED_T = 4.0  # standard errors
RUNS_EACH_SIDE = 30  # the newest before and the first after; more would mix in other changes


@dataclass(frozen=True)
class EventReport:
    """`answer`: as expected, the other way, moved but not as expected, no change seen, or not evaluated."""

    oven: str
    kind: str
    happened_at: str
    answer: str
    text: str
    n_before: int
    n_after: int
    effects: tuple[Effect, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "oven": self.oven,
            "kind": self.kind,
            "happened_at": self.happened_at,
            "answer": self.answer,
            "text": self.text,
            "n_before": self.n_before,
            "n_after": self.n_after,
            "effects": [{"text": e.text, "moved": bool(e.moved)} for e in self.effects],
        }


def event_reports(
    oven: str,
    runs: pd.DataFrame,
    metrics: pd.DataFrame,
    events: pd.DataFrame,
    left_out: Mapping[int, str] | None = None,
    taken_in: Mapping[int, str] | None = None,
    calls: Sequence[Call] = (),
) -> list[EventReport]:
    """One report an event, in order of time. `events`: rows of oven_event of this oven.

    `calls`: the oven's calls; a series that is on a called trend is compared beside its slope, so that the
    decline that went on before and after is not credited to the event.
    """
    frame = groups.comparable_runs(runs, metrics, left_out, taken_in)
    return reports_of(oven, frame, build_series(frame["run"].tolist(), metrics), events, calls)


def reports_of(
    oven: str, frame: pd.DataFrame, series: Mapping[Key, Series], events: pd.DataFrame, calls: Sequence[Call] = ()
) -> list[EventReport]:
    """`event_reports` of runs that are in order already: `frame` of `comparable_runs`, and their `series`."""
    usable = np.flatnonzero(frame["left_out"].isna().to_numpy())
    when = (
        pd.to_datetime(frame["started_at"], utc=True).ffill().dt.as_unit("us").dt.tz_localize(None).to_numpy()[usable]
    )
    stamps = [event_moment(value) for value in events["happened_at"]]
    out = []
    restarts = events["restarts_baseline"].astype(bool)
    for kind, at, new in sorted(zip(events["kind"], stamps, restarts, strict=True), key=lambda row: row[1]):
        earlier = max((s for s in stamps if s < at), default=None)
        later = min((s for s in stamps if s > at), default=None)
        inside = np.full(len(usable), True)  # a run without any date is in neither part: NaT compares as False
        if earlier is not None:
            inside &= when >= _utc(earlier)
        if later is not None:
            inside &= when < _utc(later)
        before: list[int] = usable[inside & (when < _utc(at))][-RUNS_EACH_SIDE:].tolist()
        after: list[int] = usable[inside & (when >= _utc(at))][:RUNS_EACH_SIDE].tolist()
        trending = set() if new else _trending(calls, frame, before, after)  # a repair is meant to end a trend
        out.append(_report(oven, str(kind), at, frame, series, before, after, trending))
    return out


def _utc(at: pd.Timestamp) -> np.datetime64:
    return at.tz_convert("UTC").tz_localize(None).to_datetime64()


def _trending(calls: Sequence[Call], frame: pd.DataFrame, before: list[int], after: list[int]) -> set[str]:
    """The series that were on a called trend in the runs that are compared."""
    if not before or not after:
        return set()
    numbers = frame["run"].tolist()
    out: set[str] = set()
    for call in calls:
        began = numbers.index(call.since_run) if call.since_run in numbers else len(numbers)
        if call.kind == "trend" and began < after[-1]:
            out |= set(call.moved)
    return out


def _report(
    oven: str,
    kind: str,
    at: pd.Timestamp,
    frame: pd.DataFrame,
    series: Mapping[Key, Series],
    before: list[int],
    after: list[int],
    trending: set[str],
) -> EventReport:
    day = f"{at:%Y-%m-%d}"
    short = min(len(before), len(after))
    if short < FEWEST_EACH_SIDE:
        text = f"{len(before)} comparable runs before and {len(after)} after, {FEWEST_EACH_SIDE} needed on each side"
        return EventReport(oven, kind, at.isoformat(), "not evaluated", text, len(before), len(after), ())
    positions = np.array([*before, *after], dtype=np.int64)
    view = View(frame, series, positions)
    effects = view.effects(dict.fromkeys(series, 0), len(before), len(before), len(positions) - 1, "step")
    for key in series:
        if key[0] in trending and key[0] in effects:
            beside = view.step_beside_slope(key, len(before))
            if beside is not None and beside.channel == effects[key[0]].channel:
                effects[key[0]] = beside
    if not effects:
        text = "the runs before and after share no comparison group with enough runs to know its level"
        return EventReport(oven, kind, at.isoformat(), "not evaluated", text, len(before), len(after), ())
    expected = EXPECTED.get(kind, {})
    # Of a dozen series that nobody expected to move, one in thirty would pass three standard errors by chance.
    moved = {name: e for name, e in effects.items() if e.moved and (name in expected or abs(e.t) >= UNEXPECTED_T)}
    right = [e.text for name, e in moved.items() if expected.get(name) in {"any", "+" if e.moved > 0 else "-"}]
    wrong = [e.text for name, e in moved.items() if expected.get(name) == ("-" if e.moved > 0 else "+")]
    if right and not wrong:
        answer, text = "as expected", f"since the {kind} event of {day}: {'; '.join(right)}"
    elif wrong:
        answer, text = "the other way", f"since the {kind} event of {day}: {'; '.join(wrong)}"
    elif moved:
        answer = "moved but not as expected"
        text = f"since the {kind} event of {day}: {'; '.join(e.text for e in moved.values())}"
    else:
        answer, text = "no change seen", f"nothing that is watched moved at the {kind} event of {day}"
        if kind in CONTROL_EVENTS:
            text += "; the control behaves as before. Was it really flashed? Read version and profile at the start of a run."
    return EventReport(oven, kind, at.isoformat(), answer, text, len(before), len(after), tuple(effects.values()))
