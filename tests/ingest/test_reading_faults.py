"""Fault markers become missing samples, never temperatures, and are listed.

Numbers by their origin: 32767, 65535, -32768 full scale of 16-bit integers; 1023.75 full scale of a 12-bit converter with
quarter degrees; 1372 upper end of type K (IEC 60584-1); 85 and -127 the idle and error values of a common digital sensor,
-999, 9999 and 0 common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from generator_logs import T1, codes, numbers, one_run, same, table, two_channels

C = two_channels(T1)
TIME = numbers(T1)
AT = [150, 151, 152, 200]
GONE = C[1].copy()
GONE[AT] = np.nan

MARKERS = {
    "OPEN": "open",
    "TC OPEN": "open",
    "N/C": "open",
    "SHORT_GND": "short",
    "OL": "out_of_range",
    "inf": "out_of_range",
    "-inf": "out_of_range",
    "ERR": "fault",
    "Err 3": "fault",
    "NaN": "fault",
    "---": "fault",
    "#N/A": "fault",
    "null": "fault",
    "-999": "out_of_range",
    "-999.0": "out_of_range",
    "9999": "open",
    "1023.75": "open",
    "1372.0": "open",
    "32767": "open",
    "-32768": "out_of_range",
    "65535": "open",
    "3276.7": "open",
    "0": "fault",
    "0.0": "fault",
    "-1": "fault",
    "85.00": "fault",
    "-127.00": "out_of_range",
}


@pytest.mark.parametrize("marker", MARKERS)
def test_markers(marker: str) -> None:
    cells = numbers(C[1])
    for i in AT:
        cells[i] = marker
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    same(run, T1, [C[0], GONE])
    faults = run.channels[1].faults
    assert [(f.elapsed_s, f.marker, f.kind) for f in faults] == [(float(i), marker, MARKERS[marker]) for i in AT]
    assert run.channels[0].faults == ()


def test_an_empty_cell_is_missing_without_a_fault() -> None:
    cells = numbers(C[1])
    for i in AT:
        cells[i] = ""
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    same(run, T1, [C[0], GONE])
    assert run.channels[1].faults == ()


def test_a_damaged_number_is_missing_and_said() -> None:
    cells = numbers(C[1])
    for i in AT:
        cells[i] = "2O5.3"  # a letter for a digit
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    same(run, T1, [C[0], GONE])
    assert run.channels[1].faults == ()
    assert "cells_unread" in codes(run)


def test_zero_degrees_celsius_in_a_fahrenheit_log() -> None:
    cells = numbers(C[1] * 1.8 + 32)
    for i in AT:
        cells[i] = "32.0"
    same(one_run(table("time_s,T1 (F),T2 (F)", TIME, numbers(C[0] * 1.8 + 32), cells)), T1, [C[0], GONE])


def test_full_scale_among_whole_tenths() -> None:
    cells = numbers(C[1] * 10, 0)
    for i in AT:
        cells[i] = "32767"
    same(one_run(table("time_s,T1,T2", TIME, numbers(C[0] * 10, 0), cells)), T1, [C[0], GONE])


@pytest.mark.parametrize("marker", ["OPEN", "0.0", "1024.0"])
def test_a_channel_of_markers_only_is_kept_empty(marker: str) -> None:
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), [marker] * 401))
    assert np.isnan(run.channels[1].values).all()
    assert len(run.channels[1].faults) == 401


def test_a_channel_that_fails_for_most_of_the_run_is_kept() -> None:
    cells = [x if i < 150 else "OPEN" for i, x in enumerate(numbers(C[1]))]
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    same(run, T1, [C[0], np.where(T1 < 150, C[1], np.nan)])


def test_markers_at_the_start() -> None:
    cells = ["0.0", *numbers(C[1])[1:]]
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    same(run, T1, [C[0], np.where(T1 < 1, np.nan, C[1])])


def test_slow_sampling_does_not_hide_a_drop_to_zero() -> None:
    t = np.arange(0, 401, 5.0)
    values = two_channels(t)
    cells = numbers(values[1])
    for i in (20, 21, 40):
        cells[i] = "0.0"
    gone = values[1].copy()
    gone[[20, 21, 40]] = np.nan
    same(one_run(table("time_s,T1,T2", numbers(t), numbers(values[0]), cells)), t, [values[0], gone])


def test_a_set_point_of_zero_is_no_fault() -> None:
    wanted = np.where(T1 < 256, 180.0, 0.0)
    run = one_run(table("time_s,T1,Setpoint", TIME, numbers(C[0]), numbers(wanted)))
    np.testing.assert_array_equal(run.of_role("setpoint")[0].values, wanted)


def test_a_stuck_channel_and_a_cold_start_are_no_fault() -> None:
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), ["25.3"] * 401))
    same(run, T1, [C[0], np.full(401, 25.3)])
    assert not run.channels[1].faults


def test_a_lone_spike_is_kept_and_said() -> None:
    cells = numbers(C[1])
    cells[180] = "312.3"
    run = one_run(table("time_s,T1,T2", TIME, numbers(C[0]), cells))
    assert abs(run.channels[1].values[180] - 312.3) < 1e-4
    assert "spike" in codes(run)
