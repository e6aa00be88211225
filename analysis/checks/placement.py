"""What only earlier runs can tell: channels that changed places, a tip that left the board, a control tip that moved."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analysis.checks.history import History, UsualOfMany
from analysis.checks.many import ROUNDING, BoolArray
from analysis.checks.texts import STOP_SENSOR
from analysis.checks.view import View, middle_value, unable
from analysis.results import Context, Finding
from ingest.recording import FloatArray

# A pattern of less than 6 K between two places cannot be told from tape and placement scatter (3 K).
PATTERN_K = 6.0
# A difference in lag of 6 s is beyond what taping a tip anew does (about 2 s).
PATTERN_S = 6.0
# A tip on the board lags air by 10 s and more, and loses most of that when it lifts.
LEAD_S = 8.0
LEAD_SCATTERS = 5.0
# Taping a tip anew or another load changes a long lag in proportion; a tip in air loses most of it.
LEAD_SHARE = 0.25
# Twice the usual run-to-run scatter of a peak difference on one oven and board (about 2 K) and more.
SHIFT_K = 5.0
SHIFT_FAIL_K = 12.0
SCATTERS = 4.0
# Taping a tip anew moves peak and lag by about 1 K and 1 s, whatever a few earlier runs say.
LEAST_SCATTER = 1.0
# A long lag changes in proportion: a tip pressed on better or worse has a time constant of 6 % more or less in the simulator,
# and what is on the rack moves it further.
LAG_SHARE = 0.1
# A pattern fits when its values are within twice their scatter, root mean square, or when whatever else could be costs three
# times as much: ten earlier runs do not know the scatter better than to a third, and a day with other tape is off by more.
# Another explanation is worse when the squares differ by 10 (odds of 150 to 1), and for "as usual" by 20, because swaps are
# rare.
FITS_PER_VALUE = 4.0
FITS_BEST_BY = 3.0
WORSE = 10.0
CLEARLY_WORSE = 20.0
NO_HISTORY = "no earlier comparable run"
_CODES = ("swapped", "control_lifted", "lifted")
TWO_PEAKS = "needs two believable channels whose peak is known, here and in earlier runs"
NO_PATTERN = "no two channels usually differ clearly in peak or lag"
NO_CONTROL = "not recorded which channel steers the oven"
CONTROL_UNKNOWN = "the control channel has no usual or no present peak, or is not believable"
TWO_BESIDE = "needs two channels beside the control channel"
THREE_CHANNELS = "needs three channels, to say which one left the board"
NO_LAG = "no lag known for any channel on the board, here and in earlier runs"


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
    """Exchanging two names explains peaks and lags; leaving them, or moving any one channel, does not.

    Costs are sums of squares in units of the usual scatter, with a shift of all peaks free. With two channels a single
    moved one explains everything, so there both, peaks and lags, must usually differ.
    """
    if len(rows) < 2:
        return [unable("swapped", TWO_PEAKS)]
    pattern = _pattern(view, history, rows)
    places = range(len(rows))
    swaps = [(i, j) for i, j in combinations(places, 2) if pattern.shows(i, j, both=len(rows) == 2)]
    if not swaps:
        return [unable("swapped", NO_PATTERN)]
    as_usual = pattern.cost(np.arange(len(rows)))
    if as_usual < CLEARLY_WORSE:
        return []
    cost, i, j = min((pattern.cost(_exchanged(len(rows), i, j)), i, j) for i, j in swaps)
    one_moved = min(pattern.cost(np.arange(len(rows)), free=k) for k in places) if len(rows) > 2 else np.inf
    fits = cost <= max(FITS_PER_VALUE * (2 * len(rows) - 1), min(as_usual, one_moved) / FITS_BEST_BY)
    if not fits or as_usual < cost + CLEARLY_WORSE or one_moved < cost + WORSE:
        return []
    first, second = rows[i], rows[j]
    evidence = (
        f"{view.names[first]} and {view.names[second]}: peaks usually {pattern.usual_k[i] - pattern.usual_k[j]:+.0f} K "
        f"apart, now {pattern.now_k[i] - pattern.now_k[j]:+.0f} K; each has the other's usual place and lag "
        f"(n = {history.n})."
    )
    return [view.finding("swapped", view.numbers[first], "suspect", evidence)]


@dataclass(frozen=True)
class _Pattern:
    """Peaks [°C] and lags [s] of the channels, usual and now; NaN where a lag is not known. Scatter of one channel's peak,
    of its lag (`scatter_s` the middle of all; see `lag_scatter_s`)."""

    usual_k: FloatArray
    now_k: FloatArray
    usual_s: FloatArray
    now_s: FloatArray
    scatter_k: float
    scatter_s: float

    def cost(self, order: np.ndarray, free: int | None = None) -> float:
        """How badly the usual pattern, channels taken in `order`, explains now. `free`: a channel that may be anywhere."""
        counted = np.ones(len(order), dtype=bool)
        if free is not None:
            counted[free] = False
        peaks = (self.now_k - self.usual_k[order])[counted]
        lags = (self.now_s - self.usual_s[order])[counted]
        lags = lags / lag_scatter_s(self.scatter_s, self.usual_s[order])[counted]
        return float((((peaks - peaks.mean()) / self.scatter_k) ** 2).sum() + np.nansum(lags**2))

    def shows(self, i: int, j: int, *, both: bool) -> bool:
        """Whether an exchange of i and j would show."""
        peaks = abs(self.usual_k[i] - self.usual_k[j]) >= max(PATTERN_K, SCATTERS * self.scatter_k)
        lags = abs(self.usual_s[i] - self.usual_s[j]) >= max(PATTERN_S, SCATTERS * self.scatter_s)
        return bool(peaks and lags) if both else bool(peaks or lags)


def lag_scatter_s(middle_s: float | FloatArray, usual_s: FloatArray) -> FloatArray:
    """Scatter [s] that the lag of a channel has on the day: the middle of all channels' in earlier runs, or its share."""
    return np.maximum(middle_s, LAG_SHARE * np.abs(usual_s))


