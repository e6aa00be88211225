"""What is done to a clock before it is trusted, each deed reported as a notice.

Backward steps, in the order they are tried: one odd stamp among good ones (put between its neighbours); neighbours in the
wrong order (sorted); rows written twice (the second copy left out); a counter or time of day that rolled over (continued);
a daylight-saving or other setting of the clock while the oven's curve runs on (continued); a reset in mid-run, known by
the curve running on hot (continued one step later, or by the wall clock); else a restart, which ends the stretch.
Forward leaps: a clock set from 1970 or 2000 to the day, and leaps the curve contradicts, are taken out; others are gaps.
Repeated stamps: coarse stamps are spread evenly; rows that are equal in everything are written once.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ingest.reading.clock import Clock
from ingest.recording import FloatArray, Notice, Question

UNSET_BEFORE = 1104537600.0  # 2005-01-01: no log is older; a clock that says so was never set
GAP_S = 60.0  # longer pauses between samples are looked at


@dataclass
class Timeline:
    """`rows`: kept rows in order of time; `seconds`: their clock, increasing inside each stretch; `starts`: positions in
    `rows` where a new stretch begins (0 first); `wall`: their wall clock, NaN unknown."""

    rows: np.ndarray
    seconds: FloatArray
    starts: list[int]
    wall: FloatArray | None
    notices: list[Notice] = field(default_factory=list[Notice])
    questions: list[Question] = field(default_factory=list[Question])
    refusal: str | None = None


class _Work:
    """The clock being repaired: `t` and `rows` run in parallel and shrink together."""

    def __init__(self, clock: Clock, curve: FloatArray, matrix: np.ndarray):
        self.clock = clock
        keep = np.isfinite(clock.seconds)
        self.rows = np.flatnonzero(keep)
        self.t = clock.seconds[keep].copy()
        self.curve = curve
        self.matrix = matrix
        steps = np.diff(self.t)
        self.step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
        self.done: dict[str, list[str]] = {}
        if not keep.all():
            self.done["stamp_unread"] = [""] * int((~keep).sum())
        self.starts = [0]
        self.questions: list[Question] = []
        self.refusal: str | None = None
        self.wall_shift: list[tuple[int, float]] = []

    def note(self, code: str, where: str = "") -> None:
        self.done.setdefault(code, []).append(where)

    def heat(self, i: int) -> float:
        return float(self.curve[self.rows[i]])

    def slope(self, i: int, side: int) -> float:
        """K per step just before (side -1) or after (side 1) position i, over up to six steps."""
        a, b = (max(0, i - 6), i) if side < 0 else (i, min(len(self.t) - 1, i + 6))
        values = self.curve[self.rows[a : b + 1]]
        values = values[np.isfinite(values)]
        return float((values[-1] - values[0]) / (len(values) - 1)) if len(values) > 1 else 0.0

    def runs_on(self, i: int) -> bool:
        """True when the curve passes from position i to i+1 as it would in one step."""
        jump = self.heat(i + 1) - self.heat(i)
        allowed = 2.0 + 2.5 * max(abs(self.slope(i, -1)), abs(self.slope(i + 1, 1)))
        return bool(np.isfinite(jump)) and abs(jump) <= allowed

    def drop(self, positions: np.ndarray) -> None:
        self.t = np.delete(self.t, positions)
        self.rows = np.delete(self.rows, positions)


_TEXT = {
    "stamp_unread": "{n} rows had no readable stamp and were left out",
    "stamp_odd": "{n} single stamps did not fit their neighbours and were put between them",
    "order": "{n} samples were out of order and were sorted",
    "duplicate": "{n} repeated rows were read once",
    "rollover": "the counter rolled over {n} times and was continued",
    "midnight": "the time of day passed midnight",
    "daylight": "the clock was moved by one hour in mid-run (daylight saving); time was continued",
    "clock_set": "the clock was set in mid-run; time was continued",
    "clock_reset": "the clock started again {n} times in mid-run while the curve ran on; time was continued one step later",
    "clock_leap": "the clock leapt {n} times where the curve did not; the leap was taken out",
    "coarse": "stamps are coarser than the samples; the samples were spread evenly",
    "same_stamp": "{n} samples had the stamp of the sample before them and were put half a step later",
    "reversed": "the log runs backward in time; it was turned round",
}


def repair(clock: Clock, curve: FloatArray, matrix: np.ndarray, answers: Mapping[str, str]) -> Timeline:
    """A clock that only goes forward, in stretches. `matrix`: all numbers of the rows, to recognise rows written twice."""
    work = _Work(clock, curve, matrix)
    if len(work.t) > 4 and float((np.diff(work.t) < 0).mean()) > 0.9:
        work.t, work.rows = work.t[::-1].copy(), work.rows[::-1].copy()
        work.step = float(np.median(np.diff(work.t)))
        work.note("reversed")
    if not ((np.diff(work.t) > 0).all() and work.step > 0):
        _identical_neighbours(work)
        _backward(work, answers)
    _forward(work)
    _equal_stamps(work)
    wall = _wall(work)
    notices = [
        Notice(code, _TEXT[code].format(n=len(where))[:1].upper() + _TEXT[code].format(n=len(where))[1:] + ".")
        for code, where in work.done.items()
    ]
    return Timeline(work.rows, work.t, work.starts, wall, notices, work.questions, work.refusal)


def _identical_neighbours(work: _Work) -> None:
    same = np.flatnonzero(np.diff(work.t) == 0) + 1
    if not len(same):
        return
    m = work.matrix[work.rows]
    here, before = m[same], m[same - 1]
    equal = ((here == before) | (np.isnan(here) & np.isnan(before))).all(axis=1)
    in_pairs = len(same) < 2 or bool((np.diff(same) > 1).all())
    if len(same) > 0.15 * len(work.t) and not (in_pairs and equal.mean() > 0.95):
        return  # coarse stamps; that some neighbours are equal is the flat part of the curve
    if equal.any():
        work.drop(same[equal])
        work.done["duplicate"] = [""] * int(equal.sum())


def _backward(work: _Work, answers: Mapping[str, str]) -> None:
    for _ in range(3000):
        steps = np.diff(work.t)
        back = [int(i) for i in np.flatnonzero(steps < 0) if int(i) + 1 not in work.starts]
        if not back:
            return
        i = back[0]
        if _odd_stamp(work, i) or _written_twice(work, i) or _rolled_over(work, i) or _local_disorder(work, i):
            continue
        if _moved(work, i) or _reset(work, i, answers):
            continue
        work.starts.append(i + 1)
        work.starts.sort()
    work.refusal = "the clock goes backward too often to be repaired"


def _odd_stamp(work: _Work, i: int) -> bool:
    t, step, n = work.t, work.step, len(work.t)
    near = 6 * step
    if i >= 1 and t[i] - t[i + 1] > near and 0 < t[i + 1] - t[i - 1] <= near and i not in work.starts:
        t[i] = 0.5 * (t[i - 1] + t[i + 1])
    elif i + 2 < n and t[i] - t[i + 1] > near and 0 < t[i + 2] - t[i] <= near:
        t[i + 1] = 0.5 * (t[i] + t[i + 2])
    else:
        return False
    work.note("stamp_odd")
    return True


def _local_disorder(work: _Work, i: int) -> bool:
    """Rows written a little late: sorted, unless the clock went back to where its stretch began."""
    t, step = work.t, work.step
    begin = max(s for s in work.starts if s <= i)
    if t[i] - t[i + 1] > 25 * step or (t[i + 1] <= t[begin] + step and i - begin > 1):
        return False
    end = next((s for s in work.starts if s > i), len(t))
    low, high = max(begin, i - 40), min(end, i + 42)
    order = low + np.argsort(t[low:high], kind="stable")
    moved = int((order != np.arange(low, high)).sum())
    after = t[order]
    if high < end and after[-1] > t[high] and t[high] - t[high - 1] > 0:
        return False
    work.t[low:high] = after
    work.rows[low:high] = work.rows[order]
    work.done.setdefault("order", []).extend([""] * moved)
    return True


def _written_twice(work: _Work, i: int) -> bool:
    """The rows after i repeat earlier rows, stamp and values alike: the copy goes."""
    t, m = work.t, work.matrix
    for j in np.flatnonzero(t[: i + 1] == t[i + 1])[-3:]:
        length = 0
        limit = min(i + 1 - int(j), len(t) - i - 1)
        while (
            length < limit
            and t[j + length] == t[i + 1 + length]
            and np.array_equal(m[work.rows[j + length]], m[work.rows[i + 1 + length]], equal_nan=True)
        ):
            length += 1
        if length and (length >= 3 or int(j) + length > i):
            work.drop(np.arange(i + 1, i + 1 + length))
            work.done.setdefault("duplicate", []).extend([""] * length)
            work.starts = [s if s <= i + 1 else max(i + 1, s - length) for s in work.starts]
            return True
    return False


def _rolled_over(work: _Work, i: int) -> bool:
    t, step = work.t, work.step
    for modulus in work.clock.modulus_s:
        across = t[i + 1] + modulus - t[i]
        if (
            -0.5 * step < across <= max(30 * step, 0.02 * modulus if work.clock.of_day else 0)
            and t[i] - t[i + 1] > 0.4 * modulus
        ):
            if work.clock.of_day and modulus == 43200.0 and not (t[i] - t[i + 1] < 44000):
                continue
            t[i + 1 :] += modulus
            work.note("midnight" if work.clock.of_day and modulus >= 43200 else "rollover")
            return True
    return False


def _moved(work: _Work, i: int) -> bool:
    """A wall clock put back while the curve runs on."""
    if not (work.clock.from_wall or work.clock.of_day):
        return False
    t, step = work.t, work.step
    back = t[i] - t[i + 1]
    hour = -1.5 * step < t[i + 1] + 3600.0 - t[i] <= max(20 * step, 5.0)
    if hour and work.runs_on(i):
        shift = 3600.0 if t[i + 1] + 3600.0 > t[i] else 3600.0 + step
        t[i + 1 :] += shift
        work.wall_shift.append((int(work.rows[i + 1]), 0.0))
        work.note("daylight")
        return True
    if back > 2 * step and work.heat(i) > 60.0 and work.runs_on(i) and work.clock.from_wall:
        t[i + 1 :] += back + step
        work.wall_shift.append((int(work.rows[i + 1]), back + step))
        work.note("clock_set")
        return True
    return False


def _reset(work: _Work, i: int, answers: Mapping[str, str]) -> bool:
    """The counter began again: the same run if the oven was hot and the curve runs on."""
    if work.heat(i) < 60.0 or work.heat(i + 1) < 55.0:
        return False
    begin = max(s for s in work.starts if s <= i)
    before = work.curve[work.rows[begin : i + 1]]
    after = work.curve[work.rows[i + 1 :]]
    after = after[: 1200 * max(1, int(1 / max(work.step, 1e-3)))] if len(after) else after
    top_before = _hottest(before)
    rises = _hottest(after) - work.heat(i + 1) > 30.0
    fell = top_before - work.heat(i) > 30.0 and top_before > 120.0
    if fell and rises:
        return False  # a second run that began hot
    wall = work.clock.wall
    if wall is not None and not work.clock.from_wall:
        pause = float(wall[work.rows[i + 1]] - wall[work.rows[i]])
        if not 0 <= pause < 300:
            return False
        work.t[i + 1 :] += work.t[i] - work.t[i + 1] + max(pause, work.step)
        work.note("clock_reset")
        return True
    said = answers.get("reset", "").lower()
    if work.runs_on(i) or said.startswith("one"):
        work.t[i + 1 :] += work.t[i] - work.t[i + 1] + work.step
        work.note("clock_reset")
        return True
    if fell or said.startswith("two"):
        return False
    line = int(work.rows[i + 1]) + 1
    work.questions.append(
        Question(
            "reset",
            f"The clock starts again at sample {line} while the oven is hot ({work.heat(i):.0f} to "
            f"{work.heat(i + 1):.0f} °C), and the pause is not known. Is it one run or two?",
            ("one run", "two runs"),
            "two runs",
        )
    )
    return False


def _hottest(curve: FloatArray) -> float:
    good = curve[np.isfinite(curve)]
    return float(good.max()) if len(good) else float("-inf")


def _forward(work: _Work) -> None:
    steps = np.diff(work.t)
    for i in np.flatnonzero(steps > max(GAP_S, 30 * work.step)):
        i = int(i)
        if i + 1 in work.starts:
            continue
        leap = float(work.t[i + 1] - work.t[i])
        wallish = work.clock.from_wall or work.clock.of_day
        unset = work.clock.from_wall and work.t[i] < UNSET_BEFORE <= work.t[i + 1]
        hour = wallish and abs(leap - 3600.0) <= max(20 * work.step, 5.0)
        moving = (
            min(abs(work.slope(i, -1)), abs(work.slope(i + 1, 1))) / work.step > 0.2
            and work.slope(i, -1) * work.slope(i + 1, 1) > 0
        )
        if unset and work.runs_on(i):
            work.note("clock_set")
        elif hour and work.runs_on(i) and (moving or work.heat(i) > 60.0):
            work.note("daylight")
        elif work.runs_on(i) and moving and work.heat(i) > 50.0:
            work.note("clock_leap")
        else:
            continue
        work.t[i + 1 :] -= leap - work.step
        if unset:
            work.wall_shift.append((int(work.rows[0]), leap - work.step))


def _equal_stamps(work: _Work) -> None:
    if (np.diff(work.t) > 0).all():
        return
    bounds = [*work.starts, len(work.t)]
    for a, b in itertools.pairwise(bounds):
        part = work.t[a:b]
        zero = np.diff(part) == 0
        if not zero.any():
            continue
        if zero.mean() > 0.15:
            work.t[a:b] = _spread(part)
            work.note("coarse")
        else:
            for k in np.flatnonzero(zero) + 1:
                later = part[part > part[k]]
                room = float(later[0] - part[k]) if len(later) else work.step
                part[k] = part[k - 1] + min(0.5 * work.step, 0.5 * room)
                work.note("same_stamp")
            work.t[a:b] = part


def _spread(stamps: FloatArray) -> FloatArray:
    """Samples taken faster than the stamps tick, spread evenly: one interval for all when that explains every stamp, else
    evenly inside each tick."""
    n = len(stamps)
    ticks, first = np.unique(stamps, return_index=True)
    if len(ticks) < 3:
        return stamps[0] + np.arange(n) * ((ticks[-1] - ticks[0]) or 1.0) / n
    tick = float(np.median(np.diff(ticks)))
    interval = (ticks[-1] - ticks[1]) / (first[-1] - first[1])
    even = np.arange(n) * interval
    early = stamps - even  # the true start lies in every [early, early + tick)
    low, high = float(early.max()), float(early.min()) + tick
    if low <= high + 0.02 * tick:
        return even + low  # the earliest start that explains every stamp: stamps are cut off, not rounded
    counts = np.diff(np.append(first, n))
    usual = tick / float(np.median(counts[1:-1])) if len(counts) > 2 else tick / float(counts.max())
    out = stamps.copy()
    for k, (start, count) in enumerate(zip(first, counts, strict=True)):
        room = float(ticks[k + 1] - ticks[k]) if k + 1 < len(ticks) else tick
        each = min(room / count, 3 * usual)
        offset = tick - count * usual if k == 0 and count * usual < tick else 0.0
        out[start : start + count] = ticks[k] + offset + np.arange(count) * (each if k else min(each, usual))
    return out


def _wall(work: _Work) -> FloatArray | None:
    """Wall clock of the kept rows; where the wall clock itself was the clock, its repaired form."""
    clock = work.clock
    if clock.wall is None:
        return None
    if not clock.from_wall:
        return clock.wall[work.rows]
    wall = work.t.copy()
    for _row, shift in work.wall_shift:
        if shift > 10 * 365 * 86400.0:
            wall += shift
    return wall
