"""Channels that repeat: one value for too long (stuck), or another channel's values (twin)."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.shapes import STILL_K
from analysis.checks.view import FloatArray, View, at, unable
from analysis.results import Finding, State

# Shorter than this, an honest tip at its turning point can show one value: with steps of 1 °C, a tip with a time
# constant of 60 s turning from +0.5 to -1 K/s stays within one step for about 13 s.
STUCK_FOR_S = 20.0
_LOOKED_AT_FROM_S = STUCK_FOR_S * 0.9  # below, whatever the rounding of sums of intervals
# While the slowest honest tip (time constant 60 s) behind a brisk ramp (3 K/s) moves one step q, the oven moves
# sqrt(2 * 60 * 3 * q) = 19 sqrt(q) K; a third more is the threshold, and no less for finer steps, because a hold at
# the control tip is flat while another tip still settles by 20 K.
MOVED_PER_ROOT_STEP_K = 25.0
MOVED_AT_LEAST_K = 25.0
# At the start a heavy board in a carrier may show no answer at all for some seconds, so more is asked there.
START_FACTOR = 1.6
START_FOR_S = 30.0
# Alone in the log, a channel is stuck when the heat asked for changes and nothing answers: an oven at the end of its
# power may stand at one value for minutes, but not when the command falls or before it has warmed up.
ALONE_FOR_S = 60.0
ALONE_DUTY_CHANGE = 0.5
ALONE_SETPOINT_K = 60.0
COLD_BELOW_C = 60.0

TWIN_MOVED_K = 20.0
# Two tips agree sample by sample only when they are one: even tied together, lags differ by 0.2 s or more (0.3 K on a
# ramp of 1.5 K/s) and gains by 0.1 % or more (0.2 K at 240 °C).
TWIN_SAME_SHARE = 0.98
TWIN_WITHIN_K = 0.25
# With coarse steps two honest tips may round to the same figure most of the time.
TWIN_COARSE_K = 0.3
TWO_CHANNELS = "needs two channels"
FEW_MOVED = f"fewer than two channels moved by {TWIN_MOVED_K:.0f} K"


def check_stuck(view: View) -> list[Finding]:
    """Domain: another channel that moves, or (alone) a logged duty or set point that moves."""
    findings: list[Finding] = []
    stuck: list[tuple[int, Finding]] = []
    speechless = False
    for row in view.alive:
        for first, last in _constant_stretches(view, row):
            moved = _others_moved(view, row, first, last)
            need = max(MOVED_AT_LEAST_K, MOVED_PER_ROOT_STEP_K * np.sqrt(view.resolution_k[row]))
            seconds = float(view.elapsed_s[last] - view.elapsed_s[first])
            if first == 0:
                need *= START_FACTOR
                if seconds < START_FOR_S:
                    continue
            words = f"the others moved by {moved:.0f} K" if moved is not None else _unanswered(view, row, first, last)
            if moved is None and words is None:
                speechless = speechless or (view.setpoint is None and view.duty is None)
                continue
            if moved is not None and moved < need:
                continue
            evidence = (
                f"{view.names[row]} reads exactly {view.filled[row, first]:.2f} °C for {seconds:.0f} s from "
                f"{at(view.elapsed_s, first)} while {words}."
            )
            stuck.append((row, view.finding("stuck", view.numbers[row], "fail", evidence)))
            break
    for row, finding in stuck:
        view.failed[row] = "stuck"
        findings.append(finding)
    if speechless and not findings:
        findings.append(
            unable("stuck", "one channel, no set point and no duty in the log: nothing tells that it should move")
        )
    return findings


def _constant_stretches(view: View, row: int) -> list[tuple[int, int]]:
    """(first, last) sample of every stretch of one exact value of at least STUCK_FOR_S."""
    if view.longest_still_s[row] < _LOOKED_AT_FROM_S:
        return []
    with np.errstate(invalid="ignore"):
        moves = ~(view.size_of_change[row] < STILL_K)  # a gap ends a stretch
    edges = np.concatenate(([-1], np.flatnonzero(moves), [len(moves)]))
    first, last = edges[:-1] + 1, edges[1:]
    long_enough = view.elapsed_s[last] - view.elapsed_s[first] >= STUCK_FOR_S
    return [(int(a), int(b)) for a, b in zip(first[long_enough], last[long_enough], strict=True)]


def _others_moved(view: View, row: int, first: int, last: int) -> float | None:
    """How far the others moved meanwhile [K], the median of them; None when there is no other."""
    others = view.others(row)
    if not others:
        return None
    part = np.sort(view.filled[others, first : last + 1], axis=1)
    count = part.shape[1]
    edge = max(count // 20, min(2, (count - 1) // 4))  # without the outermost, so that spikes do not count as movement
    return float(np.median(part[:, -1 - edge] - part[:, edge]))


def _unanswered(view: View, row: int, first: int, last: int) -> str | None:
    """What was asked of the oven meanwhile without an answer, in words; None when that cannot be said."""
    if view.elapsed_s[last] - view.elapsed_s[first] < ALONE_FOR_S:
        return None
    level = float(view.filled[row, first])
    part = slice(first, last + 1)
    if view.duty is not None:
        smooth = _smoothed(np.nan_to_num(view.duty[part]), view.interval_s)
        if len(smooth) and np.ptp(smooth) >= ALONE_DUTY_CHANGE:
            return f"the duty went from {smooth.min():.2f} to {smooth.max():.2f}"
        if len(smooth) and level < COLD_BELOW_C and smooth.mean() >= ALONE_DUTY_CHANGE:
            return f"the duty was {smooth.mean():.2f}"
    if view.setpoint is not None:
        wanted = view.setpoint[part]
        rises = wanted.max() - level >= ALONE_SETPOINT_K and level < COLD_BELOW_C
        falls = wanted.max() >= level - 20.0 and wanted.min() <= level - ALONE_SETPOINT_K
        if (rises or falls) and np.ptp(wanted) >= ALONE_SETPOINT_K:
            return f"the set point moved by {np.ptp(wanted):.0f} K"
    return None


def _smoothed(duty: FloatArray, interval_s: float) -> FloatArray:
    """Mean over 30 s, so that switching on and off reads as its mean."""
    width = max(1, round(30.0 / interval_s))
    if len(duty) < width:
        return np.empty(0)
    total = np.concatenate(([0.0], np.cumsum(duty)))
    return (total[width:] - total[:-width]) / width


def check_twin(view: View) -> list[Finding]:
    """Domain: two or more channels that moved by 20 K."""
    rows = view.alive
    if len(rows) < 2:
        return [unable("twin", TWO_CHANNELS)]
    moved = np.ptp(view.filled, axis=1)
    rows = [row for row in rows if moved[row] >= TWIN_MOVED_K]
    if len(rows) < 2:
        return [unable("twin", FEW_MOVED)]
    findings: list[Finding] = []
    for place, second in enumerate(rows):
        for first in rows[:place]:
            evidence, state = _alike(view, first, second)
            if evidence:
                findings.append(view.finding("twin", view.numbers[second], state, evidence, danger=""))
                if state == "fail":
                    view.failed[second] = "twin"
                break
    return findings


def _alike(view: View, first: int, second: int) -> tuple[str, State]:
    gap = np.abs(view.values[first] - view.values[second])
    probe = gap[:: _probe_every(len(gap))]
    if np.count_nonzero(probe > 4 * TWIN_WITHIN_K) > 4:  # cheap way out for the usual case
        return "", "good"
    gap = gap[np.isfinite(gap)]
    if len(gap) < 10:
        return "", "good"
    same = float(np.count_nonzero(gap < 1e-6)) / len(gap)
    step = float(max(view.resolution_k[first], view.resolution_k[second]))
    names = f"{view.names[first]} and {view.names[second]}"
    if same >= TWIN_SAME_SHARE:
        state: State = "fail" if step <= TWIN_COARSE_K or same == 1.0 else "suspect"
        return f"{names} are equal in {100 * same:.1f} % of {len(gap)} samples.", state
    if step > TWIN_COARSE_K:
        return "", "good"
    width = max(1, round(10.0 / view.interval_s))
    signed = view.filled[first] - view.filled[second]
    blocks = signed[: len(signed) // width * width].reshape(-1, width).mean(axis=1)
    if len(blocks) >= 3 and float(np.abs(blocks).max()) <= TWIN_WITHIN_K:
        return f"{names} differ by at most {np.abs(blocks).max():.2f} K over every 10 s of the run.", "suspect"
    return "", "good"


def _probe_every(samples: int) -> int:
    return max(1, samples // 32)


def screen_stuck(many: Many) -> BoolArray:
    """Rows that repeat one value for nearly STUCK_FOR_S.

    A stretch of `still` equal samples holds a whole block of half that many, wherever it begins: only rows with a block
    of equal samples are followed through.
    """
    still = int(np.ceil(_LOOKED_AT_FROM_S / many.steps_s.max())) + 1
    block = max((still + 1) // 2, 1)
    blocks = many.values.shape[2] // block
    first = many.values[:, :, : blocks * block : block]
    same = np.ones(first.shape, dtype=bool)
    for place in range(1, block):
        same &= np.abs(many.values[:, :, place : blocks * block : block] - first) < block * STILL_K
        if not same.any():
            return many.nowhere
    run, row = np.nonzero(same.any(axis=2))
    found = many.nowhere
    if len(run):
        longest = np.array(many.shapes((run, row)).longest_still_s)
        found[run[longest >= _LOOKED_AT_FROM_S]] = True
    return found


def screen_twin(many: Many) -> BoolArray:
    """Pairs of rows that both move and are not seen to differ at a few moments."""
    rows = len(many.numbers)
    if rows < 2:
        many.answers.unable(slice(None), "twin", TWO_CHANNELS)
        return many.nowhere
    moved = many.highest - many.lowest >= TWIN_MOVED_K
    many.answers.unable(moved.sum(axis=1) < 2, "twin", FEW_MOVED)
    probe = np.ascontiguousarray(many.by_row[:, :, :: _probe_every(many.values.shape[2])])
    found = many.nowhere
    for second in range(1, rows):
        differ = (np.abs(probe[:second] - probe[second]) > 4 * TWIN_WITHIN_K).sum(axis=2) > 4
        found |= (~differ & moved[:, :second].T & moved[:, second]).any(axis=0)
    return found
