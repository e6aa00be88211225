"""A logged profile settles the unit that the curve alone leaves open.

Common practice, no source: a solder oven is commanded from room temperature to 130 to 275 °C, whatever its board still
holds from the run before. Invented numbers.
"""

import numpy as np
import pytest

from ingest.reading import read_log


def log_of(setpoint, board, header="seconds,set,left,right,power_pct"):
    rows = [f"{t},{s:.1f},{v:.1f},{v - 1:.1f},50" for t, (s, v) in enumerate(zip(setpoint, board, strict=True))]
    return "\n".join([header, *rows]).encode()


def warm_start(scale=lambda c: c):
    t = np.arange(600.0)
    setpoint = np.interp(t, (0, 90, 180, 240, 300, 301), (25, 150, 170, 243, 243, 25))
    board = np.interp(t, (0, 120, 180, 270, 300, 599), (62, 150, 172, 262, 250, 48))
    return scale(setpoint), scale(board)


def test_a_warm_start_under_a_celsius_profile_is_celsius():
    (reading,) = read_log(log_of(*warm_start()), "warm.csv")
    assert not reading.questions
    left = next(c for c in reading.recordings[0].channels if c.name == "left")
    assert left.unit_original == "°C"
    assert np.nanmax(left.values) == pytest.approx(262, abs=0.1)


def test_the_same_run_in_fahrenheit_is_fahrenheit():
    (reading,) = read_log(log_of(*warm_start(lambda c: c * 9 / 5 + 32)), "warm.csv")
    left = next(c for c in reading.recordings[0].channels if c.name == "left")
    assert not reading.questions
    assert left.unit_original == "°F"
    assert np.nanmax(left.values) == pytest.approx(262, abs=0.1)


def test_without_a_profile_a_warm_start_is_asked_about():
    _, board = warm_start()
    data = "\n".join(["seconds,left,right", *[f"{t},{v:.1f},{v - 1:.1f}" for t, v in enumerate(board)]]).encode()
    (reading,) = read_log(data, "warm.csv")
    assert [q.id for q in reading.questions] == ["unit"]


def test_a_profile_that_the_run_does_not_follow_settles_nothing():
    """A set point in °C beside temperatures in °F (62 °C is 144 °F) is no yardstick for them."""
    setpoint, board = warm_start()
    (reading,) = read_log(log_of(setpoint, board * 9 / 5 + 32), "odd.csv")
    left = [c for run in reading.recordings for c in run.channels if c.name == "left"]
    assert reading.questions or left[0].unit_original == "°F"
