"""What only earlier runs can tell: channels that changed places, a tip that left the board, a control tip that moved."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from analysis.checks.history import History
from analysis.checks.texts import STOP_SENSOR
from analysis.checks.view import View, unable
from analysis.results import Finding

# A pattern of less than 4 K between two places cannot be told from tape and placement scatter.
PATTERN_K = 4.0
# A tip on the board lags air by 10 s and more; 4 s is beyond the scatter of a lag at 1 to 5 s samples.
LEAD_S = 4.0
# Twice the usual run-to-run scatter of a peak difference on one oven and board (about 2 K) and more.
SHIFT_K = 5.0
SHIFT_FAIL_K = 12.0
SCATTERS = 4.0
NO_HISTORY = "no earlier comparable run"
_CODES = ("swapped", "control_lifted", "lifted")


def check_placement(view: View) -> list[Finding]:
    """Domain: at least five earlier comparable runs, this run's peaks (and lags for `lifted`); two channels to see a
    swap, three to see one lifted tip, two beside the control channel to see the control tip."""
    history = view.history
    if history is None:
        return [unable(code, NO_HISTORY) for code in _CODES]
    rows = view.alive
    peaks = {row: view.metric("peak_c", view.numbers[row]) for row in rows}
    rows = [row for row in rows if peaks[row] is not None and view.names[row] in history.peak_c]
    if len(rows) < 2:
        reason = "needs two believable channels with a peak, here and in earlier runs"
        return [unable(code, reason) for code in _CODES]
    swapped = _swapped(view, history, rows)
    if any(f.state != "not evaluated" for f in swapped):
        reason = "channels have changed places"
        return [*swapped, unable("control_lifted", reason), unable("lifted", reason)]
    lifted = _lifted(view, history, rows)
    return [*swapped, *_control_lifted(view, history, rows), *lifted]


def _shift(view: View, history: History, first: int, second: int) -> tuple[float, float, float] | None:
    """(usual difference of the peaks first less second, its scatter, now) [K]; None when not known."""
    usual = history.peak_difference(view.names[first], view.names[second])
    mine, theirs = view.metric("peak_c", view.numbers[first]), view.metric("peak_c", view.numbers[second])
    if usual is None or mine is None or theirs is None:
        return None
    return usual.median, usual.scatter, mine - theirs


def _swapped(view: View, history: History, rows: list[int]) -> list[Finding]:
    """Exchanging two names explains this run's pattern, and leaving them does not.

    With two channels both peak difference and lag must turn round; with more, each other channel is a witness too.
    """
    best: tuple[float, int, int, float, float] | None = None
    speaks = False
    for first, second in combinations(rows, 2):
        pair = _shift(view, history, first, second)
        if pair is None:
            continue
        usual, scatter, now = pair
        noise = max(scatter, 1.0)
        evidence = [(usual, now, noise)]
        for other in rows:
            if other in (first, second):
                continue
            a, b = _shift(view, history, first, other), _shift(view, history, second, other)
            if a is None or b is None:
                continue
            # The swapped pair's readings against a third: each must take the other's usual place.
            evidence.append((a[0] - b[0], a[2] - b[2], max(a[1], b[1], 1.0)))
            keeps = abs((a[2] + b[2]) - (a[0] + b[0])) / 2.0
            if keeps > 3.0 * max(a[1], b[1], 1.0):
                evidence = []
                break
        lags = _lags(view, history, first, second)
        if lags is not None and abs(lags[0]) >= LEAD_S:
            evidence.append(lags)
        strong = [(u, x, s) for u, x, s in evidence if abs(u) >= max(PATTERN_K, SCATTERS * s)]
        if not strong:
            continue
        speaks = True
        mirrored = all(abs(x + u) <= max(3.0 * s, 0.35 * abs(u)) for u, x, s in strong)
        if mirrored:
            weight = sum(abs(u) / s for u, _, s in strong)
            if best is None or weight > best[0]:
                best = (weight, first, second, usual, now)
    if best is not None:
        _, first, second, usual, now = best
        evidence_text = (
            f"{view.names[first]} usually peaks {usual:+.0f} K from {view.names[second]}, now {now:+.0f} K, and the "
            f"other channels keep their places (n = {history.n})."
        )
        return [view.finding("swapped", view.numbers[first], "suspect", evidence_text)]
    if not speaks:
        return [unable("swapped", f"no two channels usually differ by more than {PATTERN_K:.0f} K and their scatter")]
    return []


def _lags(view: View, history: History, first: int, second: int) -> tuple[float, float, float] | None:
    """(usual lag of first less second, now, scatter) [s]."""
    usual = [history.lag_s.get(view.names[row]) for row in (first, second)]
    now = [view.metric("channel_lag_s", view.numbers[row]) for row in (first, second)]
    if usual[0] is None or usual[1] is None or now[0] is None or now[1] is None:
        return None
    scatter = max(usual[0].scatter, usual[1].scatter, 1.0)
    return usual[0].median - usual[1].median, now[0] - now[1], scatter


def _control_lifted(view: View, history: History, rows: list[int]) -> list[Finding]:
    code = "control_lifted"
    control = view.control_row
    if control is None:
        return [unable(code, "not recorded which channel steers the oven")]
    if control not in rows:
        return [unable(code, "the control channel is not believable in this run, or new")]
    pairs = [_shift(view, history, other, control) for other in rows if other != control]
    known = [pair for pair in pairs if pair is not None]
    if len(known) < 2:
        return [unable(code, "needs two channels beside the control channel")]
    shifts = np.array([now - usual for usual, _, now in known])
    needs = np.array([max(SHIFT_K, SCATTERS * scatter) for _, scatter, _ in known])
    together = bool((shifts > 0).all() or (shifts < 0).all())
    shift = float(np.median(shifts))
    # The control channel moves alone: the others keep their distance from each other.
    if not together or not (np.abs(shifts) >= 0.5 * needs).all() or abs(shift) < float(np.median(needs)):
        return []
    if float(np.ptp(shifts)) > 0.6 * abs(shift):
        return []
    state = "fail" if abs(shift) >= SHIFT_FAIL_K else "suspect"
    evidence = (
        f"The other {len(known)} channels peak {shift:+.0f} K from their usual distance to {view.names[control]}, which "
        f"steers the oven (n = {history.n})."
    )
    return [view.finding(code, view.numbers[control], state, evidence, danger=STOP_SENSOR)]


def _lifted(view: View, history: History, rows: list[int]) -> list[Finding]:
    code = "lifted"
    if len(rows) < 3:
        return [unable(code, "needs three channels, to say which one left the board")]
    found: list[tuple[float, int, str]] = []
    known = 0
    for row in rows:
        placement = view.context.placements.get(view.names[row])
        if placement is not None and placement[1] == "air":
            continue
        usual, now = history.lag_s.get(view.names[row]), view.metric("channel_lag_s", view.numbers[row])
        if usual is None or now is None:
            continue
        known += 1
        lead = usual.median - now
        if lead >= max(LEAD_S, SCATTERS * usual.scatter, 1.5 * view.interval_s):
            evidence = (
                f"{view.names[row]} usually lags the others by {usual.median:.0f} s, now by {now:.0f} s "
                f"(scatter {usual.scatter:.1f} s, n = {usual.n})."
            )
            found.append((lead, row, evidence))
    if not known:
        return [unable(code, "no lag known for any channel on the board, here and in earlier runs")]
    if not found:
        return []
    # One lifted tip moves the middle the others are measured against; the largest lead is the one.
    _, row, evidence = max(found)
    state = "fail" if row == view.control_row else "suspect"
    return [view.finding(code, view.numbers[row], state, evidence)]
