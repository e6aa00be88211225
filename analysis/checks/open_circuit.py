"""Open circuits and inputs at the end of their range, and channels with nothing plugged in."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.view import View, at
from analysis.idle_inputs import OFF_SCALE_ABOVE_C, OFF_SCALE_BELOW_C, is_idle
from analysis.results import Finding
from ingest.recording import Channel

# A reading lost for 10 s leaves a hole that no metric can bridge; shorter is a warning.
LOST_FOR_S = 10.0
# A step this large into one unchanging value is an input at its rail (0 °C, full scale), not a temperature.
RAIL_STEP_K = 40.0
RAIL_FOR_S = 5.0
RAIL_SAMPLES = 3
# The way back from a short excursion lands on an ordinary value, which a coarse log may then repeat.
RETURN_SAMPLES = 4


def check_open(view: View) -> list[Finding]:
    """Domain: every temperature channel. A channel that never carried a believable value is `missing`, unless the
    oven's placements, the control setting or earlier runs say that something should be plugged in there: then `fail`.
    """
    findings = [_nothing(view, number, "no value in the whole log") for number in view.empty]
    for row in view.alive:
        channel = view.recording.channels[view.numbers[row]]
        finding = _idle_input(view, row) or _off_scale(view, row) or _at_rail(view, row) or _marked(view, row, channel)
        finding = finding or _lost(view, row)
        if finding is not None:
            view.failed[row] = "open"
            findings.append(finding)
    return findings


def _nothing(view: View, number: int, evidence: str) -> Finding:
    name = view.recording.channels[number].name
    expected = (
        name in view.context.placements
        or name == view.context.control_channel
        or (view.history is not None and name in view.history.start_c)
    )
    if expected:
        return view.finding("open", number, "fail", f"{name}: {evidence}, and this channel is in use on this oven.")
    return view.finding("open", number, "missing", f"{name}: {evidence}; nothing seems to be plugged in.", danger="")


def _idle_input(view: View, row: int) -> Finding | None:
    """One value from first to last that no oven has: exactly 0, or off scale."""
    if not is_idle(view.values[row]):
        return None
    level = float(view.filled[row, 0]) + 0.0  # no "-0"
    return _nothing(view, view.numbers[row], f"reads {level:g} °C from first to last sample")


def _off_scale(view: View, row: int) -> Finding | None:
    reading = view.values[row]
    if reading.max() <= OFF_SCALE_ABOVE_C and reading.min() >= OFF_SCALE_BELOW_C:
        return None
    with np.errstate(invalid="ignore"):
        off = np.flatnonzero((reading > OFF_SCALE_ABOVE_C) | (reading < OFF_SCALE_BELOW_C))
    if len(off) == 0 or not _arrives_by_step(view, row, int(off[0])):
        return None
    seconds = len(off) * view.interval_s
    # A single reading at full scale passes the three-sample median of the peak; two do not.
    state = "fail" if seconds >= LOST_FOR_S or bool((np.diff(off) == 1).any()) else "suspect"
    return view.finding(
        "open",
        view.numbers[row],
        state,
        f"{view.names[row]} reads {reading[off[0]]:.0f} °C from {at(view.elapsed_s, off[0])}, off scale in {len(off)} "
        f"samples ({seconds:.0f} s).",
    )


def _arrives_by_step(view: View, row: int, first: int) -> bool:
    """Burn-out detection drives the reading to the end of its range in one step; one that climbs there by itself is
    heat (or scale), not an open circuit."""
    return first == 0 or np.isnan(view.values[row, first - 1]) or bool((view.jumps[row] == first - 1).any())


def _at_rail(view: View, row: int) -> Finding | None:
    """A step away into one exactly constant value that lasts."""
    reading = view.values[row]
    for before in view.jumps[row]:
        if view.size_of_change[row, before] < RAIL_STEP_K:
            continue
        first = int(before) + 1
        earlier = view.filled[row, max(0, first - 1 - RETURN_SAMPLES) : before]
        if len(earlier) and abs(float(reading[first] - np.median(earlier))) < RAIL_STEP_K / 2:
            continue
        differs = np.flatnonzero(reading[first:] != reading[first])
        last = first + (int(differs[0]) if len(differs) else len(reading) - first) - 1
        seconds = float(view.elapsed_s[last] - view.elapsed_s[first]) + view.interval_s
        if last - first + 1 >= RAIL_SAMPLES and seconds >= RAIL_FOR_S:
            return view.finding(
                "open",
                view.numbers[row],
                "fail",
                f"{view.names[row]} steps from {reading[before]:.0f} to {reading[first]:.0f} °C at "
                f"{at(view.elapsed_s, first)} and stays exactly there for {seconds:.0f} s.",
            )
    return None


def _marked(view: View, row: int, channel: Channel) -> Finding | None:
    """Fault markers the log itself carries."""
    if not channel.faults:
        return None
    missing = np.flatnonzero(np.isnan(view.values[row]))
    longest = _longest_s(view, missing)
    state = "fail" if longest >= LOST_FOR_S else "suspect"
    marker = channel.faults[0]
    return view.finding(
        "open",
        view.numbers[row],
        state,
        f'{view.names[row]} is marked "{marker.marker}" {len(channel.faults)} time(s), '
        f"first at {marker.elapsed_s:.0f} s, longest {longest:.0f} s.",
    )


def _lost(view: View, row: int) -> Finding | None:
    """The reading ends for good while others go on."""
    if not view.has_gaps or not np.isnan(view.values[row, -1]):
        return None
    last = int(np.flatnonzero(np.isfinite(view.values[row]))[-1])
    others = [other for other in range(len(view.names)) if other != row]
    seconds = float(view.elapsed_s[-1] - view.elapsed_s[last])
    if seconds < LOST_FOR_S or (others and not np.isfinite(view.values[others, -1]).any()):
        return None
    return view.finding(
        "open",
        view.numbers[row],
        "fail",
        f"{view.names[row]} has no value after {at(view.elapsed_s, last)}, {seconds:.0f} s before the end of the log.",
    )


def _longest_s(view: View, missing: np.ndarray) -> float:
    """Longest unbroken stretch of the given samples [s]."""
    if len(missing) == 0:
        return 0.0
    stretches = np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1)
    return max(float(view.elapsed_s[s[-1]] - view.elapsed_s[s[0]]) for s in stretches) + view.interval_s


def screen_open(many: Many) -> BoolArray:
    """Rows that are idle, off scale, at a rail after a step, or marked by the log."""
    if any(many.stack.columns[number].faults for number in many.numbers):
        return ~many.nowhere
    idle = (many.lowest == 0.0) & (many.highest == 0.0)
    off = (many.highest > OFF_SCALE_ABOVE_C) | (many.lowest < OFF_SCALE_BELOW_C)
    return many.jumps | (idle | off).any(axis=1)
