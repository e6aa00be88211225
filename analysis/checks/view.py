"""One run as the checks see it: arrays prepared once, shared by all checks.

Nothing here judges. Rows are the temperature channels that carry at least one value; averages are kept apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from analysis.checks.history import History
from analysis.checks.shapes import IntArray, Shapes
from analysis.checks.texts import MEANING, STOP_SENSOR
from analysis.results import Context, Finding, MetricValue, State
from ingest.recording import Channel, FloatArray, Recording

# A channel that follows the set point this closely [K], as median over the run, is one that steers or sees what steers.
FOLLOWS_WITHIN_K = 10.0


@dataclass
class View:
    """Arrays of one run.

    `values` (rows x samples) [°C] with NaN where missing; `filled` the same with gaps bridged by straight lines (ends
    held). `numbers`, `names`: channel number in the recording and name of each row. `failed`: rows already found not
    believable and by which code; later checks leave them out.
    """

    recording: Recording
    context: Context
    history: History | None
    metrics: Sequence[MetricValue]
    numbers: tuple[int, ...]
    names: tuple[str, ...]
    values: FloatArray
    shapes: Shapes  # of these rows and maybe others: what is said there of a row is read here by the same name
    own: slice  # the rows of `shapes` that are this run's
    has_gaps: bool
    empty: tuple[int, ...]  # channel numbers of temperature channels without a single value
    averages: tuple[int, ...]  # channel numbers of averages
    failed: dict[int, str] = field(default_factory=dict[int, str])
    scatter_k: dict[int, float] = field(
        default_factory=dict[int, float]
    )  # rows noisy with the heater on, and how much [K]
    lost_rows: set[int] = field(default_factory=set[int])  # samples just before a jump that lost rows explain

    @cached_property
    def elapsed_s(self) -> FloatArray:
        return self.recording.elapsed_s

    @property
    def steps_s(self) -> FloatArray:
        return self.shapes.steps_s

    @property
    def interval_s(self) -> float:
        """Median sample interval [s]."""
        return self.shapes.interval_s

    @cached_property
    def filled(self) -> FloatArray:
        if not self.has_gaps:
            return self.values
        filled = self.values.copy()
        for row in filled:
            missing = np.isnan(row)
            if missing.any():
                present = ~missing
                row[missing] = np.interp(self.elapsed_s[missing], self.elapsed_s[present], row[present])
        return filled

    @cached_property
    def change(self) -> FloatArray:
        return self.shapes.change[self.own]

    @cached_property
    def size_of_change(self) -> FloatArray:
        return self.shapes.size_of_change[self.own]

    @cached_property
    def longest_still_s(self) -> list[float]:
        return self.shapes.longest_still_s[self.own]

    @cached_property
    def resolution_k(self) -> FloatArray:
        return self.shapes.resolution_k[self.own]

    @cached_property
    def bend(self) -> FloatArray:
        return self.shapes.bend[self.own]

    @cached_property
    def noise_k(self) -> FloatArray:
        return self.shapes.noise_k[self.own]

    @cached_property
    def jump_k(self) -> FloatArray:
        return self.shapes.jump_k[self.own]

    @cached_property
    def jumps(self) -> tuple[IntArray, ...]:
        return self.shapes.jumps[self.own]

    def stays(self, rows: Sequence[int], k: int) -> bool:
        """Whether the jump after sample k is still there three samples later in every row, the ramp before it allowed for."""
        later = min(k + 4, self.filled.shape[1] - 1)
        ramp = self.change[rows, k - 1] * (later - k - 1) if k > 0 else 0.0
        gone = self.filled[rows, later] - self.filled[rows, k] - np.nan_to_num(ramp)
        return bool((np.abs(gone) >= 0.5 * self.size_of_change[rows, k]).all())

    @cached_property
    def setpoint(self) -> FloatArray | None:
        """Set point [°C]; None when not logged, without movement or with gaps."""
        channels = self.recording.of_role("setpoint")
        if not channels or not np.isfinite(channels[0].values).all() or not np.ptp(channels[0].values) > 1.0:
            return None
        return channels[0].values

    @cached_property
    def duty(self) -> FloatArray | None:
        """Heater command 0 to 1, the highest of all elements; NaN where not logged; None without such a column."""
        channels = [c.values for c in self.recording.of_role("duty") if np.isfinite(c.values).any()]
        if not channels:
            return None
        return channels[0] if len(channels) == 1 else np.fmax.reduce(channels)

    @property
    def alive(self) -> list[int]:
        return [row for row in range(len(self.names)) if row not in self.failed]

    def others(self, row: int) -> list[int]:
        return [other for other in self.alive if other != row]

    def middle(self, rows: Sequence[int]) -> FloatArray:
        """Median over the given rows at each moment [°C]."""
        return middle_of(self.filled[list(rows)])

    @cached_property
    def control_row(self) -> int | None:
        name = self.context.control_channel
        return self.names.index(name) if name in self.names else None

    def may_steer(self, number: int) -> bool:
        """Whether the channel may be what steers the heater: it is named so, is part of the average that steers, or
        nobody knows, and no other channel is seen to follow the set point."""
        name = self.recording.channels[number].name
        control = self.context.control_channel
        if control is not None and (control == "average" or control in {c.name for c in self.recording.channels}):
            return control in (name, "average") or number in self.averages
        return not any(self.follows(row) for row in self.alive if self.numbers[row] != number)

    def follows(self, row: int) -> bool:
        if self.setpoint is None or float(np.ptp(self.setpoint)) < 60.0:
            return False
        heating = self.setpoint >= np.maximum.accumulate(self.setpoint) - 1.0
        gap = np.abs(self.filled[row] - self.setpoint)[heating]
        return bool(np.median(gap) <= FOLLOWS_WITHIN_K and np.ptp(self.filled[row]) > 60.0)

    def metric(self, name: str, number: int | None) -> float | None:
        """The run's own value of a metric with status ok; None otherwise."""
        return self._metric_values.get((name, number))

    @cached_property
    def _metric_values(self) -> dict[tuple[str, int | None], float]:
        found: dict[tuple[str, int | None], float] = {}
        for m in self.metrics:
            if m.value is not None and m.status == "ok":
                found.setdefault((m.metric, m.channel), m.value)
        return found

    def finding(
        self, code: str, number: int | None, state: State, evidence: str, *, danger: str | None = None
    ) -> Finding:
        """A finding with the texts of its code. Without `danger` the stop text is given when the channel is not
        believable and may steer the heater."""
        meaning, check_first = MEANING[code]
        if danger is None:
            stops = state == "fail" and number is not None and self.may_steer(number)
            danger = STOP_SENSOR if stops else ""
        return Finding(code, number, state, evidence, meaning, check_first, danger)


