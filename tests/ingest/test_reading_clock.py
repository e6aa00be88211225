"""Clocks: units, stamps, roll-over, disorder, jumps, resets. Expected values follow from how each log was written.

Outside facts used: seconds since 1970-01-01 UTC (POSIX); 2**32 and 2**16 as the ranges of unsigned counters; European summer
time 2025 begins on 30 March at 01:00 UTC and ends on 26 October at 01:00 UTC (EU directive 2000/84/EC: last Sundays);
spreadsheet day serials count from 1899-12-30 (ECMA-376 part 1, 18.17.4.1, 1900 date base).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from generator import curve
from generator_logs import (
    START,
    START_UTC,
    T05,
    T1,
    asked,
    codes,
    numbers,
    one_run,
    only,
    rows,
    same,
    stamps,
    table,
    two_channels,
)

C = two_channels(T1)
VALUES = [numbers(C[0]), numbers(C[1])]


def log(header: str, clock: list[str], lead: str = "") -> bytes:
    return (lead + header + "\n" + rows([clock, *VALUES])).encode()


ELAPSED = {
    "seconds": ("Time (s),TC1,TC2", numbers(T1)),
    "milliseconds without a unit": ("t,TC1,TC2", [f"{x * 1000:.0f}" for x in T1]),
    "microseconds without a unit": ("t,TC1,TC2", [f"{x * 1e6:.0f}" for x in T1]),
    "minutes without a unit": ("time,TC1,TC2", numbers(T1 / 60, 5)),
    "hours": ("Time [h],TC1,TC2", numbers(T1 / 3600, 7)),
    "minutes:seconds": ("Elapsed,TC1,TC2", [f"{int(x // 60)}:{int(x % 60):02d}" for x in T1]),
    "hours:minutes:seconds": ("Elapsed,TC1,TC2", [f"0:{int(x // 60):02d}:{int(x % 60):02d}" for x in T1]),
    "minutes:seconds:hundredths": ("Elapsed,TC1,TC2", [f"{int(x // 60):02d}:{int(x % 60):02d}:00" for x in T1]),
    "in words": ("Elapsed,TC1,TC2", [f"{int(x // 60)}m {int(x % 60)}s" for x in T1]),
    "a large start": ("ms,TC1,TC2", [f"{123456789 + x * 1000:.0f}" for x in T1]),
    "before the start": ("time_s,TC1,TC2", numbers(T1 - 10)),
    "counter rolls over at 2**32": ("millis,TC1,TC2", [str((2**32 - 120000 + int(x) * 1000) % 2**32) for x in T1]),
    "counter rolls over at 2**16": ("ms,TC1,TC2", [str((1234 + int(x) * 1000) % 65536) for x in T1]),
    "signed counter": ("ms,TC1,TC2", [str((2**31 - 90000 + int(x) * 1000 + 2**31) % 2**32 - 2**31) for x in T1]),
    "time of day": ("Time,TC1,TC2", stamps(T1, "%H:%M:%S")),
    "time of day past midnight": ("Time,TC1,TC2", stamps(T1, "%H:%M:%S", datetime(2025, 3, 27, 23, 57, 30))),
    "twelve-hour clock without am and pm": ("Time,TC1,TC2", stamps(T1, "%I:%M:%S", datetime(2025, 3, 27, 12, 57, 0))),
}


@pytest.mark.parametrize("name", ELAPSED)
def test_elapsed(name: str) -> None:
    header, clock = ELAPSED[name]
    run = one_run(log(header, clock))
    same(run, T1, C, time_tolerance=0.002)
    assert run.started_at is None


NEXT_DAY = datetime(2025, 4, 3, 23, 57, 30)
STAMPED = {
    "ISO 8601": (stamps(T1), START_UTC),
    "ISO 8601 with zone": ([s + "+02:00" for s in stamps(T1, "%Y-%m-%dT%H:%M:%S")], START_UTC - timedelta(hours=2)),
    "basic ISO 8601": (stamps(T1, "%Y%m%dT%H%M%S"), START_UTC),
    "fourteen digits": (stamps(T1, "%Y%m%d%H%M%S"), START_UTC),
    "points: day first": (stamps(T1, "%d.%m.%Y %H:%M:%S"), START_UTC),
    "month first by a part above 12, am/pm": (stamps(T1, "%m/%d/%Y %I:%M:%S %p"), START_UTC),
    "order by the change of day": (stamps(T1, "%d/%m/%Y %H:%M:%S", NEXT_DAY), NEXT_DAY.replace(tzinfo=UTC)),
    "order by the weekday": (
        stamps(T1, "%a %d/%m/%Y %H:%M:%S", datetime(2025, 4, 3, 9, 0)),
        datetime(2025, 4, 3, 9, 0, tzinfo=UTC),
    ),
    "month as a word": (stamps(T1, "%d-%b-%Y %H:%M:%S"), START_UTC),
    "POSIX seconds": ([f"{START_UTC.timestamp() + x:.0f}" for x in T1], START_UTC),
    "POSIX milliseconds": ([f"{(START_UTC.timestamp() + x) * 1000:.0f}" for x in T1], START_UTC),
    "POSIX microseconds": ([f"{(START_UTC.timestamp() + x) * 1e6:.0f}" for x in T1], START_UTC),
    "day serial": ([f"{45743 + (9 * 3600 + 14 * 60 + 3 + x) / 86400:.9f}" for x in T1], START_UTC),
}


@pytest.mark.parametrize("name", STAMPED)
def test_stamps(name: str) -> None:
    clock, start = STAMPED[name]
    run = one_run(log("Stamp,TC1,TC2", clock))
    same(run, T1, C, time_tolerance=0.002)
    assert run.started_at is not None
    assert abs((run.started_at - start).total_seconds()) < 0.002


def test_date_and_time_in_two_columns() -> None:
    data = table("Date,Time,TC1,TC2", stamps(T1, "%d/%m/%Y"), stamps(T1, "%I:%M:%S %p"), *VALUES)
    run = one_run(data)
    same(run, T1, C)
    assert run.started_at == START_UTC


@pytest.mark.parametrize(
    "lead",
    ["Start: 2025-03-27 09:14:03\n", "# date: 2025-03-27\n# time: 09:14:03\n", '"Started","27.03.2025 09:14:03"\n'],
)
def test_start_from_the_preamble(lead: str) -> None:
    assert one_run(log("time_s,TC1,TC2", numbers(T1), lead)).started_at == START_UTC


def test_date_in_the_preamble_completes_a_time_of_day() -> None:
    run = one_run(log("Time,TC1,TC2", stamps(T1, "%H:%M:%S"), "Date: 2025-03-27\n\n"))
    assert run.started_at == START_UTC


def test_zone_of_the_archive_is_used_and_said() -> None:
    reading = only(log("Stamp,TC1,TC2", stamps(T1)), zone="Europe/Berlin")
    assert reading.recordings[0].started_at == START_UTC - timedelta(hours=1)  # winter time on 27 March 2025
    assert reading.recordings[0].zone == "Europe/Berlin"
    assert "zone_assumed" in codes(reading)


def test_zone_in_the_preamble_wins() -> None:
    reading = only(log("Stamp,TC1,TC2", stamps(T1), "Timezone: Europe/Berlin\n"), zone="Asia/Tokyo")
    assert reading.recordings[0].started_at == START_UTC - timedelta(hours=1)
    assert "zone_assumed" not in codes(reading)


AMBIGUOUS = stamps(T1, "%d/%m/%Y %H:%M:%S", datetime(2025, 4, 3, 9, 14, 3))


def test_ambiguous_date_is_asked_and_the_answer_taken() -> None:
    data = log("Stamp,TC1,TC2", AMBIGUOUS)
    reading = asked(data, "date_order")
    question = next(q for q in reading.questions if q.id == "date_order")
    assert set(question.choices) == {"day first", "month first"}
    for answer, start in (
        ("day first", datetime(2025, 4, 3, 9, 14, 3)),
        ("month first", datetime(2025, 3, 4, 9, 14, 3)),
    ):
        assert one_run(data, answers={"date_order": answer}).started_at == start.replace(tzinfo=UTC)


def test_a_decimal_comma_rules_out_month_first() -> None:
    data = table("Stempel;TC1", AMBIGUOUS, numbers(C[0], 1, ","), delimiter=";")
    assert one_run(data).started_at == datetime(2025, 4, 3, 9, 14, 3, tzinfo=UTC)


def test_ambiguous_start_date_in_the_preamble_is_asked() -> None:
    asked(log("time_s,TC1,TC2", numbers(T1), "Start: 03/04/2025 09:14:03\n"), "date_order")


@pytest.mark.parametrize("year", [1970, 2000])
def test_clock_never_set(year: int) -> None:
    reading = only(log("Stamp,TC1,TC2", stamps(T1, start=datetime(year, 1, 1, 0, 0, 12))))
    same(reading.recordings[0], T1, C)
    assert reading.recordings[0].started_at is None
    assert "clock_never_set" in codes(reading)


def test_clock_set_in_mid_run() -> None:
    clock = [*stamps(T1[:100], start=datetime(1970, 1, 1, 0, 0, 12)), *stamps(T1[100:])]
    reading = only(log("Stamp,TC1,TC2", clock))
    same(reading.recordings[0], T1, C)
    assert reading.recordings[0].started_at == START_UTC
    assert "clock_set" in codes(reading)


@pytest.mark.parametrize(
    ("start", "jump"), [(datetime(2025, 3, 30, 1, 57), 3600), (datetime(2025, 10, 26, 2, 57), -3600)]
)
def test_daylight_saving_jump(start: datetime, jump: int) -> None:
    clock = [
        (start + timedelta(seconds=float(x) + (jump if x >= 180 else 0))).strftime("%Y-%m-%d %H:%M:%S") for x in T1
    ]
    reading = only(log("Stamp,TC1,TC2", clock), zone="Europe/Berlin")
    same(reading.recordings[0], T1, C)
    assert "daylight" in codes(reading)
    began = reading.recordings[0].started_at
    assert began == (start - timedelta(hours=1 if jump > 0 else 2)).replace(tzinfo=UTC)


def test_zone_offset_that_changes_in_mid_run() -> None:
    start = datetime(2025, 3, 30, 1, 57)
    clock = [
        (start + timedelta(seconds=float(x) + (3600 if x >= 180 else 0))).strftime("%Y-%m-%dT%H:%M:%S")
        + ("+02:00" if x >= 180 else "+01:00")
        for x in T1
    ]
    run = one_run(log("Stamp,TC1,TC2", clock))
    same(run, T1, C)
    assert run.started_at == datetime(2025, 3, 30, 0, 57, tzinfo=UTC)


def picked(order: list[int]) -> bytes:
    return table("t_s,TC1,TC2", *[[column[i] for i in order] for column in (numbers(T1), *VALUES)])


def test_rows_out_of_order_are_sorted() -> None:
    order = list(range(401))
    order[50], order[51] = 51, 50
    order[200:203] = [202, 200, 201]
    reading = only(picked(order))
    same(reading.recordings[0], T1, C)
    assert "order" in codes(reading)


@pytest.mark.parametrize(
    "order", [[*range(150), *range(120, 401)], [*range(401), *range(401)], [*range(60), 59, *range(60, 401)]]
)
def test_rows_written_twice_are_read_once(order: list[int]) -> None:
    reading = only(picked(order))
    assert len(reading.recordings) == 1
    same(reading.recordings[0], T1, C)
    assert "duplicate" in codes(reading)


@pytest.mark.parametrize("wrong", ["930.0", "1.0"])
def test_one_odd_stamp_is_put_between_its_neighbours(wrong: str) -> None:
    clock = numbers(T1)
    clock[130] = wrong
    reading = only(log("t_s,TC1,TC2", clock))
    same(reading.recordings[0], T1, C)
    assert "stamp_odd" in codes(reading)


def test_newest_first() -> None:
    reading = only(table("Stamp,TC1,TC2", stamps(T1)[::-1], *[v[::-1] for v in VALUES]))
    same(reading.recordings[0], T1, C)
    assert "reversed" in codes(reading)


def test_coarse_stamps_are_spread() -> None:
    t = np.arange(0, 400, 0.25)
    reading = only(table("Stamp,TC1", stamps(np.floor(t)), numbers(curve(t), 2)))
    same(reading.recordings[0], t, [curve(t)], tolerance=0.006)
    assert "coarse" in codes(reading)


def test_gap_stays_a_gap() -> None:
    order = [i for i in range(401) if not 120 < i < 150]
    run = one_run(picked(order))
    same(run, T1[order], [c[order] for c in C])
    assert "gap" in codes(run)


def test_reset_in_mid_run_is_continued() -> None:
    reading = only(log("t_s,TC1,TC2", numbers(np.where(T1 < 160, T1, T1 - 160))))
    same(reading.recordings[0], T1, C)
    assert "clock_reset" in codes(reading)


def test_reset_with_an_unknown_pause_is_asked() -> None:
    order = [i for i in range(401) if not 140 <= i < 170]
    clock = numbers(np.where(T1 < 140, T1, T1 - 170))
    asked(table("t_s,TC1,TC2", *[[column[i] for i in order] for column in (clock, *VALUES)]), "reset")


INDEX = [str(k) for k in range(len(T05))]
HALF = [curve(T05), curve(T05 - 1)]


@pytest.mark.parametrize(
    "lead", ["Sample interval: 0.5 s\n", "Sample rate = 2 Hz\n", "Interval (ms): 500\n", "Abtastintervall: 0,5 s\n"]
)
def test_sample_number_with_a_stated_interval(lead: str) -> None:
    same(one_run(lead.encode() + table("#,TC1,TC2", INDEX, numbers(HALF[0]), numbers(HALF[1]))), T05, HALF)


def test_sample_number_without_interval_is_asked_and_the_answer_taken() -> None:
    data = table("Sample,TC1,TC2", INDEX, numbers(HALF[0]), numbers(HALF[1]))
    asked(data, "interval_s")
    same(one_run(data, answers={"interval_s": "0.5"}), T05, HALF)
    same(one_run(data, answers={"interval_s": "500 ms"}), T05, HALF)


def test_a_nameless_count_is_asked() -> None:
    data = rows([[str(k) for k in range(401)], *VALUES])
    asked(data, "time_unit")
    same(one_run(data, answers={"time_unit": "s"}), T1, C)
    same(one_run(data, answers={"time_unit": "sample number", "interval_s": "2"}), 2 * T1, C)


@pytest.mark.parametrize(
    ("header", "clock"),
    [
        ("Time (s),TC1,TC2", [f"{x * 1000:.0f}" for x in T1]),
        ("Time (min),TC1,TC2", numbers(T1, 0)),
        ("Time (h),TC1,TC2", numbers(T1 / 60, 3)),
        ("t,TC1,TC2", [f"{x * 10:.0f}" for x in T1]),
    ],
)
def test_a_unit_that_makes_no_run_is_asked(header: str, clock: list[str]) -> None:
    asked(log(header, clock), "time_unit")


def test_elapsed_and_stamps_together() -> None:
    data = table(
        "Timestamp,millis,TC1", stamps(np.floor(T05)), [f"{5000 + x * 1000:.0f}" for x in T05], numbers(HALF[0])
    )
    run = one_run(data)
    same(run, T05, HALF[:1])
    assert run.started_at == START_UTC
    assert START.tzinfo is None
