"""What every group of metrics starts from: traces, peaks, passages and errors of a batch of runs, worked out once.

One run is a batch of one. Nothing here depends on what else is in the batch, to the last digit: sums go along one row,
and nothing is cut to what the batch as a whole needs.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analysis.idle_inputs import OFF_SCALE_ABOVE_C, OFF_SCALE_BELOW_C, is_idle
from analysis.metrics.crossings import Crossings, crossings
from analysis.metrics.plan import Plan, plan_for
from analysis.metrics.slopes import Steepest, steepest
from analysis.metrics.stack import Stack
from analysis.metrics.traces import Traces, aligned, joined, median, traces_of, traces_of_stack
from analysis.results import Context
from analysis.uncertainty import ATTACHMENT_K, K_FACTOR, Errors, errors
from ingest.recording import Recording

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

NEAR_K = 3.0  # K: a passage's slope is read between 3 K below and 3 K above it, the size of one standard uncertainty
FLAT_K = 2.0  # K: the same about "peak less 5", which must stay below the peak
DIP_K = 1.0  # K: below liquidus by less is noise on a slow passage (three times a usual 0.3 K), not an interruption
HEATED_K = 30.0  # K above the start: a channel that rose less was not heated, so nothing of its peak was cut off
COOLED_K = 10.0  # K: a run that has not come down by this much from its peak was cut off near it
HIDING_K = 20.0  # K: a curve bridged lower than this under its peak would need 2 °C/s both ways for 10 s to hide a peak
AIR_WORDS = frozenset({"air", "luft", "ambient", "room", "raum"})  # in a channel's name: not a joint
LAG_LEVELS = 8
LAG_FROM_C = 60.0  # °C: below it a ramp has not settled
LAG_CLIMB_K = 50.0  # K: less of a common climb gives no delay worth naming
GAP_S = 10.0  # s: a longer stretch without a sample may hide half of a 20 s window, so times across it are incomplete


@dataclass
class Basis:
    """Everything below is (rows,) unless said otherwise; temperatures in °C, times in s. Rows: see Traces.

    `passages` holds the levels in this order: for each fixed level its three columns (less NEAR_K, itself, plus
    NEAR_K), see `column`; then the columns of `special`.
    """

    traces: Traces
    plan: Plan
    contexts: Sequence[Context]
    ambient_c: FloatArray  # (runs,) room temperature, NaN where it was not recorded
    room_c: FloatArray  # (runs,) the best word on it, of a cold start too, NaN where there is none
    setpoint: FloatArray | None  # (runs, samples) NaN where missing; None when not logged
    duty: FloatArray | None  # the same, 0 to 1
    peak_c: FloatArray
    peak_s: FloatArray  # first and last sample within twice the noise of the peak: the ends of its flat top
    peak_end_s: FloatArray
    peak_time_u: FloatArray  # standard uncertainty of the first
    start_c: FloatArray
    noise_k: FloatArray
    step_k: FloatArray
    errors: Errors
    passages: Crossings
    column: dict[float, int]
    special: dict[object, int]
    judged: BoolArray  # channels that take part in spreads: no averages, no air sensors
    cut_hot: BoolArray  # the row ends before it has come down from its peak
    slopes: dict[float, Steepest | None]
    worth_up: FloatArray  # (rows, fixed levels) see per_kelvin
    shares: FloatArray  # (rows, fixed levels) see share
    lag_levels: FloatArray  # (runs, LAG_LEVELS) temperatures that every channel on the work climbs through, NaN: none
    lag_up_s: FloatArray  # (rows, LAG_LEVELS) first upward passages of them

    @property
    def work(self) -> BoolArray:
        """(runs, per) channels on the work."""
        return self.traces.by_run(self.judged)

    def up(self, level: float) -> FloatArray:
        """First upward passage of a fixed level."""
        return self.passages.up_s[:, self.column[level]]

    def share(self, level: float) -> FloatArray:
        """Part of the growing error that is there at a fixed level (see analysis.uncertainty)."""
        return self.shares[:, self.column[level] // 3]

    def per_kelvin(self, level: float) -> FloatArray:
        """Seconds by which the upward passage of a level moves for one kelvin, from the passages around it."""
        return self.worth_up[:, self.column[level] // 3]

    def steepest(self, window_s: float) -> Steepest | None:
        """The steepest windows of every row before and after its peak; None when the log is too short for one."""
        if window_s not in self.slopes:
            self.slopes[window_s] = steepest(self.traces, window_s, self.peak_s)
        return self.slopes[window_s]


def half_span(e: Errors, level: float | FloatArray) -> FloatArray:
    """Distance [K] below and above a level at which the time above it is taken, to see what a degree is worth there.

    The expanded uncertainty at the level, so that a curve that bends within it is felt as it is; 0.5 K at least, for a
    budget without systematic terms.
    """
    return np.maximum(K_FACTOR * e.at(level), 0.5)


def running_median(v: FloatArray) -> FloatArray:
    """Median of each sample and its two neighbours (rows, n - 2)."""
    a, b, c = v[:, :-2], v[:, 1:-1], v[:, 2:]
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def scatter(traces: Traces) -> FloatArray:
    """Standard deviation of the short-term scatter of each row [K]; 0 when there are fewer than three samples.

    Each sample less the straight line between its neighbours; the mean absolute value is scaled to a normal standard
    deviation, so that a few corners or spikes of the curve do not rule it.
    """
    t, v = traces.t, traces.v
    if len(t) < 3:
        return np.zeros(traces.rows)
    w = (t[2:] - t[1:-1]) / (t[2:] - t[:-2])
    left = 1.0 - w
    residual = np.abs(v[:, 1:-1] - w * v[:, :-2] - left * v[:, 2:])
    scale = 1.0 / np.sqrt(1.0 + w * w + left * left)
    if traces.whole:
        return (residual * scale).sum(axis=1) / (len(t) - 2) * np.sqrt(np.pi / 2.0)
    p = traces.present
    real = p[:, :-2] & p[:, 1:-1] & p[:, 2:]
    count = np.maximum(real.sum(axis=1), 1)
    return (np.where(real, residual, 0.0) * scale).sum(axis=1) / count * np.sqrt(np.pi / 2.0)


def smallest_step(traces: Traces) -> FloatArray:
    """Smallest change between neighbouring samples of each row [K], 0 when nothing changes: the reading's resolution."""
    if len(traces.t) < 2:
        return np.zeros(traces.rows)
    change = np.abs(traces.v[:, 1:] - traces.v[:, :-1])
    # 0.001 K: below the rounding of 32-bit storage at soldering temperatures (0.00002 K) and of any controller
    change = np.where(change > 1e-3, change, np.inf)
    if not traces.whole:
        change = np.where(traces.present[:, 1:] & traces.present[:, :-1], change, np.inf)
    least = change.min(axis=1)
    return np.where(np.isfinite(least), np.minimum(least, 5.0), 0.0)


