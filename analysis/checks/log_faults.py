"""Faults of the log itself: holes in time, lost rows, frozen rows."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.view import View, at
from analysis.results import Finding

# A hole of 10 s moves a time above liquidus or a 20 s ramp; loggers jitter by a few intervals.
GAP_S = 10.0
GAP_INTERVALS = 4.0
# A hole of 30 s can hold a whole peak.
GAP_FAIL_S = 30.0
# Rows lost without a hole in time: all channels jump at once, and neither before nor after do they move like that.
LOST_ROWS_FACTOR = 3.0
FROZEN_FOR_S = 10.0


def check_log(view: View) -> list[Finding]:
    """Domain: every log; lost and frozen rows need two channels."""
    findings = [*_holes(view)]
    rows = view.alive
    if len(rows) >= 2:
        findings.extend(_lost_rows(view, rows))
    return findings


def _holes(view: View) -> list[Finding]:
    threshold = max(GAP_S, GAP_INTERVALS * view.interval_s)
    holes = np.flatnonzero(view.steps_s >= threshold)
    view.lost_rows.update(holes.tolist())
    found: list[tuple[int, float]] = [(int(k), float(view.steps_s[k])) for k in holes]
    if view.has_gaps:
        nothing = np.asarray(np.isnan(view.values).all(axis=0))
        edges = np.flatnonzero(np.diff(np.concatenate(([False], nothing, [False])).astype(np.int8)))
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            begin, end = max(int(first) - 1, 0), min(int(after), len(nothing) - 1)
            seconds = float(view.elapsed_s[end] - view.elapsed_s[begin])
            if seconds >= threshold:
                found.append((begin, seconds))
    if not found:
        return []
    begin, longest = max(found, key=lambda hole: hole[1])
    state = "fail" if longest >= GAP_FAIL_S else "suspect"
    plural = "hole" if len(found) == 1 else "holes"
    evidence = (
        f"{len(found)} {plural} in the log, the longest {longest:.0f} s after {at(view.elapsed_s, begin)} "
        f"(samples come every {view.interval_s:g} s)."
    )
    return [view.finding("log_fault", None, state, evidence)]


def _lost_rows(view: View, rows: list[int]) -> list[Finding]:
    if any(len(view.jumps[row]) == 0 for row in rows):
        return []
    common = set(view.jumps[rows[0]].tolist()).intersection(*(view.jumps[row].tolist() for row in rows[1:]))
    last = view.change.shape[1] - 1
    for k in sorted(common):
        if view.steps_s[k] >= max(GAP_S, GAP_INTERVALS * view.interval_s):
            continue  # the hole in time explains it
        here = np.abs(view.change[rows, k])
        near = [view.size_of_change[rows, j] for j in (k - 2, k - 1, k + 1, k + 2) if 0 <= j <= last]
        around = np.nanmax(np.array(near), axis=0)
        if not view.stays(rows, k) or not (here >= LOST_ROWS_FACTOR * around).all():
            continue
        frozen = _frozen_before(view, rows, k)
        steps = view.change[rows, k]
        rounding = float((view.resolution_k[rows] + 2.0 * view.noise_k[rows]).max())
        alike = float(np.ptp(steps)) <= max(2.0, 0.1 * abs(float(np.median(steps)))) + rounding
        # A jump by one amount is a shift of the reference junction, unless the log shows that time was lost.
        if alike and frozen < FROZEN_FOR_S and not _setpoint_jumps(view, k):
            continue
        view.lost_rows.add(k)
        words = f"after {frozen:.0f} s of unchanged rows" if frozen >= FROZEN_FOR_S else "without a hole in time"
        evidence = (
            f"All {len(rows)} channels jump by {here.min():.0f} to {here.max():.0f} K at {at(view.elapsed_s, k + 1)} "
            f"{words}: rows are lost or the clock jumped."
        )
        return [view.finding("log_fault", None, "fail", evidence)]
    return []


def _setpoint_jumps(view: View, k: int) -> bool:
    """Whether the set point leaps at the same place, unlike before and after."""
    if view.setpoint is None:
        return False
    steps = np.abs(np.diff(view.setpoint[max(0, k - 2) : k + 4]))
    at_k = min(k, 2)
    return bool(steps[at_k] >= 5.0 and steps[at_k] >= LOST_ROWS_FACTOR * np.delete(steps, at_k).max())


def _frozen_before(view: View, rows: list[int], k: int) -> float:
    """Seconds of exactly unchanged rows before sample k."""
    moves = (view.size_of_change[rows, :k] > 1e-6).any(axis=0)
    last_move = np.flatnonzero(moves)
    first = int(last_move[-1]) + 1 if len(last_move) else 0
    return float(view.elapsed_s[k] - view.elapsed_s[first])


def screen_log(many: Many) -> BoolArray:
    """Holes in time are the same for all; lost rows show as a jump."""
    holes = bool((many.steps_s >= max(GAP_S, GAP_INTERVALS * many.interval_s)).any())
    return ~many.nowhere if holes else many.jumps
