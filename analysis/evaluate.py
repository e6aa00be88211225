"""Recording + context -> evaluation. Pure: the same input gives the same result to the last digit."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np

from analysis.metrics.basis import Basis
from analysis.metrics.measuring import measure_with_basis
from analysis.results import Context, Evaluation
from analysis.verdict import doubted_channels, judge
from ingest.recording import Recording

if TYPE_CHECKING:
    from analysis.checks.history import History

# Grows whenever a metric, a check or the decision rule can give another result; stored with everything derived.
RULES_VERSION = "1"


def evaluate(recording: Recording, context: Context, history: History | None = None) -> Evaluation:
    """Measure, question the channels, judge.

    `history` is the usual of comparable earlier runs for the checks that compare (None: those checks say so). A recording
    without a temperature sample gives "not evaluated", never an error.
    """
    from analysis.checks import check_channels  # late: measuring alone needs none of it

    metrics, basis = measure_with_basis(recording, context)
    findings = check_channels(recording, context, metrics, history)
    names = {number: channel.name for number, channel in enumerate(recording.channels)}
    complete, cut = _completeness(basis, doubted_channels(findings))
    verdict, reason, limiting, results = judge(
        metrics,
        context.limits,
        findings,
        names=names,
        unjudged=_unjudged(basis),
        bodies=_bodies(recording, context),
        complete=complete,
        has_paste=context.liquidus_c is not None,
    )
    if basis is None:
        verdict, reason = "not evaluated", "no temperature sample in the log"
    elif not basis.judged.any() and context.limits:
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


def _completeness(b: Basis | None, doubted: Collection[int]) -> tuple[bool, str | None]:
    """Whether the log covers the run to its cooling, by the channels that can be believed, and what says otherwise."""
    if b is None:
        return False, "no temperature sample in the log"
    believed = np.array([number not in doubted for number in b.traces.numbers], dtype=bool)
    rows = next((r for r in (b.judged & believed, b.judged, ~b.judged) if r.any()), b.judged)
    if b.cut_hot[rows].any():
        return False, "the log ends before the oven has come down from its highest temperature"
    for level, _ in b.plan.liquidus:
        if b.passages.ends_above[rows, b.column[level]].any():
            return False, f"the log ends above {level:g} °C"
    return True, None


def _unjudged(b: Basis | None) -> set[int]:
    if b is None:
        return set()
    return {number for number, judged in zip(b.traces.numbers, b.judged.tolist(), strict=True) if not judged}


def _bodies(recording: Recording, context: Context) -> set[int]:
    """Channels whose placement names a package body (its top), where J-STD-020 measures."""
    found: set[int] = set()
    for number, channel in enumerate(recording.channels):
        place = (context.placements.get(channel.name, (None, None))[0] or "").lower()
        if channel.role == "temperature" and ("package" in place or "body" in place):
            found.add(number)
    return found
