"""From one oven's runs to its calls: what moved, since when, how much, why, and the one check to do first.

The road: comparable runs in order -> epochs between baseline-restarting events -> four to six watched series -> first
alarm that stands up to a second look -> shape, date, effect on every series, causes. Series that one call explains do not
call again for it; after a step they are watched on against their new level, after a trend they stay quiet until a named
event restarts the baseline.

A call is made from what was known at its run; later runs only sharpen its date and size, or say that it has gone back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift import causes as cause_table
from analysis.drift import groups
from analysis.drift.baseline import FEWEST
from analysis.drift.describe import Described, Happening, Signal, describe, still_there
from analysis.drift.patterns import PATTERNS, Pattern, combine
from analysis.drift.records import GONE_BACK, OPEN, Call, Epoch, Key, OvenDrift
from analysis.drift.series import build_series, choose_watched
from analysis.drift.versions import Table, version_calls
from analysis.drift.view import FEWEST_AFTER, MOVED_T, View
from analysis.drift.watch import Alarm, Watched

BUDGET_PER_100_RUNS = 1.0  # false calls per 100 runs and oven, all series together
MOST_CALLS = 8  # per epoch; an oven with more is not in a state that charts can describe


def detect(
    oven: str,
    runs: pd.DataFrame,
    metrics: pd.DataFrame,
    events: pd.DataFrame | None = None,
    *,
    left_out: Mapping[int, str] | None = None,
    taken_in: Mapping[int, str] | None = None,
    margins: pd.DataFrame | None = None,
    budget_per_100_runs: float = BUDGET_PER_100_RUNS,
    tables: Mapping[str, Table] | None = None,
) -> OvenDrift:
    """Watch one oven.

    `runs`: rows of run_overview of this oven; `metrics`: their rows of metric_long (`series.METRICS_NEEDED`);
    `events`: rows of oven_event; `left_out`, `taken_in`: run -> why, by hand; `margins`: see `margins.margin_change`;
    `tables`: set-point hash -> corner points, to see a profile change under its name.
    Never raises on thin data: `reason` says what is missing.
    """
    if budget_per_100_runs <= 0:
        raise ValueError(f"the budget of false calls must be above 0 per 100 runs, got {budget_per_100_runs}")
    frame = groups.comparable_runs(runs, metrics, left_out, taken_in)
    notes = tuple(frame.attrs["notes"])
    series = build_series(frame["run"].tolist(), metrics)
    usable = frame["left_out"].isna().to_numpy()
    happenings = _happenings(frame, events)
    changed = version_calls(oven, frame, runs, tables, happenings) if tables else []

    def nothing(reason: str) -> OvenDrift:
        return OvenDrift(oven, tuple(changed), (), frame, series, reason, (), notes, budget_per_100_runs)

    if int(usable.sum()) < FEWEST:
        return nothing(f"{int(usable.sum())} comparable runs, {FEWEST} needed before anything can be said")
    chosen = choose_watched(series, usable, frame["group"].tolist())
    if not chosen:
        return nothing("no watched value could be measured on half of the runs")
    calls: list[Call] = []
    epochs: list[Epoch] = []
    for positions, opened_by, closed_by in _epochs(frame, usable, events):
        watch = _EpochWatch(View(frame, series, positions), chosen, budget_per_100_runs)
        inside = [
            Happening(int(np.searchsorted(positions, h.position)), h.kind, h.text)
            for h in happenings
            if positions[0] < h.position <= positions[-1]
        ]
        calls += watch.run(oven, closed_by, inside, margins)
        epochs.append(Epoch(positions, watch.first, opened_by))
    calls = sorted([*calls, *changed], key=lambda call: call.alarm_run)
    return OvenDrift(oven, tuple(calls), tuple(epochs), frame, series, None, tuple(chosen), notes, budget_per_100_runs)


def event_moment(value: object) -> pd.Timestamp:
    """An event's time as the archive gives it (naive UTC, or aware), aware."""
    stamp = pd.Timestamp(str(value))
    return stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp.tz_convert("UTC")


def _happenings(frame: pd.DataFrame, events: pd.DataFrame | None) -> list[Happening]:
    if events is None or not len(events):
        return []
    dates = pd.to_datetime(frame["started_at"], utc=True).ffill()
    moments = [(event_moment(e.happened_at), str(e.kind)) for e in events.itertuples()]
    return [Happening(int((dates < at).sum()), kind, f"{kind} on {at:%Y-%m-%d}") for at, kind in sorted(moments)]


def _epochs(
    frame: pd.DataFrame, usable: NDArray[np.bool_], events: pd.DataFrame | None
) -> list[tuple[NDArray[np.int64], str | None, str | None]]:
    restarting = None if events is None or not len(events) else events[events["restarts_baseline"].astype(bool)]
    edges = [(h.position, h.text) for h in _happenings(frame, restarting)]
    starts: list[tuple[int, str | None]] = [(0, None), *edges]
    out = []
    for i, (begin, name) in enumerate(starts):
        end, closed = edges[i] if i < len(edges) else (len(frame), None)
        positions = np.flatnonzero(usable[begin:end]) + begin
        if len(positions):
            out.append((positions.astype(np.int64), name, closed))
    return out