def basis_of(recording: Recording, context: Context) -> Basis | None:
    """Work out the basis of a run by itself; None when no temperature channel has a sample."""
    traces = traces_of(recording)
    if traces.rows == 0 or len(traces.t) == 0:
        return None
    setpoint, duty = setpoint_of(recording, traces), duty_of(recording, traces)
    return _basis(traces, None if setpoint is None else setpoint[None], None if duty is None else duty[None], [context])


def basis_of_stack(stack: Stack, contexts: Sequence[Context]) -> Basis:
    """Work out the basis of runs that are `alike`."""
    setpoint = next((stack.column(place) for place in stack.of_role("setpoint") if _logged(stack, place)[0]), None)
    duty = [stack.column(place) for place in stack.of_role("duty") if _logged(stack, place)[0]]
    return _basis(
        traces_of_stack(stack),
        setpoint,
        None if not duty else duty[0] if len(duty) == 1 else np.mean(duty, axis=0),
        contexts,
    )


def alike(stack: Stack, contexts: Sequence[Context]) -> list[list[int]]:
    """The runs of a stack, parted into those that can be measured at once: asked the same, with the same columns logged."""
    columns = stack.of_role("setpoint") + stack.of_role("duty")
    logged = list(zip(*(_logged(stack, place).tolist() for place in columns), strict=True)) or [()] * len(stack)
    together: dict[object, list[int]] = {}
    asked: dict[object, object] = {}  # the same question often comes as the same objects
    for run, context in enumerate(contexts):
        told = (id(context.limits), context.liquidus_c, context.classification_c, id(context.budget))
        if told not in asked:
            asked[told] = (plan_for(context), tuple(sorted(context.budget.items())))
        together.setdefault((logged[run], asked[told]), []).append(run)
    return list(together.values())


def _logged(stack: Stack, place: int) -> BoolArray:
    """(runs,) whether a column has two values at least."""
    return np.isfinite(stack.values[:, place]).sum(axis=1) >= 2


