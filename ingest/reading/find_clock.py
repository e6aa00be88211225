"""Which columns tell the time.

1. Stamps with a date (one column, or date and time of day side by side), numbers the size of an epoch, day serials.
2. Columns named for time, or with a unit of time, that mostly count up; without names the first that does.
3. Times of day without a date. 4. Sample counters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest.reading.stamps import DAY_S, Stamps, parse_stamps
from ingest.reading.table import Table
from ingest.reading.units import unit_of
from ingest.reading.words import name_says, words_of
from ingest.recording import FloatArray


@dataclass
class Found:
    """Which columns are clocks. `wall`: stamps with a date; `elapsed`: index of the counting column; `used`: all of them."""

    wall: Stamps | None = None
    day_clock: Stamps | None = None
    elapsed: int | None = None
    elapsed_stamps: Stamps | None = None
    index: int | None = None
    used: set[int] = field(default_factory=set[int])
    reasons: list[str] = field(default_factory=list[str])
    falling: bool = False


def find_clock(table: Table) -> Found:
    """The clock columns of a table."""
    found = Found()
    dates: list[tuple[int, Stamps]] = []
    clocks: list[tuple[int, Stamps]] = []
    counters: list[tuple[float, int]] = []
    indexes: list[tuple[float, int]] = []
    first_number = next((i for i, c in enumerate(table.columns) if c.numbers is not None), 0)
    for i, column in enumerate(table.columns):
        says = name_says(column.name)
        timely = bool({"time", "date"} & set(says.kinds[: 1 if i else None])) or column.name.strip() in ("t", "T")
        unit = unit_of(column.unit or says.unit) if (column.unit or says.unit) else None
        if column.numbers is None:
            stamps = parse_stamps(column.cells)
            if stamps is None:
                continue
            if stamps.offset_s is None and {"utc", "gmt"} & set(words_of(column.name)):
                stamps.zone, stamps.offset_s = "UTC", 0.0
            if stamps.kind == "datetime" and found.wall is None:
                found.wall = stamps
                found.used.add(i)
            elif stamps.kind == "date":
                dates.append((i, stamps))
            elif stamps.kind == "clock":
                clocks.append((i, stamps))
            found.used.add(i)
            continue
        if (
            i
            and not timely
            and says.kinds[:1] != ("index",)
            and not (unit and unit.kind == "time")
            and not (says.kinds == () and not table.named)
        ):
            continue
        wall = _number_stamps(column.numbers, column.cells, timely)
        if wall is not None:
            found.used.add(i)
            if wall.kind == "date":
                dates.append((i, wall))
            elif wall.kind == "clock":
                clocks.append((i, wall))
            elif found.wall is None:
                found.wall = wall
            continue
        score = _counts_up(column.numbers)
        if abs(score) < 0.6:
            if timely and says.kinds[:1] == ("time",):
                found.used.add(i)
            continue
        if says.kinds[:1] == ("index",) and not (unit and unit.kind == "time"):
            indexes.append((abs(score), i))
        elif says.kinds[:1] == ("remaining",):
            found.used.add(i)
            if score < 0:
                counters.append((0.1, i))
        elif (
            timely
            or (unit and unit.kind == "time")
            or (not says.kinds and (i == first_number or (not table.named and abs(score) > 0.98)))
        ):
            if says.kinds and not timely and not (unit and unit.kind == "time"):
                continue
            counters.append((abs(score) + 2.0 * timely + 1.5 * bool(unit and unit.kind == "time") + 0.5 * (i == 0), i))
    if found.wall is None and dates and clocks:
        found.wall = join_day(dates[0][1], clocks[0][1])
        clocks = clocks[1:]
    if clocks:
        found.day_clock = clocks[0][1]
    if counters:
        found.elapsed = max(counters)[1]
        found.used |= {i for _s, i in counters}
        found.falling = _counts_up(table.columns[found.elapsed].numbers) < 0  # type: ignore[arg-type]
    if indexes:
        found.index = max(indexes)[1]
        found.used |= {i for _s, i in indexes}
    found.used |= {i for i, _ in dates}
    return found


def _counts_up(numbers: FloatArray) -> float:
    """Share of rising steps minus share of falling ones; 0 when it stays where it is."""
    steps = np.diff(numbers[np.isfinite(numbers)])
    if not len(steps) or not steps.any():
        return 0.0
    up, down = float((steps > 0).mean()), float((steps < 0).mean())
    return up - down if up + down > 0.004 else 0.0


def _number_stamps(numbers: FloatArray, cells: Sequence[str], timely: bool) -> Stamps | None:
    """Numbers that are wall-clock stamps: epochs, day serials, dates and times written as digits."""
    good = numbers[np.isfinite(numbers)]
    if not len(good):
        return None
    middle = float(np.median(good))
    for low, high, scale, what in (
        (9.4e8, 2.3e9, 1.0, "s"),
        (9.4e11, 2.3e12, 1e-3, "ms"),
        (9.4e14, 2.3e15, 1e-6, "µs"),
        (9.4e17, 2.3e18, 1e-9, "ns"),
    ):
        within = low < middle < high and float(np.percentile(good, 90) - np.percentile(good, 10)) * scale < 30 * DAY_S
        if within and (what == "ms" or _counts_up(numbers) > 0.2 or timely):
            seconds = numbers * scale
            whole = bool((good == np.floor(good)).all())
            resolution = scale if what != "s" else 1.0 if whole else 0.001
            why = f"seconds since 1970 ({what})"
            return Stamps("datetime", seconds, resolution, {"ymd": seconds}, why, zone="UTC", offset_s=0.0)
    if (
        36526 < middle < 55000
        and float(np.ptp(good)) < 30
        and (good != np.floor(good)).any()
        and _counts_up(numbers) > 0.5
    ):
        seconds = np.round((numbers - 25569.0) * DAY_S, 3)
        return Stamps("datetime", seconds, 0.001, {"ymd": seconds}, "days since 1899-12-30 (spreadsheet serial)")
    if bool((good == np.floor(good)).all()):
        if 19700101 <= middle <= 20991231 and float(np.ptp(good)) < 20000 and timely:
            return parse_stamps([c.strip() for c in cells])
        if 1.97e13 <= middle <= 2.1e13:
            return parse_stamps([c.strip() for c in cells])
        if timely and good.max() <= 235959 and _is_hhmmss(good):
            h, m, s = good // 10000, good // 100 % 100, good % 100
            out = np.full(len(numbers), np.nan)
            out[np.isfinite(numbers)] = 3600 * h + 60 * m + s
            return Stamps("clock", out, 1.0, shape="h:m:s", why="hhmmss as one number")
    return None


def _is_hhmmss(good: FloatArray) -> bool:
    if (good // 100 % 100 > 59).any() or (good % 100 > 59).any() or good.max() < 10000:
        return False
    return bool((np.diff(good) >= 41).any())


def join_day(day: Stamps, clock: Stamps) -> Stamps:
    """Date and time of day together. A date that carries a time itself (a start stamp) lends its day; when the clock
    begins half a day before that time, midnight has passed in between."""
    east = day.offset_s or 0.0
    readings: dict[str, FloatArray] = {}
    for order, seconds in day.readings.items():
        local = seconds + east
        midnight = np.floor(local / DAY_S) * DAY_S
        if day.kind == "datetime" and len(local) == 1 and float(local[0] - midnight[0] - clock.seconds[0]) > DAY_S / 2:
            midnight = midnight + DAY_S
        readings[order] = midnight + clock.seconds - east
    first = next(iter(readings.values()))
    return Stamps("datetime", first, clock.resolution_s, readings, day.why, "h:m:s", day.zone, day.offset_s)
