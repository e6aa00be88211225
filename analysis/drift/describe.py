"""The call behind an alarm: its shape, its date, its size on every series, its likely causes, what it does to margins."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.drift import causes as cause_table
from analysis.drift import change
from analysis.drift.causes import AT_PEAK, Effect
from analysis.drift.margins import MarginChange, margin_change
from analysis.drift.records import CHECK, GONE_BACK, NOTE, OPEN, Call, Key
from analysis.drift.series import BY_NAME, to_unit
from analysis.drift.view import LEVEL, Fit, Places, View, level_before, pair

CHECK_EFFORT = 0.10  # a tenth of the heating power gone is the size at which margins start to go
CHECK_KELVIN = 3.0  # K; what two channels of one input board can be compared to
AFTER_ALARM = 40  # runs after an alarm that still describe the same change
CLEARLY = 10.0  # noise variances between two shapes: a likelihood ratio of 150
NEWEST = 10  # runs that say whether a change is still there
QUIET_RUNS = 20  # after a call that went back, before the same series may call again
BESIDE_RUNS = 3  # an event this many runs outside the interval of the date is still taken for the same moment


@dataclass(frozen=True)
class Happening:
    """An event of the oven between the runs of the epoch: `position` of the first run after it."""

    position: int
    kind: str
    text: str  # "seal on 2025-03-14"


@dataclass(frozen=True)
class Signal:
    """A confirmed alarm in positions of the epoch: where its run began, where the chart signalled, which chart."""

    key: Key
    since: int
    at: int
    chart: str


@dataclass(frozen=True)
class _Change:
    shape: str
    dated: change.Onset
    effects: dict[str, Effect]
    mine: Effect
    got: Fit
    use: Places


@dataclass(frozen=True)
class Described:
    """A call, the series it explains, and where these are watched on from (None: not again in this epoch).

    `quiet_until`: for a change that has gone back, the run from which the old baseline is watched again.
    """

    call: Call
    signal: Signal
    found: _Change
    onset: int
    moved: frozenset[Key]
    settled: int | None
    quiet_until: int | None = None


def describe(
    view: View,
    oven: str,
    signal: Signal,
    begin: Mapping[Key, int | None],
    closed_by: str | None,
    happenings: Sequence[Happening] = (),
    margins: pd.DataFrame | None = None,
) -> Described | None:
    """Describe a confirmed alarm with every run up to now; if these no longer show it, with the runs up to the alarm.

    None only when not even the latter can be worked out (a series without scatter).
    """
    key, start = signal.key, begin[signal.key] or 0
    found = _change(view, signal, begin, int(view.present[key][-1]))
    later = found is not None and found.dated.low > signal.at  # what later runs show is another, later change
    if found is None or later:
        found = _change(view, signal, begin, signal.at) or _as_at_alarm(view, signal, begin)
    if found is None:
        return None
    gone = later or _went_back(view, signal, begin, found)
    kind, got = view.series[key].kind, found.got
    onset, low, high = found.dated.index, found.dated.low, found.dated.high
    moved = frozenset(k for k in view.values if (e := found.effects.get(k[0])) and e.moved) | {key}
    ranked = cause_table.rank_causes(
        found.effects,
        found.shape,
        season_open=view.season(got.baseline, onset),
        doubts=_doubts(view, found.effects),
    )
    base = level_before(view.values[key], onset)
    size = to_unit(kind, found.mine.change, base)
    interval = sorted((to_unit(kind, found.mine.low, base), to_unit(kind, found.mine.high, base)))
    rate = view.rate(kind, got, found.use[found.use >= onset]) if found.shape == "trend" else None
    beside = [h for h in happenings if low - BESIDE_RUNS <= h.position <= high + BESIDE_RUNS]
    loss = margin_change(margins, view.run, view.groups, onset)
    call = Call(
        id=hashlib.sha256(f"{oven}|{key[0]}|{key[1]}|{view.run[signal.at]}".encode()).hexdigest()[:12],
        oven=oven,
        series=key[0],
        channel=found.mine.channel if kind.per_channel else None,
        kind=found.shape,
        since_run=int(view.run[onset]),
        since_run_interval=(int(view.run[low]), int(view.run[high])),
        since=view.date(onset),
        since_interval=pair(view.date(low), view.date(high)),
        size=size,
        size_interval=(interval[0], interval[1]),
        unit=kind.unit,
        size_text=found.mine.text,
        rate_per_100_runs=rate[0] if rate else None,
        rate_interval=(rate[1], rate[2]) if rate else None,
        n=found.mine.n_before + found.mine.n_after,
        tier=_tier(found.effects, loss),
        causes=tuple(ranked),
        check_first=cause_table.check_first(ranked[0].cause if ranked else "unknown"),
        alarm_run=int(view.run[signal.at]),
        chart=signal.chart,
        level=LEVEL,
        method=found.dated.method,
        left_out=view.left_out,
        effects=tuple(found.effects.values()),
        moved=tuple(name for name, e in found.effects.items() if e.moved),
        state=GONE_BACK if gone else OPEN,
        beside=tuple(h.text for h in beside),
        margin=loss,
        closed_by=closed_by,
    )
    if gone:
        return Described(call, signal, found, onset, moved, start, signal.at + QUIET_RUNS)
    return Described(call, signal, found, onset, moved, onset if found.shape == "step" and onset > start else None)


def _change(view: View, signal: Signal, begin: Mapping[Key, int | None], end: int) -> _Change | None:
    key, start = signal.key, begin[signal.key] or 0
    got = view.fit(key, view.learned(key, start, signal.since), min(signal.at, end))
    if got is None:
        return None
    present = view.present[key]
    use = present[(present >= start) & (present <= end) & ~np.isnan(got.residual[present])]
    near = use[use <= signal.at + AFTER_ALARM]
    if len(near) < 2 * change.FEWEST_EACH_SIDE:
        return None
    shape, by = change.step_or_trend(got.residual[near])
    if by < CLEARLY:  # a young slope looks like a step; more runs tell, at the risk that they hold another change
        shape, _ = change.step_or_trend(got.residual[use])
    found = _dated(view, signal, begin, got, use, near, shape)
    if found is None:
        return None
    # All series that moved judge the shape together: one may rest on a plateau by season while another goes on sinking.
    for window in (near, use):
        parts = view.changed_together(found.effects, begin, signal.since, int(window[-1]))
        if len(parts) < 2:
            break
        joint, by = change.better_shape(parts)
        if by >= CLEARLY or window is use:
            if joint != shape:
                found = _dated(view, signal, begin, got, use, near, joint) or found
            break
    return found


def _dated(
    view: View, signal: Signal, begin: Mapping[Key, int | None], got: Fit, use: Places, near: Places, shape: str
) -> _Change | None:
    """Date and size of a change of one shape; None when the leading series does not show it."""
    key = signal.key
    near = use if shape == "trend" else near
    last = int(near[-1])
    dated = change.onset([view.part(key, near, got.baseline.sigma)], shape, LEVEL)
    effects = view.effects(begin, dated.low, dated.high, last, shape)
    if key[0] not in effects:  # a date so early that no run is left before it: the chart's own run is the safer edge
        effects = view.effects(begin, signal.since, signal.since, last, shape)
    mine = effects.get(key[0])
    if mine is None or not mine.moved:
        return None
    parts = view.changed_together(effects, begin, signal.since, last)
    if parts:
        together = change.onset(parts, shape, LEVEL)
        again = view.effects(begin, together.low, together.high, last, shape)
        if key[0] in again and again[key[0]].moved:
            dated, effects, mine = together, again, again[key[0]]
    return _Change(shape, dated, effects, mine, got, use)


def _as_at_alarm(view: View, signal: Signal, begin: Mapping[Key, int | None]) -> _Change | None:
    """The change as the chart saw it: dated where its run began, with no more than a chart's right to be called."""
    key, start = signal.key, begin[signal.key] or 0
    got = view.fit(key, view.learned(key, start, signal.since), signal.at)
    mine, _ = view.since(key, start, signal.since, signal.at)
    if got is None or mine is None:
        return None
    present = view.present[key]
    use = present[(present >= start) & (present <= signal.at) & ~np.isnan(got.residual[present])]
    shape, _ = change.step_or_trend(got.residual[use])
    method = "where the chart's run began; too few runs since for an interval of its own"
    dated = change.Onset(signal.since, min(signal.since, int(use[-1])), signal.at, LEVEL, method)
    effects = view.effects(begin, signal.since, signal.since, signal.at, shape) | {key[0]: _called(mine)}
    return _Change(shape, dated, effects, effects[key[0]], got, use)