def _basis(traces: Traces, setpoint: FloatArray | None, duty: FloatArray | None, contexts: Sequence[Context]) -> Basis:
    plan = plan_for(contexts[0])
    t, v = traces.t, traces.v
    rows = traces.rows
    r = np.arange(rows)
    looked = [_look(part) for _, part in traces.parts()]
    noise, step, peak_c, peak_s, peak_end_s = (joined(parts) for parts in zip(*looked, strict=True))
    early = max(int(np.searchsorted(t, t[0] + 5.0, side="right")), 1)
    start_c = median(v[:, :early], axis=1)
    if np.isnan(start_c).any():
        start_c = np.where(np.isnan(start_c), v[r, traces.first], start_c)
    ambient_c = np.array([np.nan if c.ambient_c is None else c.ambient_c for c in contexts], dtype=np.float64)
    room_c = np.array([np.nan if c.room_c is None else c.room_c for c in contexts], dtype=np.float64)
    room_c = np.where(np.isnan(ambient_c), room_c, ambient_c)
    best = traces.to_rows(room_c)
    room = np.where(np.isnan(best), np.minimum(start_c, 40.0), best)
    e = errors(contexts[0].budget, peak_c, room, noise, step, traces.step_s, _attachments(traces, contexts))

    column = {level: 3 * i + 1 for i, level in enumerate(plan.levels)}
    fixed = np.array([x for level in plan.levels for x in (level - NEAR_K, level, level + NEAR_K)])
    special: dict[object, int] = {}
    extra: list[FloatArray] = []

    def level(key: object, value: FloatArray) -> None:
        special[key] = len(fixed) + len(extra)
        extra.append(value)

    for liquidus, _ in plan.liquidus:
        u = half_span(e, liquidus)
        level(("liquidus", liquidus, -1), liquidus - u)
        level(("liquidus", liquidus, 1), liquidus + u)
        level(("dip", liquidus), np.full(rows, liquidus - DIP_K))
    for reference, below, _ in plan.near_peak:
        base = (peak_c if reference is None else np.full(rows, reference)) - below
        u = np.full(rows, FLAT_K) if reference is None else half_span(e, base)
        level(("near", reference, below, 0), base)
        level(("near", reference, below, -1), base - u)
        level(("near", reference, below, 1), base + u)
    level("hiding", peak_c - HIDING_K)
    level("flat", peak_c - 2.0 * noise - np.maximum(K_FACTOR * e.random, 0.05))
    judged = ~traces.averages & ~_air(traces, contexts)
    judged &= ~_idle(traces)  # an input with nothing plugged in
    lag_levels = _climb(traces.by_run(peak_c), traces.by_run(start_c), traces.by_run(judged))
    levels = np.empty((rows, len(fixed) + len(extra) + LAG_LEVELS))
    levels[:, : len(fixed)] = fixed
    levels[:, len(fixed) : len(fixed) + len(extra)] = np.array(extra).T
    levels[:, len(fixed) + len(extra) :] = np.repeat(lag_levels, traces.per, axis=0)
    passages = crossings(t, v, levels, traces.first, traces.last)
    edge = peak_s - passages.up_s[:, special["flat"]]
    edge = np.where(edge > 0, edge, traces.step_s)
    ended = v[r, traces.last]
    return Basis(
        traces,
        plan,
        contexts,
        ambient_c,
        room_c,
        setpoint,
        duty,
        peak_c,
        peak_s,
        peak_end_s,
        edge / np.sqrt(3.0),
        start_c,
        noise,
        step,
        e,
        passages,
        column,
        special,
        judged,
        (ended > peak_c - COOLED_K) & (peak_c > start_c + HEATED_K),
        {},
        _seconds_per_kelvin(passages, plan, start_c),
        np.maximum(np.array(plan.levels) - room[:, None], 0.0) / e.height[:, None],
        lag_levels,
        passages.up_s[:, len(fixed) + len(extra) :],
    )


def setpoint_of(recording: Recording, traces: Traces) -> FloatArray | None:
    """The set point on the samples of the traces (the first such column), None when none is logged."""
    for channel in recording.channels:
        if channel.role == "setpoint":
            values = aligned(traces, channel)
            if np.isfinite(values).sum() >= 2:
                return values
    return None


def duty_of(recording: Recording, traces: Traces) -> FloatArray | None:
    """Heater on-fraction on the samples of the traces, mean of several elements; None when none is logged."""
    columns = [aligned(traces, c) for c in recording.channels if c.role == "duty"]
    columns = [c for c in columns if np.isfinite(c).sum() >= 2]
    if not columns:
        return None
    return columns[0] if len(columns) == 1 else np.mean(columns, axis=0)


