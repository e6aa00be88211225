"""What only earlier runs can tell: channels that changed places, a tip that left the board, a control tip that moved."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.checks.history import History
from analysis.checks.texts import STOP_SENSOR
from analysis.checks.view import View, unable
from analysis.results import Finding

# A pattern of less than 6 K between two places cannot be told from tape and placement scatter (3 K).
PATTERN_K = 6.0
# A difference in lag of 6 s is beyond what taping a tip anew does (about 2 s).
PATTERN_S = 6.0
# A tip on the board lags air by 10 s and more; 4 s is beyond the scatter of a lag at 1 to 5 s samples.
LEAD_S = 4.0
# Taping a tip anew or another load changes a long lag in proportion; a tip in air loses most of it.
LEAD_SHARE = 0.25
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
    with_peak = [
        row
        for row in rows
        if view.metric("peak_c", view.numbers[row]) is not None and view.names[row] in history.peak_c
    ]
    swapped = _swapped(view, history, with_peak)
    if any(f.state != "not evaluated" for f in swapped):
        reason = "channels have changed places"
        return [*swapped, unable("control_lifted", reason), unable("lifted", reason)]
    return [*swapped, *_control_lifted(view, history, with_peak), *_lifted(view, history, rows)]


def _shift(view: View, history: History, first: int, second: int) -> tuple[float, float, float] | None:
    """(usual difference of the peaks first less second, its scatter, now) [K]; None when not known."""
    usual = history.peak_difference(view.names[first], view.names[second])
    mine, theirs = view.metric("peak_c", view.numbers[first]), view.metric("peak_c", view.numbers[second])
    if usual is None or mine is None or theirs is None:
        return None
    return usual.median, usual.scatter, mine - theirs


def _swapped(view: View, history: History, rows: list[int]) -> list[Finding]:
    """Exchanging two names explains this run's pattern, and leaving them does not.

    Every other channel is a witness: each of the two must now stand to it as the other usually does (one channel that
    moved alone leaves the second where it was). The lags must change places too. Two channels alone must differ in
    both, peak and lag.
    """
    if len(rows) < 2:
        return [unable("swapped", "needs two believable channels whose peak is known, here and in earlier runs")]
    speaks = False
    for first, second in combinations(rows, 2):
        peak, lag = _shift(view, history, first, second), _lags(view, history, first, second)
        if peak is None:
            continue
        peaks_differ = abs(peak[0]) >= max(PATTERN_K, SCATTERS * peak[1])
        lags_differ = lag is not None and abs(lag.usual_first - lag.usual_second) >= max(
            PATTERN_S, SCATTERS * lag.scatter
        )
        witnesses = [other for other in rows if other not in (first, second)]
        if not (peaks_differ and lags_differ) and not (witnesses and (peaks_differ or lags_differ)):
            continue
        speaks = True
        turned = abs(peak[2] + peak[0]) <= _allowed_k(peak[1]) and (lag is None or lag.changed_places())
        if turned and all(_changed_places(view, history, first, second, other) for other in witnesses):
            names = f"{view.names[first]} and {view.names[second]}"
            words = (
                f"; lags {lag.now_first:+.0f} and {lag.now_second:+.0f} s, usually the other way round" if lag else ""
            )
            evidence = (
                f"{names}: peaks usually {peak[0]:+.0f} K apart, now {peak[2]:+.0f} K{words}; the other channels keep "
                f"their places (n = {history.n})."
            )
            return [view.finding("swapped", view.numbers[first], "suspect", evidence)]
    if not speaks:
        return [
            unable(
                "swapped", f"no two channels usually differ by {PATTERN_K:.0f} K or {PATTERN_S:.0f} s and their scatter"
            )
        ]
    return []


def _allowed_k(scatter: float) -> float:
    """How far a difference of two peaks may be from what is expected [K]: always less than a pattern."""
    return max(4.0, 3.0 * scatter)


def _changed_places(view: View, history: History, first: int, second: int, witness: int) -> bool:
    a, b = _shift(view, history, first, witness), _shift(view, history, second, witness)
    if a is None or b is None:
        return False
    allowed = _allowed_k(max(a[1], b[1]))
    return abs(a[2] - b[0]) <= allowed and abs(b[2] - a[0]) <= allowed


@dataclass(frozen=True)
class _Lags:
    """Lags of two channels behind the others [s], usual and now."""

    usual_first: float
    usual_second: float
    now_first: float
    now_second: float
    scatter: float

    def changed_places(self) -> bool:
        allowed = max(3.0, 3.0 * self.scatter)
        return abs(self.now_first - self.usual_second) <= allowed and abs(self.now_second - self.usual_first) <= allowed


def _lags(view: View, history: History, first: int, second: int) -> _Lags | None:
    usual = [history.lag_s.get(view.names[row]) for row in (first, second)]
    now = [view.metric("channel_lag_s", view.numbers[row]) for row in (first, second)]
    if usual[0] is None or usual[1] is None or now[0] is None or now[1] is None:
        return None
    scatter = max(usual[0].scatter, usual[1].scatter)
    return _Lags(usual[0].median, usual[1].median, now[0], now[1], scatter)


def _control_lifted(view: View, history: History, rows: list[int]) -> list[Finding]:
    code = "control_lifted"
    control = view.control_row
    if control is None:
        return [unable(code, "not recorded which channel steers the oven")]
    if control not in rows:
        return [unable(code, "the control channel has no usual or no present peak, or is not believable")]
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
        need = max(LEAD_S, SCATTERS * usual.scatter, LEAD_SHARE * abs(usual.median), 1.5 * view.interval_s)
        if lead >= need:
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
