"""Corner points of set points, against profiles that are written down as corner points: the truth is the input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from import_bakes import LEAD_FREE, LEADED

from ingest.metadata import setpoint_hash, setpoint_table
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values
from ingest.setpoints import same_profile, stopped_early

Corners = tuple[tuple[int, int], ...]


def recording(
    corners: Corners, interval_s: float = 1.0, phase_s: float = 0.0, idle_s: float = 0.0, digits: int = 1
) -> Recording:
    """The set points of a profile as a controller logs them, idling at 25 °C before and after."""
    at, value = zip(*corners, strict=True)
    t = np.arange(0, idle_s + at[-1] + 60, interval_s) + phase_s
    v = np.round(np.interp(t - idle_s, at, value), digits)
    elapsed = quantise_elapsed(t - t[0])
    channel = Channel("SP", "setpoint", "°C", quantise_values(v))
    board = Channel("T", "temperature", "°C", quantise_values(v))
    return Recording(elapsed, (channel, board))


RAMPS: Corners = ((0, 25), (90, 150), (180, 180), (230, 245), (250, 245), (300, 25))


@pytest.mark.parametrize("digits", [0, 1, 2])
@pytest.mark.parametrize("interval_s", [0.25, 1.0, 2.0])
def test_corners_come_back_within_a_second_and_a_degree(interval_s: float, digits: int) -> None:
    table = setpoint_table(recording(RAMPS, interval_s, idle_s=20, digits=digits))
    assert len(table) == len(RAMPS)
    for (at, value), (true_at, true_value) in zip(table, RAMPS, strict=True):
        assert abs(at - true_at) <= 1
        assert abs(value - true_value) <= 1


def test_steps_are_two_corners_at_one_time() -> None:
    t = np.arange(0.0, 400.0)
    v = np.select([t < 10, t < 100, t < 200, t < 260], [0, 150, 180, 245], 0).astype(float)
    steps = Recording(t, (Channel("SP", "setpoint", "°C", v),))
    assert setpoint_table(steps) == (
        (0, 0),
        (0, 150),
        (90, 150),
        (90, 180),
        (190, 180),
        (190, 245),
        (250, 245),
        (250, 0),
    )


@settings(max_examples=60, deadline=None)
@given(
    idle_s=st.floats(0, 90),
    phase_s=st.floats(0, 1),
    interval_s=st.sampled_from([0.2, 0.5, 1.0, 2.0]),
    which=st.booleans(),
)
def test_one_profile_is_the_same_whenever_it_was_started(
    idle_s: float, phase_s: float, interval_s: float, which: bool
) -> None:
    corners = RAMPS if which else LEADED[:-1]
    plain = setpoint_table(recording(corners))
    assert same_profile(plain, setpoint_table(recording(corners, interval_s, phase_s, idle_s)), interval_s)


@pytest.mark.parametrize("corner", range(1, 5))
@pytest.mark.parametrize(("seconds", "degrees"), [(8, 0), (0, 3), (-8, 0), (0, -3)])
def test_a_corner_moved_is_another_profile(corner: int, seconds: int, degrees: int) -> None:
    moved = tuple(
        (at + seconds * (i == corner), value + degrees * (i == corner)) for i, (at, value) in enumerate(RAMPS)
    )
    one, other = setpoint_table(recording(RAMPS)), setpoint_table(recording(moved))
    assert not same_profile(one, other)
    assert setpoint_hash(recording(RAMPS)) != setpoint_hash(recording(moved))


def test_a_ramp_from_another_room_temperature_is_the_same_profile() -> None:
    """At one rate, 1.4 °C/s, from 18 °C it takes 5 s longer than from 25 °C: the rest is the same, later."""
    rate = 125 / 90
    late = (25 - 18) / rate
    cold = ((0, 18), *((round(at + late), value) for at, value in RAMPS[1:]))
    assert same_profile(setpoint_table(recording(RAMPS)), setpoint_table(recording(cold)))


def test_the_beginning_of_a_profile_is_known_as_such() -> None:
    whole = setpoint_table(recording(RAMPS))
    cut = recording(RAMPS)
    short = Recording(
        cut.elapsed_s[:211], tuple(Channel(c.name, c.role, c.unit_original, c.values[:211]) for c in cut.channels)
    )
    assert stopped_early(setpoint_table(short), whole)
    assert not stopped_early(whole, whole)
    stopped = ((0, 25), (90, 150), (180, 180), (205, 212), (205, 25), (300, 25))  # halfway up to 245, then let go
    assert stopped_early(setpoint_table(recording(stopped)), whole)
    other = ((0, 25), (90, 150), (180, 180), (205, 225), (205, 25), (300, 25))  # 225 °C at 205 s is not on the way
    assert not stopped_early(setpoint_table(recording(other)), whole)
    assert not stopped_early(setpoint_table(recording((*LEAD_FREE[:-2], (300, 25)))), setpoint_table(recording(LEADED)))


def test_no_set_points_no_profile() -> None:
    t = np.arange(0.0, 300.0)
    board = Channel("T", "temperature", "°C", np.full(300, 25.0))
    idle = Channel("SP", "setpoint", "°C", np.full(300, 25.0))
    lost = Channel("SP", "setpoint", "°C", np.full(300, np.nan))
    for channels in ((board,), (board, idle), (board, lost)):
        assert setpoint_table(Recording(t, channels)) == ()
        assert setpoint_hash(Recording(t, channels)) is None


def test_missing_set_points_do_not_move_the_corners() -> None:
    whole = recording(RAMPS)
    values = whole.channels[0].values.copy()
    values[[40, 41, 130, 200]] = np.nan
    holed = Recording(whole.elapsed_s, (Channel("SP", "setpoint", "°C", values),))
    assert same_profile(setpoint_table(holed), setpoint_table(whole))