def _exchanged(count: int, i: int, j: int) -> np.ndarray:
    order = np.arange(count)
    order[[i, j]] = order[[j, i]]
    return order


def _pattern(view: View, history: History, rows: list[int]) -> _Pattern:
    names = [view.names[row] for row in rows]
    pairs = [history.peak_difference(a, b) for a, b in combinations(names, 2)]
    # Ten runs tell one pair's scatter to a third only; the middle of all steadies it. A pair has sqrt(2) of one.
    scatter = middle_value([p.scatter for p in pairs if p is not None] or [0.0]) / 2.0**0.5
    lags = [history.lag_s.get(name) for name in names]
    scatter_s = middle_value([lag.scatter for lag in lags if lag is not None] or [0.0])

    def now(metric: str) -> FloatArray:
        values = [view.metric(metric, view.numbers[row]) for row in rows]
        return np.array([np.nan if value is None else value for value in values])

    return _Pattern(
        np.array([history.peak_c[name].median for name in names]),
        now("peak_c"),
        np.array([np.nan if lag is None else lag.median for lag in lags]),
        now("channel_lag_s"),
        max(scatter, LEAST_SCATTER),
        max(scatter_s, LEAST_SCATTER),
    )


def _control_lifted(view: View, history: History, rows: list[int]) -> list[Finding]:
    code = "control_lifted"
    control = view.control_row
    if control is None:
        return [unable(code, NO_CONTROL)]
    if control not in rows:
        return [unable(code, CONTROL_UNKNOWN)]
    pairs = [_shift(view, history, other, control) for other in rows if other != control]
    known = [pair for pair in pairs if pair is not None]
    if len(known) < 2:
        return [unable(code, TWO_BESIDE)]
    shifts = np.array([now - usual for usual, _, now in known])
    needs = np.array([max(SHIFT_K, SCATTERS * scatter) for _, scatter, _ in known])
    together = bool((shifts > 0).all() or (shifts < 0).all())
    shift = middle_value(shifts)
    # The control channel moves alone: the others keep their distance from each other.
    if not together or not (np.abs(shifts) >= 0.5 * needs).all() or abs(shift) < middle_value(needs):
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
        return [unable(code, THREE_CHANNELS)]
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
        need = max(LEAD_S, LEAD_SCATTERS * usual.scatter, LEAD_SHARE * abs(usual.median), 1.5 * view.interval_s)
        if lead >= need:
            evidence = (
                f"{view.names[row]} usually lags the others by {usual.median:.0f} s, now by {now:.0f} s "
                f"(scatter {usual.scatter:.1f} s, n = {usual.n})."
            )
            found.append((lead, row, evidence))
    if not known:
        return [unable(code, NO_LAG)]
    if not found:
        return []
    # One lifted tip moves the middle the others are measured against; the largest lead is the one.
    _, row, evidence = max(found)
    state = "fail" if row == view.control_row else "suspect"
    return [view.finding(code, view.numbers[row], state, evidence)]