def unable(code: str, reason: str) -> Finding:
    """The check cannot speak about this run, and why."""
    return Finding(code, None, "not evaluated", reason)


def middle_of(block: FloatArray) -> FloatArray:
    """Median over the first axis; the small cases written out because they are every run's."""
    count = len(block)
    if count == 1:
        return block[0]
    if count == 2:
        return 0.5 * (block[0] + block[1])
    if count == 3:
        low, high = np.minimum(block[0], block[1]), np.maximum(block[0], block[1])
        return np.maximum(low, np.minimum(high, block[2]))
    if count == 4:
        return 0.5 * (block.sum(axis=0) - block.max(axis=0) - block.min(axis=0))
    return np.median(block, axis=0)


def middle_value(values: Sequence[float] | FloatArray) -> float:
    """Median of a few numbers, none of them NaN: numpy's own costs twenty times as much."""
    ordered = sorted(float(value) for value in values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def build_view(
    recording: Recording,
    context: Context,
    metrics: Sequence[MetricValue],
    history: History | None = None,
    shapes: Shapes | None = None,
    own: slice = slice(None),
) -> View:
    """`shapes`, `own`: the rows of this run among those of its batch, where they were worked out together."""
    numbers: list[int] = []
    empty: list[int] = []
    averages: list[int] = []
    columns: list[FloatArray] = []
    has_gaps = False
    for number, channel in enumerate(recording.channels):
        if channel.role != "temperature":
            continue
        count = _present(channel)
        if not channel.judged:
            averages.append(number)
        elif count == 0:
            empty.append(number)
        else:
            has_gaps |= count < len(channel.values)
            numbers.append(number)
            columns.append(channel.values)
    if shapes is not None and (has_gaps or averages or empty):
        shapes, own = None, slice(None)  # its rows are others than those that were measured
    if shapes is None:
        values = np.array(columns) if columns else np.empty((0, len(recording.elapsed_s)))
        shapes = Shapes(values, np.diff(recording.elapsed_s), has_gaps)
    return View(
        recording=recording,
        context=context,
        history=history,
        metrics=metrics,
        numbers=tuple(numbers),
        names=tuple(recording.channels[n].name for n in numbers),
        values=shapes.values[own],
        shapes=shapes,
        own=own,
        has_gaps=has_gaps,
        empty=tuple(empty),
        averages=tuple(averages),
    )


def _present(channel: Channel) -> int:
    return int(np.count_nonzero(np.isfinite(channel.values)))


def at(elapsed_s: FloatArray, index: int) -> str:
    """A moment as text."""
    return f"{elapsed_s[index]:.0f} s"
