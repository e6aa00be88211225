"""The set points a controller was given, as corner points: the identity of a profile.

A profile is known by what it commands, not by its name. The set-point channel is reduced to the corner points of its
straight pieces, with idle stretches before and after left out, rounded to 1 s and 1 °C, and hashed. Two runs of one
profile may still round to different seconds (a step falls between two samples, a first ramp starts at another room
temperature), so `same_profile` compares two tables within stated tolerances before a new profile is made.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence

import numpy as np

from ingest.recording import FloatArray, Recording

IDLE_C = 40.0  # a set point at or below this commands no soldering heat: controllers idle at 0 or at room temperature
CORNER_TOLERANCE_C = 1.0  # set points logged in whole degrees stand up to 0.5 °C off their line; twice that is a corner
TIME_SLACK_S = 2.0  # rounding of both tables (1 s each); the sample interval is added by the caller
RATE_SLACK = 0.03  # first ramps from another room temperature keep their rate; 3 % is about 1 s in 30 s

Corner = tuple[int, int]
Table = tuple[Corner, ...]


def setpoint_table(recording: Recording) -> Table:
    """Corner points of the set-point channel.

    Returns
    -------
    ((elapsed_s [s, whole], set point [°C, whole]), ...), time counted from the end of the idle stretch before the
    profile. A step is two corners at one time. Empty when the run has no set-point channel, when the channel never
    leaves idle, or when fewer than two values are present. With several set-point channels the first is taken. The end
    of a last hold is left out: it is where the log stopped, not what was commanded. Missing values are skipped.
    """
    channels = recording.of_role("setpoint")
    if not channels:
        return ()
    values = channels[0].values
    present = np.isfinite(values)
    t, v = recording.elapsed_s[present], values[present]
    if len(t) < 2 or float(v.max()) <= IDLE_C:
        return ()
    interval = float(np.median(np.diff(t)))
    t, v = _without_idle(t, v)
    corners = _simplified(_corners(t, v, interval), interval)
    if len(corners) > 1 and abs(corners[-1][1] - corners[-2][1]) <= CORNER_TOLERANCE_C / 2:
        corners = corners[:-1]
    origin = corners[0][0]
    rounded: list[Corner] = []
    for at, value in corners:
        corner = (round(at - origin), round(value))
        if not rounded or corner != rounded[-1]:
            rounded.append(corner)
    return tuple(rounded)


def table_hash(table: Sequence[Sequence[float]]) -> str | None:
    """SHA-256 of a table of corner points (whole seconds, whole °C), or None for an empty table."""
    if not table:
        return None
    text = json.dumps([[round(at), round(value)] for at, value in table], separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def setpoint_hash(recording: Recording) -> str | None:
    """SHA-256 of the corner points of this run's set points, or None when there are none."""
    return table_hash(setpoint_table(recording))


def same_profile(one: Sequence[Corner], other: Sequence[Corner], interval_s: float = 1.0) -> bool:
    """True when two tables command the same profile within rounding and sampling.

    Every corner agrees within 1 °C, and in time within 2 s plus one sample interval [s]. A first ramp that starts at or
    below 40 °C may start at another room temperature: then its rate must agree within 3 %, or its length in time, and
    the other times are compared from the end of that ramp.
    """
    if len(one) != len(other) or not one:
        return False
    slack = TIME_SLACK_S + interval_s
    if _close(one, other, slack):
        return True
    if len(one) < 3 or max(one[0][1], other[0][1]) > IDLE_C or abs(one[1][1] - other[1][1]) > 1:
        return False
    lengths = one[1][0] - one[0][0], other[1][0] - other[0][0]
    if min(lengths) <= 0:
        return False
    rates = (one[1][1] - one[0][1]) / lengths[0], (other[1][1] - other[0][1]) / lengths[1]
    ramp_agrees = abs(lengths[0] - lengths[1]) <= slack or abs(rates[0] - rates[1]) <= RATE_SLACK * max(rates)
    return ramp_agrees and _close(_from_second(one), _from_second(other), slack)


def stopped_early(table: Sequence[Corner], whole: Sequence[Corner], interval_s: float = 1.0, least: int = 3) -> bool:
    """True when `table` is the beginning of `whole`: its corners (`least` or more) are the first ones of `whole`, but
    for a last one, where it was stopped, that lies on the next piece (within 2 °C) before that piece ends; a step to
    idle behind it is the stop itself."""
    fell_at_once = len(table) > least and table[-1][0] - table[-2][0] <= TIME_SLACK_S + interval_s
    if fell_at_once and table[-1][1] <= IDLE_C < table[-2][1]:
        return stopped_early(table[:-1], whole, interval_s, least)
    if least <= len(table) < len(whole) and same_profile(table, whole[: len(table)], interval_s):
        return True
    shared = len(table) - 1
    if not least <= shared < len(whole) or not same_profile(table[:shared], whole[:shared], interval_s):
        return False
    late = table[shared - 1][0] - whole[shared - 1][0]
    (at, value), (begin, low), (end, high) = table[-1], whole[shared - 1], whole[shared]
    gone = at - late - begin
    if not 0 <= gone < end - begin - TIME_SLACK_S - interval_s:
        return False
    return abs(value - (low + (high - low) * gone / (end - begin))) <= 2 * CORNER_TOLERANCE_C


def describe(table: Sequence[Corner]) -> str:
    """A profile in few words, for one that has no name yet: highest set point and length."""
    top, last = max(value for _, value in table), table[-1][0]
    return f"up to {top} °C in {last} s"


