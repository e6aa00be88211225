"""Recording + context -> evaluation. Pure: the same input gives the same result to the last digit."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from analysis.aborted import stopped_early
from analysis.checks.history import METRICS_NEEDED
from analysis.metrics.basis import Basis
from analysis.metrics.measuring import Measured, measure_many
from analysis.metrics.plan import canonical
from analysis.results import Context, Evaluation, Limit
from analysis.verdict import doubted_channels, judge
from ingest.recording import Recording

if TYPE_CHECKING:
    from analysis.checks.history import History
    from analysis.checks.shapes import Shapes

# Grows whenever a metric, a check or the decision rule can give another result; stored with everything derived.
RULES_VERSION = "3"


# What checks and verdicts look up beside the metrics that a limit names.
_LOOKED_UP = ("peak_c", "time_near_peak_s", "time_above_liquidus_s", *METRICS_NEEDED)


@lru_cache(maxsize=64)
def _looked_at(limits: tuple[Limit, ...]) -> frozenset[str | tuple[str, str]]:
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
    from analysis.checks import check_channels  # late: measuring alone needs none of it

    measured = batch.measured
    b = measured.basis
    metrics = measured.sheet.of_run(run, None if whole else _looked_at(context.limits))
    own = _Own(b, run) if b is not None else None
    rows = own.rows if own is not None else slice(None)
    findings = check_channels(recording, context, metrics, history, batch.shapes, rows)
    names = {number: channel.name for number, channel in enumerate(recording.channels)}
    complete, cut = _completeness(own, doubted_channels(findings))
    if stopped := stopped_early(recording):
        complete, cut = False, stopped
    verdict, reason, limiting, results = judge(
        metrics,
        context.limits,
        findings,
        names=names,
        unjudged=own.unjudged() if own is not None else (),
        bodies=_bodies(recording, context),
        complete=complete,
        has_paste=context.liquidus_c is not None,
    )
    if own is None:
        verdict, reason = "not evaluated", "no temperature sample in the log"
    elif not own.judged.any() and context.limits:
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


class _Own:
    """The rows of one run in the basis of its batch."""

    def __init__(self, b: Basis, run: int) -> None:
        self.basis = b
        self.rows = slice(run * b.traces.per, (run + 1) * b.traces.per)
        self.numbers = b.traces.numbers[self.rows]
        self.judged = b.judged[self.rows]

    def unjudged(self) -> set[int]:
        return {number for number, judged in zip(self.numbers, self.judged.tolist(), strict=True) if not judged}


def _completeness(own: _Own | None, doubted: Collection[int]) -> tuple[bool, str | None]:
    """Whether the log covers the run to its cooling, by the channels that can be believed, and what says otherwise."""
    if own is None:
        return False, "no temperature sample in the log"
    b = own.basis
    cut = b.cut_hot[own.rows]
    ends_above = [(level, b.passages.ends_above[own.rows, b.column[level]]) for level, _ in b.plan.liquidus]
    if not cut.any() and not any(above.any() for _, above in ends_above):
        return True, None
    believed = np.array([number not in doubted for number in own.numbers], dtype=bool)
    rows = next((r for r in (own.judged & believed, own.judged, ~own.judged) if r.any()), own.judged)
    if cut[rows].any():
        return False, "the log ends before the oven has come down from its highest temperature"
    for level, above in ends_above:
        if above[rows].any():
            return False, f"the log ends above {level:g} °C"
    return True, None


def _bodies(recording: Recording, context: Context) -> set[int]:
    """Channels whose placement names a package body (its top), where J-STD-020 measures."""
    found: set[int] = set()
    for number, channel in enumerate(recording.channels):
        place = (context.placements.get(channel.name, (None, None))[0] or "").lower()
        if channel.role == "temperature" and ("package" in place or "body" in place):
            found.add(number)
    return found