def screen_placement(
    names: Sequence[str],
    contexts: Sequence[Context],
    interval_s: FloatArray,
    peak_c: FloatArray,
    lag_s: FloatArray,
    usual: UsualOfMany,
    unable_at: Callable[[BoolArray, str, str], None],
) -> BoolArray:
    """Runs whose peaks or lags are not as usual. `peak_c`, `lag_s` (runs, rows), NaN where not known."""
    rows = len(names)
    for code in _CODES:
        unable_at(~usual.known, code, NO_HISTORY)
    both = ~np.isnan(peak_c) & ~np.isnan(usual.peak_c)
    # where only some are known, the check finds its way about them
    found = usual.known & both.any(axis=1) & ~both.all(axis=1)
    whole = usual.known & ~found
    none = whole & (~both.all(axis=1) if rows > 1 else True)
    unable_at(none, "swapped", TWO_PEAKS)
    found |= _may_be_swapped(whole & ~none, peak_c, lag_s, usual, unable_at) if rows > 1 else False
    found |= _control_may_be_lifted(names, contexts, whole, np.asarray(both.all(axis=1)), peak_c, usual, unable_at)
    if rows < 3:
        unable_at(usual.known, "lifted", THREE_CHANNELS)
        return found
    air = np.zeros((len(contexts), rows), dtype=bool)
    for run, context in enumerate(contexts):
        if context.placements:
            air[run] = [(context.placements.get(name) or (None, None))[1] == "air" for name in names]
    known = ~np.isnan(lag_s) & ~np.isnan(usual.lag_s) & ~air
    unable_at(usual.known & ~known.any(axis=1), "lifted", NO_LAG)
    need = np.maximum(np.maximum(LEAD_S, 1.5 * interval_s)[:, None], LEAD_SCATTERS * usual.lag_scatter_s)
    need = np.maximum(need, LEAD_SHARE * np.abs(usual.lag_s)) - ROUNDING
    found |= usual.known & (known & ~(usual.lag_s - lag_s < need)).any(axis=1)
    return found


def _may_be_swapped(
    asked: BoolArray,
    peak_c: FloatArray,
    lag_s: FloatArray,
    usual: UsualOfMany,
    unable_at: Callable[[BoolArray, str, str], None],
) -> BoolArray:
    """Runs whose pattern is not surely as usual; says where no exchange would show."""
    rows = peak_c.shape[1]
    first, second = np.triu_indices(rows, 1)
    scatter_k = _middle_of_known(usual.peak_difference_scatter_k[:, first, second]) / 2.0**0.5
    scatter_k, scatter_s = (
        np.maximum(scatter_k, LEAST_SCATTER),
        np.maximum(_middle_of_known(usual.lag_scatter_s), LEAST_SCATTER),
    )
    apart_k = np.abs(usual.peak_c[:, first] - usual.peak_c[:, second])
    apart_s = np.abs(usual.lag_s[:, first] - usual.lag_s[:, second])
    need_k = np.maximum(PATTERN_K, SCATTERS * scatter_k)[:, None]
    need_s = np.maximum(PATTERN_S, SCATTERS * scatter_s)[:, None]
    unsure = ((np.abs(apart_k - need_k) < ROUNDING) | (np.abs(apart_s - need_s) < ROUNDING)).any(axis=1)
    shows = (apart_k >= need_k) & (apart_s >= need_s) if rows == 2 else (apart_k >= need_k) | (apart_s >= need_s)
    unable_at(asked & ~unsure & ~shows.any(axis=1), "swapped", NO_PATTERN)
    peaks, lags = peak_c - usual.peak_c, lag_s - usual.lag_s
    peaks = peaks - peaks.mean(axis=1, keepdims=True)
    lags = lags / lag_scatter_s(scatter_s[:, None], usual.lag_s)
    cost = ((peaks / scatter_k[:, None]) ** 2).sum(axis=1) + np.nansum(lags**2, axis=1)
    as_usual = cost < CLEARLY_WORSE * (1.0 - ROUNDING)
    return asked & (unsure | (shows.any(axis=1) & ~as_usual))


def _middle_of_known(values: FloatArray) -> FloatArray:
    """Median of each run's values that are known, 0 where none is."""
    if values.shape[1] == 0:
        return np.zeros(len(values))
    count = (~np.isnan(values)).sum(axis=1)
    ordered = np.sort(values, axis=1)
    runs = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[1] - 1)
    return np.where(count > 0, 0.5 * (ordered[runs, low] + ordered[runs, high]), 0.0)


def _control_may_be_lifted(
    names: Sequence[str],
    contexts: Sequence[Context],
    whole: BoolArray,
    with_peaks: BoolArray,
    peak_c: FloatArray,
    usual: UsualOfMany,
    unable_at: Callable[[BoolArray, str, str], None],
) -> BoolArray:
    """Runs whose other channels do not keep their usual distance to the control channel."""
    code = "control_lifted"
    rows = len(names)
    control = np.array([names.index(c.control_channel) if c.control_channel in names else -1 for c in contexts])
    unable_at(whole & (control < 0), code, NO_CONTROL)
    asked = whole & (control >= 0)
    unable_at(asked & ~with_peaks, code, CONTROL_UNKNOWN)
    asked = asked & with_peaks
    found = np.zeros(len(contexts), dtype=bool)
    if rows < 3:
        unable_at(asked, code, TWO_BESIDE)
        return found
    for row in np.unique(control[asked]).tolist():
        others = [other for other in range(rows) if other != row]
        usually = usual.peak_difference_k[:, others, row]
        shifts = np.sort(peak_c[:, others] - peak_c[:, [row]] - usually, axis=1)
        half = len(others) // 2
        middle = shifts[:, half] if len(others) % 2 else 0.5 * (shifts[:, half - 1] + shifts[:, half])
        as_usual = ~np.isnan(shifts[:, -1]) & (np.abs(middle) < SHIFT_K - ROUNDING)
        found |= asked & (control == row) & ~as_usual
    return found