class _EpochWatch:
    """One epoch being watched: which series from where on, and the next alarm of each that holds."""

    def __init__(self, view: View, chosen: Sequence[Key], budget: float) -> None:
        self.view, self.chosen, self.budget = view, chosen, budget
        self.begin: dict[Key, int | None] = dict.fromkeys(view.series, 0)
        self.quiet: dict[Key, int] = dict.fromkeys(chosen, 0)
        self.first: dict[Key, Watched] = {}
        self._next: dict[Key, tuple[Signal, int] | None] = {}
        self._charts: dict[tuple[Key, int], Watched] = {}

    def run(
        self, oven: str, closed_by: str | None, happenings: Sequence[Happening], margins: pd.DataFrame | None
    ) -> list[Call]:
        calls: list[Call] = []
        made: list[Described] = []
        while len(calls) < MOST_CALLS:
            waiting = [found for key in self.chosen if (found := self._signal(key)) is not None]
            waiting += [found for cause in PATTERNS if (found := self._pattern(cause)) is not None]
            if not waiting:
                break
            signal, side = min(waiting, key=lambda pair: pair[0].at)
            if any(_explains(call, signal.key, side, int(self.view.run[signal.at])) for call in calls):
                self._restart(signal.key, None)
                continue
            found = describe(self.view, oven, signal, self.begin, closed_by, happenings, margins)
            if found is None:
                self.quiet[signal.key] = signal.at + 1
                self._next.pop(signal.key, None)
                continue
            calls.append(found.call)
            made.append(found)
            if found.quiet_until is not None:
                for key in found.moved & self.quiet.keys():
                    self.quiet[key] = max(self.quiet[key], found.quiet_until)
                    self._next.pop(key, None)
                continue
            for key in found.moved:
                self._restart(key, found.settled)
        return [self._as_now(one, made) for one in made]

    def _as_now(self, one: Described, made: Sequence[Described]) -> Call:
        """The call with its state of today: its series is looked at up to the next change that touched it."""
        later = [d.onset for d in made if d.onset > one.signal.at and one.signal.key in d.moved]
        until = min(later, default=len(self.view.run)) - 1
        there = one.call.state == OPEN and still_there(one, self.view, until)
        return replace(one.call, state=OPEN if there else GONE_BACK)

    def _restart(self, key: Key, start: int | None) -> None:
        self.begin[key] = start
        self.quiet[key] = 0
        self._next.pop(key, None)

    def _signal(self, key: Key) -> tuple[Signal, int] | None:
        """The first alarm of a series that holds, from where it is watched on."""
        if key not in self._next:
            self._next[key] = self._look(key)
        return self._next[key]

    def _pattern(self, cause: str) -> tuple[Signal, int] | None:
        """The first alarm of a cause's pattern that holds, reported on the series that shows it most."""
        members = [k for k in self.chosen if k[0] in PATTERNS[cause] and self.begin[k] == 0]
        watched = {k: w for k in members if (w := self._watched(k)) is not None}
        pattern = combine(cause, watched)
        if pattern is None:
            return None
        for alarm in pattern.alarms(max(self.quiet[k] for k in pattern.weights)):
            leading = self._leading(pattern, alarm)
            if leading is not None:
                return Signal(leading, alarm.since, alarm.index, "pattern of " + cause), alarm.side
        return None

    def _leading(self, pattern: Pattern, alarm: Alarm) -> Key | None:
        """The series of the pattern that moved most, if the sum stands three standard errors off and it is worth a call."""
        inside = pattern.z[alarm.since : alarm.index + 1]
        inside = inside[~np.isnan(inside)]
        if len(inside) < FEWEST_AFTER or abs(float(inside.mean())) * np.sqrt(len(inside)) < MOVED_T:
            return None
        best: tuple[float, Key] | None = None
        for key, weight in pattern.weights.items():
            effect, (newest, _) = self.view.since(key, 0, alarm.since, alarm.index)
            if effect is None or np.sign(effect.change) != np.sign(weight) * alarm.side:
                continue
            if self.view.worth_calling(key, effect, newest) and (best is None or abs(effect.t) > best[0]):
                best = (abs(effect.t), key)
        return None if best is None else best[1]

    def _watched(self, key: Key) -> Watched | None:
        """The charts of a series from where it is watched on, made once for each such place."""
        start = self.begin[key]
        if start is None:
            return None
        if (key, start) not in self._charts:
            made = self.view.watch(key, start, self.budget, len(self.chosen) + len(PATTERNS))
            self._charts[key, start] = made
            self.first.setdefault(key, made)
        return self._charts[key, start]

    def _look(self, key: Key) -> tuple[Signal, int] | None:
        start, watched = self.begin[key], self._watched(key)
        if start is None or watched is None:
            return None
        for alarm in watched.alarms(max(0, self.quiet[key] - start)):
            since, at = alarm.since + start, alarm.index + start
            if self.view.holds(key, start, since, at, alarm.chart):
                return Signal(key, since, at, alarm.chart), alarm.side
        return None


def _explains(call: Call, key: Key, side: int, run: int) -> bool:
    """True when the call's first cause says that this series moves this way from then on."""
    signature = cause_table.SIGNATURES.get(call.causes[0].cause) if call.causes else None
    expected = signature.moves.get(key[0], "0") if signature else "0"
    same = (call.series, call.channel) == key
    way = expected.removesuffix("?")
    return not same and run >= call.since_run and (way == "any" or way == ("+" if side > 0 else "-"))