def _called(effect: Effect) -> Effect:
    return replace(effect, moved=1 if effect.change > 0 else -1)


def _doubts(view: View, effects: Mapping[str, Effect]) -> list[str]:
    if not view.channels:
        return ["cannot tell sensor from oven with one channel"]
    between = effects.get(AT_PEAK)
    if len(view.channels) == 2 and between is not None and between.moved:
        return [f"with two channels the difference cannot tell which of {' and '.join(view.channels)} moved"]
    return []


def _tier(effects: Mapping[str, Effect], loss: MarginChange | None) -> str:
    for name, effect in effects.items():
        kind = BY_NAME[name]
        large = CHECK_EFFORT if kind.logarithm else (CHECK_KELVIN if kind.unit in {"K", "°C"} else np.inf)
        if effect.moved and abs(effect.change) >= large:
            return CHECK
    return CHECK if loss is not None and loss.used_up else NOTE


def _went_back(view: View, signal: Signal, begin: Mapping[Key, int | None], found: _Change) -> bool:
    """Whether the runs soon after the alarm no longer show half of what it was called for."""
    called, _ = view.since(signal.key, begin[signal.key] or 0, signal.since, signal.at)
    size = found.mine.change if called is None else called.change
    return _has_left(found, size, view.present[signal.key], signal.at, signal.at + AFTER_ALARM)


def still_there(described: Described, view: View, until: int) -> bool:
    """Whether the newest runs before position `until` (the next change of the series, or the end) still show half of it."""
    found = described.found
    after = found.use[found.use >= found.dated.high]
    if found.shape == "trend":
        after = after[-max(change.FEWEST_EACH_SIDE, len(after) // 3) :]
    if len(after) == 0:
        return True
    # Of the series that signalled, which need not be the channel that the call names as the one that moved most.
    size = float(np.median(found.got.residual[after]))
    return not _has_left(found, size, view.present[described.signal.key], described.signal.at, until)


def _has_left(found: _Change, size: float, present: Places, at: int, until: int) -> bool:
    newest = present[(present > at) & (present <= until)]
    newest = newest[~np.isnan(found.got.residual[newest])][-NEWEST:]
    if len(newest) < change.FEWEST_EACH_SIDE:
        return False
    return float(np.median(found.got.residual[newest])) * float(np.sign(size)) < abs(size) / 2
