"""Recording + context -> evaluation. Pure: the same input gives the same result to the last digit."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.aborted import stopped_early
from analysis.checks.history import METRICS_NEEDED
from analysis.metrics.basis import Basis
from analysis.metrics.measuring import Measured, measure_many
from analysis.metrics.plan import canonical
from analysis.results import Context, Evaluation, Finding, Limit, MetricValue
from analysis.verdict import doubted_channels, judge
from ingest.recording import Channel, Recording

if TYPE_CHECKING:
    from analysis.checks.history import History
    from analysis.checks.shapes import Shapes

# Grows whenever a metric, a check or the decision rule can give another result; stored with everything derived.
RULES_VERSION = "3"


# What checks and verdicts look up beside the metrics that a limit names.
_LOOKED_UP = ("peak_c", "time_near_peak_s", "time_above_liquidus_s", *METRICS_NEEDED)


@lru_cache(maxsize=64)
def looked_at(limits: tuple[Limit, ...]) -> frozenset[str | tuple[str, str]]:
    return frozenset((*_LOOKED_UP, *((limit.metric, canonical(limit.parameters)) for limit in limits)))


def evaluate(recording: Recording, context: Context, history: History | None = None) -> Evaluation:
    """Measure, question the channels, judge.

    `history` is the usual of comparable earlier runs for the checks that compare (None: those checks say so). A recording
    without a temperature sample gives "not evaluated", never an error.
    """
    batch = next(batches([recording], [context]))
    return conclude(batch, 0, recording, context, history, whole=True)


@dataclass(frozen=True)
class Batch:
    """Runs that were measured together, and how their channels move, for the checks."""

    measured: Measured
    shapes: Shapes | None  # None when no temperature channel has a sample, or one lacks some


def batches(recordings: Sequence[Recording], contexts: Sequence[Context]) -> Iterator[Batch]:
    """The first half of evaluating many runs: `conclude` is the other. See analysis.metrics.measuring.measure_many."""
    from analysis.checks.shapes import Shapes

    for measured in measure_many(recordings, contexts):
        b = measured.basis
        shapes = Shapes(b.traces.v, np.diff(b.traces.t), has_gaps=False) if b is not None and b.traces.whole else None
        yield Batch(measured, shapes)


def conclude(
    batch: Batch, run: int, recording: Recording, context: Context, history: History | None, *, whole: bool
) -> Evaluation:
    """The evaluation of a measured run: the `run`-th of its batch. Without `whole` its `metrics` are only those that
    were looked at on the way; all of them are in `batch.measured`."""
    b = batch.measured.basis
    standing = None if b is None else standing_of(b)
    metrics = batch.measured.sheet.of_run(run, None if whole else looked_at(context.limits))
    own = slice(None) if standing is None else standing.rows(run)
    return questioned(standing, run, recording, context, metrics, history, batch.shapes, own)


def questioned(
    standing: Standing | None,
    run: int,
    recording: Recording,
    context: Context,
    metrics: Sequence[MetricValue],
    history: History | None,
    shapes: Shapes | None = None,
    own: slice = slice(None),
) -> Evaluation:
    """The second half of evaluating: asks the channels, then judges. `shapes`, `own`: see analysis.checks.build_view."""
    from analysis.checks import check_channels  # late: measuring alone needs none of it

    findings = check_channels(recording, context, metrics, history, shapes, own)
    return judged(standing, run, recording, context, metrics, findings)


def judged(
    standing: Standing | None,
    run: int,
    recording: Recording,
    context: Context,
    metrics: Sequence[MetricValue],
    findings: Sequence[Finding],
) -> Evaluation:
    """The evaluation of a run whose channels were asked: the `run`-th of those that `standing` (None: without a
    temperature sample) tells about."""
    names = {number: channel.name for number, channel in enumerate(recording.channels)}
    complete, cut = (
        (False, "no temperature sample in the log")
        if standing is None
        else standing.completeness(run, doubted_channels(findings))
    )
    if stopped := stopped_early(recording):
        complete, cut = False, stopped
    verdict, reason, limiting, results = judge(
        metrics,
        context.limits,
        findings,
        names=names,
        unjudged=standing.unjudged(run) if standing is not None else (),
        bodies=bodies(recording.channels, context),
        complete=complete,
        has_paste=context.liquidus_c is not None,
    )
    if standing is None:
        verdict, reason = "not evaluated", "no temperature sample in the log"
    elif not standing.judged[standing.rows(run)].any() and context.limits:
        verdict, reason = "not evaluated", "every channel is an average or measures the air: none is on the work"
    elif cut and verdict == "not evaluated" and reason and reason.startswith("the run was cut off"):
        reason = f"{cut}; no limit is broken up to there"
    return Evaluation(
        RULES_VERSION,
        verdict,
        reason,
        limiting,
        complete,
        any(f.danger for f in findings if f.state in ("fail", "suspect")),
        tuple(metrics),
        results,
        tuple(findings),
    )


@dataclass(frozen=True)
class Standing:
    """What judging must know of measured runs beside their metrics. Rows are channels, `per` of each run.

    `judged` (rows,): on the work. `cut_hot` (rows,): the log ends before the row has come down from its peak; `ends_above`:
    levels [°C] with the rows that end above them.
    """

    per: int
    numbers: Sequence[int]
    judged: NDArray[np.bool_]
    cut_hot: NDArray[np.bool_]
    ends_above: Sequence[tuple[float, NDArray[np.bool_]]]

    def rows(self, run: int) -> slice:
        return slice(run * self.per, (run + 1) * self.per)

    def unjudged(self, run: int) -> set[int]:
        own = self.rows(run)
        return {n for n, on_work in zip(self.numbers[own], self.judged[own].tolist(), strict=True) if not on_work}

    def whole(self) -> NDArray[np.bool_]:
        """(runs,) whose every row has come down from its peak and from the levels."""
        cut = np.logical_or.reduce([self.cut_hot, *(above for _, above in self.ends_above)])
        return ~cut.reshape(-1, self.per).any(axis=1)

    def completeness(self, run: int, doubted: Collection[int]) -> tuple[bool, str | None]:
        """Whether the log covers the run to its cooling, by the channels that can be believed, and what says otherwise."""
        own = self.rows(run)
        judged, cut_hot = self.judged[own], self.cut_hot[own]
        if not cut_hot.any() and not any(above[own].any() for _, above in self.ends_above):
            return True, None
        believed = np.array([number not in doubted for number in self.numbers[own]], dtype=bool)
        rows = next((r for r in (judged & believed, judged, ~judged) if r.any()), judged)
        if cut_hot[rows].any():
            return False, "the log ends before the oven has come down from its highest temperature"
        for level, above in self.ends_above:
            if above[own][rows].any():
                return False, f"the log ends above {level:g} °C"
        return True, None


def standing_of(b: Basis) -> Standing:
    return Standing(
        b.traces.per,
        b.traces.numbers,
        b.judged,
        b.cut_hot,
        [(level, b.passages.ends_above[:, b.column[level]]) for level, _ in b.plan.liquidus],
    )


def bodies(channels: Sequence[Channel], context: Context) -> set[int]:
    """Channels whose placement names a package body (its top), where J-STD-020 measures."""
    if not context.placements:
        return set()
    found: set[int] = set()
    for number, channel in enumerate(channels):
        place = (context.placements.get(channel.name, (None, None))[0] or "").lower()
        if channel.role == "temperature" and ("package" in place or "body" in place):
            found.add(number)
    return found