def _close(one: Iterable[Corner], other: Iterable[Corner], slack: float) -> bool:
    return all(abs(a[0] - b[0]) <= slack and abs(a[1] - b[1]) <= 1 for a, b in zip(one, other, strict=True))


def _from_second(table: Sequence[Corner]) -> list[Corner]:
    return [(at - table[1][0], value) for at, value in table[1:]]


def _without_idle(t: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cut the stretches at idle before and after: one idle sample is kept at each end as the corner it is."""
    first, last = 0, len(v) - 1
    if v[0] <= IDLE_C:
        first = max(0, int(np.argmax(np.abs(v - v[0]) > CORNER_TOLERANCE_C / 2)) - 1)
    if v[-1] <= IDLE_C:
        moved = np.flatnonzero(np.abs(v - v[-1]) > CORNER_TOLERANCE_C / 2)
        last = min(last, int(moved[-1]) + 1)
    return t[first : last + 1], v[first : last + 1]


def _corners(t: FloatArray, v: FloatArray, interval: float) -> list[tuple[float, float]]:
    """Corners of the straight pieces: split where a sample stands off its chord, then meet the fitted lines.

    Two splits next to each other, up to three samples apart, are one corner that no sample fell on, where the lines left
    and right of them meet in between; else, if one sample apart, a step, in force from the second sample on.
    """
    changed = np.flatnonzero(np.diff(v) != 0)
    keep = np.unique(np.concatenate(([0, len(v) - 1], changed, changed + 1)))
    index = [int(keep[i]) for i in _split(t[keep], v[keep])]
    corners: list[tuple[float, float]] = []
    k = 0
    while k < len(index):
        here, after = index[k], index[k + 1] if k + 1 < len(index) else None
        gap = t[after] - t[here] if after is not None else np.inf
        if after is not None and gap <= 3.5 * interval:
            left = (index[k - 1] if k else here, here)
            right = (after, index[k + 2] if k + 2 < len(index) else after)
            between = _meeting(t, v, left, right)
            if between is not None and t[here] - interval / 2 <= between[0] <= t[after] + interval / 2:
                corners.append(between)
                k += 2
                continue
            if gap <= 1.5 * interval:
                corners += [(float(t[after]), float(v[here])), (float(t[after]), float(v[after]))]
                k += 2
                continue
        corner = None
        if 0 < k < len(index) - 1:
            corner = _meeting(t, v, (index[k - 1], here), (here, index[k + 1]))
        corners.append(corner or (float(t[here]), float(v[here])))
        k += 1
    return corners


def _simplified(corners: list[tuple[float, float]], interval: float) -> list[tuple[float, float]]:
    """Without corners that rounding and sampling made: off the chord of their neighbours by no more than the corner
    tolerance [°C], or by no more than one sample interval in time."""
    corners = list(corners)
    while len(corners) > 2:
        off = [_off_chord(corners[k - 1], corners[k], corners[k + 1], interval) for k in range(1, len(corners) - 1)]
        least = int(np.argmin(off))
        if off[least] > 1:
            break
        del corners[least + 1]
    return corners


def _off_chord(
    left: tuple[float, float], corner: tuple[float, float], right: tuple[float, float], interval: float
) -> float:
    """How far a corner is off its neighbours' chord, in tolerances: the smaller of the way in °C and the way in time."""
    (t0, v0), (t, v), (t1, v1) = left, corner, right
    ways = [np.inf]
    if t1 > t0:
        ways.append(abs(v - (v0 + (v1 - v0) * (t - t0) / (t1 - t0))) / CORNER_TOLERANCE_C)
    if min(v0, v1) <= v <= max(v0, v1) and v1 != v0:
        ways.append(abs(t - (t0 + (t1 - t0) * (v - v0) / (v1 - v0))) / interval)
    return float(min(ways))


def _split(t: FloatArray, v: FloatArray) -> list[int]:
    """Indices left by splitting at the sample farthest from its chord, down to the corner tolerance [°C]."""
    kept, pending = {0, len(t) - 1}, [(0, len(t) - 1)]
    while pending:
        first, last = pending.pop()
        if last - first < 2:
            continue
        inner = slice(first + 1, last)
        chord = v[first] + (v[last] - v[first]) * (t[inner] - t[first]) / (t[last] - t[first])
        away = np.abs(v[inner] - chord)
        worst = int(np.argmax(away))
        if away[worst] > CORNER_TOLERANCE_C:
            middle = first + 1 + worst
            kept.add(middle)
            pending += [(first, middle), (middle, last)]
    return sorted(kept)


def _meeting(t: FloatArray, v: FloatArray, left: tuple[int, int], right: tuple[int, int]) -> tuple[float, float] | None:
    """Where the lines fitted to two pieces (first and last index) meet; None for parallel ones, or far away.

    A piece of one sample is the level of idle before or after the profile; one of two samples is too short to fit.
    """
    origin = t[left[1]]
    lines: list[tuple[float, float]] = []
    for first, last in (left, right):
        if last - first == 1:
            return None
        if last == first:
            lines.append((0.0, float(v[first])))
        else:
            slope, level = np.polyfit(t[first : last + 1] - origin, v[first : last + 1], 1)
            lines.append((float(slope), float(level)))
    (left_slope, left_level), (right_slope, right_level) = lines
    if left_slope == right_slope:
        return None
    at = (right_level - left_level) / (left_slope - right_slope)
    if not t[left[0]] <= origin + at <= t[right[1]]:
        return None
    return float(origin + at), float(left_level + left_slope * at)