def _idle(traces: Traces) -> BoolArray:
    if not traces.whole:
        return np.array([is_idle(row) for row in traces.v])
    level = traces.v[:, 0]
    possible = np.flatnonzero((level == 0.0) | (level < OFF_SCALE_BELOW_C) | (level > OFF_SCALE_ABOVE_C))
    idle = np.zeros(traces.rows, dtype=bool)
    idle[possible] = [is_idle(traces.v[row]) for row in possible]
    return idle


def _climb(peak_c: FloatArray, start_c: FloatArray, work: BoolArray) -> FloatArray:
    """Temperatures at which the channels of each run are compared in time: of the climb that all on the work share.

    All (runs, per); returns (runs, LAG_LEVELS), NaN where that climb is too short or no channel is on the work.
    """
    top = np.where(work, peak_c, np.inf).min(axis=1) - 10.0  # K below the lowest peak, where every channel still climbs
    low = np.maximum(LAG_FROM_C, np.where(work, start_c, -np.inf).max(axis=1) + 10.0)
    usable = work.any(axis=1) & (top - low >= LAG_CLIMB_K)
    return np.linspace(np.where(usable, low, np.nan), np.where(usable, top, np.nan), LAG_LEVELS, axis=1)


def _seconds_per_kelvin(passages: Crossings, plan: Plan, start_c: FloatArray) -> FloatArray:
    """For each fixed level, the seconds by which its upward passage moves for one kelvin (rows, levels)."""
    count = 3 * len(plan.levels)
    before, at, after = (passages.up_s[:, i:count:3] for i in range(3))
    both = (after - before) / (2 * NEAR_K)
    missing = np.isnan(both) & ~np.isnan(at)
    if not missing.any():
        return both
    # a level close to the start or to the peak has one neighbour only; with neither it is a climb of a few kelvin in all
    one = np.where(np.isnan(after), at - before, after - at) / NEAR_K
    begin = passages.begin_s[:, None]
    whole = (at - begin) / np.maximum(np.array(plan.levels) - start_c[:, None], 0.5)
    return np.where(missing, np.where(np.isnan(one), whole, one), both)


def _look(traces: Traces) -> tuple[FloatArray, ...]:
    """Noise, smallest step, and peaks as `_peaks`, of every row."""
    noise = scatter(traces)
    return noise, smallest_step(traces), *_peaks(traces, noise)


def _peaks(traces: Traces, noise_k: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Peak [°C] of each row with the first and the last moment [s] within twice the noise of it.

    On a flat top the highest of equal values falls anywhere by noise; its two ends do not.
    """
    t, v = traces.t, traces.v
    n = len(t)
    r = np.arange(traces.rows)
    if n >= 3:
        middle = running_median(v)
        if not traces.whole:
            middle = np.where(np.isnan(middle), -np.inf, middle)
        peak = middle.max(axis=1)
        if np.isfinite(peak).all():
            near = middle >= (peak - 2.0 * noise_k)[:, None]
            return peak, t[near.argmax(axis=1) + 1], t[n - 2 - near[:, ::-1].argmax(axis=1)]
    # fewer than three samples in a row: the highest value there is
    filled = np.where(np.isnan(v), -np.inf, v)
    at = filled.argmax(axis=1)
    return filled[r, at], t[at], t[at]


def in_air(context: Context, name: str) -> bool:
    """Whether a channel measures the air: its recorded place says so, or, with no place recorded, its own name does."""
    place = context.placements.get(name, (None, None))[0]
    if place is not None:
        return re.match(r"\s*(in |the |oven )*air\b", place, re.IGNORECASE) is not None
    return _names_air(name)


@lru_cache(maxsize=4096)
def _names_air(name: str) -> bool:
    return not AIR_WORDS.isdisjoint(re.split(r"[^a-zà-ÿ]+", name.casefold()))


def _air(traces: Traces, contexts: Sequence[Context]) -> BoolArray:
    """(rows,) which channels measure the air."""
    if any(context.placements for context in contexts):
        return np.array([in_air(c, name) for c, name in zip(_of_rows(traces, contexts), traces.names, strict=True)])
    return np.tile(np.array([_names_air(name) for name in traces.names[: traces.per]], dtype=bool), traces.runs)


def _of_rows(traces: Traces, contexts: Sequence[Context]) -> list[Context]:
    return [context for context in contexts for _ in range(traces.per)]


def _attachments(traces: Traces, contexts: Sequence[Context]) -> FloatArray | None:
    if not any(context.placements for context in contexts):
        return None
    ways = [
        (context.placements.get(name, (None, None))[1] or "").lower()
        for context, name in zip(_of_rows(traces, contexts), traces.names, strict=True)
    ]
    return np.array([next((size for word, size in ATTACHMENT_K.items() if word in way), np.nan) for way in ways])
