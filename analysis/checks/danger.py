"""Heat that nobody asked for: a temperature that rises with the command at zero, or runs away past the set point."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import ROUNDING, BoolArray, Many
from analysis.checks.texts import STOP_HEAT, STOP_RUNAWAY
from analysis.checks.view import FloatArray, View, at, middle_of, unable
from analysis.results import Finding

# A command below 2 % is zero: no heater element warms an oven on that.
ZERO_DUTY = 0.02
# Elements and hot air go on heating a board after the power is cut: half of it is over within 30 s in a small oven.
# After 45 s what is left falls with a time constant of at most a minute; a failed switch keeps the slope.
STORED_HEAT_S = 45.0
# From a cold start there is no stored heat.
STORED_HEAT_COLD_S = 10.0
COLD_BELOW_C = 40.0
RISE_K = 10.0
# (seconds watched, least share of the first half's rise that the second half keeps). Stored heat with a time constant of
# 60 s keeps 0.78 from one 15 s half to the next and 0.61 at 30 s; an oven that is fed and settles with 150 s or more
# keeps 0.90 and 0.82. The longer watch sees through scatter, the shorter sees a log that ends soon.
WATCHES = ((30.0, 0.85), (60.0, 0.72))
# An oven that cools with a time constant of 1000 s (well insulated, door shut) still loses 6 K in a minute from 100 K
# above the room. One that does not fall at all is fed.
COOLS_OVER_S = 60.0
COOLS_LEAST_K = 1.0
HOT_ABOVE_ROOM_K = 100.0
ROOM_C = 25.0
# Without a logged command, a set point this far below the coldest channel asks for no heat.
SETPOINT_BELOW_K = 20.0

# Converted kitchen ovens overshoot by 20 to 30 K. Where the log shows that the heater is still fed up there, that is
# no overshoot; where it shows nothing, more is asked (on-off control of a heavy board was seen to pass by 40 K in a model).
RUNAWAY_ABOVE_K = 30.0
RUNAWAY_ABOVE_UNSEEN_K = 50.0
RUNAWAY_FED = 0.1
RUNAWAY_RISE_K = 10.0
RUNAWAY_OVER_S = 20.0
# The set point of the last minute counts: when it has just fallen, stored heat still carries a board upwards.
RUNAWAY_RECENT_S = 60.0
# The highest body ceiling of J-STD-020 is 260 °C; no solder profile takes a whole oven 40 K above it.
RUNAWAY_WITHOUT_SETPOINT_C = 300.0
# Small ovens reach 3 to 4 K/s at full power.
RUNAWAY_RATE_C_PER_S = 6.0
NO_COMMAND = "neither duty nor set point in the log"


def check_heat_at_zero(view: View) -> list[Finding]:
    """Domain: a logged duty, or a set point far below the oven; one believable channel at least."""
    rows = view.alive
    if not rows:
        return [unable("heat_at_zero_command", "no believable temperature channel")]
    if view.duty is not None:
        with np.errstate(invalid="ignore"):
            is_zero = view.duty <= ZERO_DUTY
        words = "the logged duty is zero"
        state = "fail"
    elif view.setpoint is not None:
        is_zero = view.setpoint <= view.filled[rows].min(axis=0) - SETPOINT_BELOW_K
        words = f"the set point is more than {SETPOINT_BELOW_K:.0f} K below the coldest channel"
        state = "suspect"
    else:
        return [unable("heat_at_zero_command", NO_COMMAND)]
    middle = view.middle(rows)
    hottest = view.filled[rows].max(axis=0) if len(rows) > 1 else middle
    for first, last in _stretches(is_zero):
        cold = first == 0 and middle[0] < COLD_BELOW_C
        wait = STORED_HEAT_COLD_S if cold else STORED_HEAT_S
        tries = (_keeps_rising(view.elapsed_s, middle, hottest, first, last, wait, *watch) for watch in WATCHES)
        found = next((found for found in tries if found is not None), None)
        does = "rises by"
        if found is None:
            found = _does_not_cool(view, middle, hottest, first, last)
            does = "does not cool but changes by"
        if found is None:
            continue
        begin, end, rise = found
        evidence = (
            f"The oven {does} {rise:+.0f} K from {at(view.elapsed_s, begin)} to {at(view.elapsed_s, end)} "
            f"({middle[end]:.0f} °C) while {words} since {at(view.elapsed_s, first)}."
        )
        return [view.finding("heat_at_zero_command", None, state, evidence, danger=STOP_HEAT)]
    return []


def _stretches(mask: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) sample of every unbroken stretch where mask holds."""
    padded = np.concatenate(([False], mask, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _keeps_rising(
    elapsed_s: FloatArray,
    middle: FloatArray,
    hottest: FloatArray,
    first: int,
    last: int,
    wait_s: float,
    watch_s: float,
    keeps: float,
) -> tuple[int, int, float] | None:
    """(begin, end, rise [K]) of the first window that rises without losing slope after the wait; else None."""
    begin = int(np.searchsorted(elapsed_s, elapsed_s[first] + wait_s))
    while begin <= last and elapsed_s[last] - elapsed_s[begin] >= watch_s:
        mid = min(int(np.searchsorted(elapsed_s, elapsed_s[begin] + watch_s / 2.0)), last)
        end = min(int(np.searchsorted(elapsed_s, elapsed_s[begin] + watch_s)), last)
        rise = float(middle[end] - middle[begin])
        early, late = middle[mid] - middle[begin], middle[end] - middle[mid]
        if rise >= RISE_K and late >= keeps * early and hottest[end] - hottest[begin] >= RISE_K / 2:
            return begin, end, rise
        begin = mid if mid > begin else begin + 1
    return None


def _does_not_cool(
    view: View, middle: FloatArray, hottest: FloatArray, first: int, last: int
) -> tuple[int, int, float] | None:
    """(begin, end, change [K]) of the last minute of the stretch, if the hot oven did not fall in it; else None."""
    time = view.elapsed_s
    begin = int(np.searchsorted(time, time[last] - COOLS_OVER_S))
    room = view.context.ambient_c if view.context.ambient_c is not None else ROOM_C
    if time[begin] - time[first] < STORED_HEAT_S or middle[last] - room < HOT_ABOVE_ROOM_K:
        return None
    noise = 2.0 * float(view.noise_k.max()) + float(view.resolution_k.max())
    change = float(middle[last] - middle[begin])
    if change < -COOLS_LEAST_K - noise or hottest[last] - hottest[begin] < -COOLS_LEAST_K - noise:
        return None
    return begin, last, change


def check_runaway(view: View) -> list[Finding]:
    """Domain: one believable channel at least; a set point makes it sharper."""
    rows = view.alive
    if not rows:
        return [unable("runaway", "no believable temperature channel")]
    blocks = view.filled[rows]
    middle = middle_of(blocks)
    time = view.elapsed_s
    ahead = np.minimum(np.searchsorted(time, time + RUNAWAY_OVER_S), len(time) - 1)
    span = time[ahead] - time
    rise = middle[ahead] - middle
    whole = span >= 0.9 * RUNAWAY_OVER_S
    steep = whole & (rise >= RUNAWAY_RATE_C_PER_S * span)
    # A cold board in a hot oven rises without any heat, but then the hottest place does not.
    hottest = blocks.max(axis=0)
    rising = whole & (rise >= RUNAWAY_RISE_K) & (hottest[ahead] - hottest >= RUNAWAY_RISE_K / 2)
    if view.setpoint is not None:
        # The coldest channel: with the control tip on a heavy board, air tips lead the set point by more than this.
        coldest = blocks.min(axis=0)
        recent = _recent_highest(view.setpoint, view.interval_s, known=bool(middle[0] < COLD_BELOW_C))
        # A channel left out as not believable may have been the cold one that steers.
        limit = RUNAWAY_ABOVE_UNSEEN_K if view.duty is None or view.failed else RUNAWAY_ABOVE_K
        away = rising & (coldest - recent >= limit) & (coldest[ahead] - coldest >= RUNAWAY_RISE_K)
        words = f"with every channel already {limit:.0f} K or more above the set point"
        if view.duty is not None and away.any():
            fed = np.concatenate(([0.0], np.cumsum(np.nan_to_num(view.duty[:-1]) * view.steps_s)))
            away &= fed[ahead] - fed >= RUNAWAY_FED * span
    else:
        away = rising & (middle >= RUNAWAY_WITHOUT_SETPOINT_C)
        words = f"already above {RUNAWAY_WITHOUT_SETPOINT_C:.0f} °C"
    if away.any():
        k = int(np.argmax(away))
        evidence = (
            f"The oven rises by {rise[k]:.0f} K in {span[k]:.0f} s from {at(time, k)} ({middle[k]:.0f} °C), {words}."
        )
    elif steep.any():
        k = int(np.argmax(steep))
        evidence = (
            f"The oven rises by {rise[k]:.0f} K in {span[k]:.0f} s from {at(time, k)}: faster than "
            f"{RUNAWAY_RATE_C_PER_S:.0f} °C/s, more than a small oven's full power."
        )
    else:
        return []
    return [view.finding("runaway", None, "fail", evidence, danger=STOP_RUNAWAY)]


def _recent_highest(setpoint: FloatArray, interval_s: float, *, known: bool) -> FloatArray:
    """Highest set point of the last RUNAWAY_RECENT_S at each moment [°C].

    `known` False: the log starts hot, what was asked for before is unknown and may have been anything.
    """
    width = min(max(1, round(RUNAWAY_RECENT_S / interval_s)), len(setpoint))
    padded = np.concatenate((np.full(width - 1, setpoint[0] if known else np.inf), setpoint))
    return np.lib.stride_tricks.sliding_window_view(padded, width).max(axis=1)


def screen_heat_at_zero(many: Many) -> BoolArray:
    """Runs that, with the command at zero, rise by RISE_K in one of the watches, or end a stretch of it hot without
    having cooled."""
    (duty, with_duty), (setpoint, with_setpoint) = many.duty, many.setpoint
    many.answers.unable(~with_duty & ~with_setpoint, "heat_at_zero_command", NO_COMMAND)
    runs = np.flatnonzero(with_duty | with_setpoint)
    found = many.nowhere
    if len(runs) == 0:
        return found
    zero = np.zeros((len(runs), len(many.elapsed_s)), dtype=bool)
    of_duty = with_duty[runs]
    with np.errstate(invalid="ignore"):
        if of_duty.any():
            zero[of_duty] = duty[runs[of_duty]] <= ZERO_DUTY
        if not of_duty.all():
            other = runs[~of_duty]
            zero[~of_duty] = setpoint[other] <= many.values[other].min(axis=1) - SETPOINT_BELOW_K
    time, middle = many.elapsed_s, many.middle[runs]
    n = len(time)
    asked = np.zeros((len(runs), n + 1), dtype=np.int64)
    np.cumsum(~zero, axis=1, out=asked[:, 1:])
    fed = many.nowhere[: len(runs)]
    for watch, _ in WATCHES:
        end = np.minimum(np.searchsorted(time, time + watch), n - 1)
        # a stretch that ends a sample before the watch is over counts too: its last sample stands for the end
        for last in (end, np.maximum(end - 1, 0)):
            unasked = asked[:, last + 1] == asked[:, :n]
            fed |= (unasked & (middle[:, last] - middle >= RISE_K - ROUNDING)).any(axis=1)
    ends = zero.copy()
    ends[:, :-1] &= ~zero[:, 1:]
    run, last = np.nonzero(ends)
    begin = np.searchsorted(time, time[last] - COOLS_OVER_S)
    since = np.searchsorted(time, time[begin] - STORED_HEAT_S + ROUNDING, side="right") - 1
    room = np.array([ROOM_C if c.ambient_c is None else c.ambient_c for c in many.contexts])[runs][run]
    hot = (since >= 0) & (middle[run, last] - room >= HOT_ABOVE_ROOM_K - ROUNDING)
    fed[run[hot & (asked[run, last + 1] == asked[run, np.maximum(since, 0)])]] = True
    found[runs] = fed
    return found


def screen_runaway(many: Many) -> BoolArray:
    """Runs steeper than RUNAWAY_RATE_C_PER_S, or that rise above any profile, or well above the set point of the moment
    (that of the last minute is no lower)."""
    time = many.elapsed_s
    ahead = np.minimum(np.searchsorted(time, time + RUNAWAY_OVER_S), len(time) - 1)
    span = time[ahead] - time
    whole = np.flatnonzero(span >= 0.9 * RUNAWAY_OVER_S)
    if len(whole) == 0:
        return many.nowhere
    even = (
        int(whole[-1]) - int(whole[0]) == len(whole) - 1 and int(ahead[whole[-1]] - ahead[whole[0]]) == len(whole) - 1
    )
    here = slice(int(whole[0]), int(whole[-1]) + 1) if even else whole
    there = slice(int(ahead[whole[0]]), int(ahead[whole[-1]]) + 1) if even else ahead[whole]
    rise = many.middle[:, there] - many.middle[:, here]
    found = (rise >= RUNAWAY_RATE_C_PER_S * span[here] - ROUNDING).any(axis=1)
    setpoint, logged = many.setpoint
    found |= ~logged & (many.highest >= RUNAWAY_WITHOUT_SETPOINT_C - ROUNDING).any(axis=1)
    if logged.any():
        runs = np.flatnonzero(logged)
        coldest = many.by_row[:, runs].min(axis=0)
        above = coldest[:, here] - setpoint[runs][:, here] >= RUNAWAY_ABOVE_K - ROUNDING
        rising = (rise[runs] >= RUNAWAY_RISE_K - ROUNDING) & (
            coldest[:, there] - coldest[:, here] >= RUNAWAY_RISE_K - ROUNDING
        )
        found[runs] |= (above & rising).any(axis=1)
    return found
