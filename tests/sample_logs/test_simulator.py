"""The oven model's bookkeeping and the directions it must show.

Source of the directions: what a heat balance says (less power: slower, most where losses are largest; more leak: cools
faster; more mass: slower everywhere), as in the project's fault table. The sizes are invented and not checked.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sample_logs.oven_model import LEAD_FREE, LEADED, Bake, Controller, Load, Oven, Profile, Sensor, simulate
from sample_logs.oven_model import simulate_many as many

QUIET = (Sensor("left", "left", noise_k=0.0, step_k=0.01), Sensor("right", "right", noise_k=0.0, step_k=0.01))
NOMINAL = Bake(sensors=QUIET, controller=Controller(steer_by=(1.0, 0.0)), seed=5)


def _up(bake: Bake, values: np.ndarray, level: float) -> float:
    """First upward crossing [s] on the 1 s grid, interpolated."""
    i = int(np.argmax(values >= level))
    assert values[i] >= level, f"never reached {level}"
    return (i - 1 + (level - values[i - 1]) / (values[i] - values[i - 1])) * bake.interval_s


def _effort(bake: Bake) -> dict[str, float]:
    """Open-loop ramps at full power and cooling, the hold's duty from the controlled bake."""
    heat = Profile("full power", ((0.0, 25.0), (1.0, 900.0), (900.0, 900.0)))
    climb = simulate(replace(bake, profile=heat, longest_s=600.0))
    warm = climb.board_c[:, 0]
    off = _up(bake, warm, 260.0)
    down = simulate(replace(bake, profile=Profile("then off", ((0.0, 25.0), (1.0, 900.0), (off, 900.0)))))
    above = down.board_c[:, 0] - bake.room_c
    top = int(above.argmax())
    fall = above[top:]
    seconds = [int(np.argmax(fall < share * above[top])) * bake.interval_s for share in (0.7, 0.35)]
    held = simulate(bake)
    hold_ends = bake.profile.corners[2][0]
    last_minute = (held.elapsed_s > hold_ends - 60) & (held.elapsed_s <= hold_ends)
    return {
        "low": 60 / (_up(bake, warm, 120.0) - _up(bake, warm, 60.0)),
        "high": 40 / (_up(bake, warm, 220.0) - _up(bake, warm, 180.0)),
        "cooling": (seconds[1] - seconds[0]) / math.log(2),
        "duty": float(held.duty[last_minute].mean()),
    }


def _change(fault: Bake) -> dict[str, float]:
    before, after = _effort(NOMINAL), _effort(fault)
    return {name: after[name] / before[name] - 1 for name in before}


def test_less_power_slows_the_hot_ramp_most_and_costs_duty_but_not_cooling() -> None:
    change = _change(replace(NOMINAL, oven=Oven(power_w=0.9 * Oven().power_w)))
    assert change["high"] < change["low"] - 0.01 < -0.05
    assert change["duty"] > 0.05
    assert abs(change["cooling"]) < 0.02


def test_with_headroom_less_power_hardly_moves_the_peak() -> None:
    before = simulate(NOMINAL).readings.max(axis=0)
    after = simulate(replace(NOMINAL, oven=Oven(power_w=0.9 * Oven().power_w))).readings.max(axis=0)
    assert np.abs(after - before).max() < 2.0


def test_a_leaking_door_cools_faster_costs_duty_and_leaves_the_low_ramp() -> None:
    change = _change(replace(NOMINAL, oven=Oven(leak=(0.65, 1.1))))
    assert change["cooling"] < -0.05
    assert change["duty"] > 0.05
    assert change["high"] < change["low"] < 0
    # A leak is told from lost power by this: it spares the low ramp more.
    power = _change(replace(NOMINAL, oven=Oven(power_w=0.9 * Oven().power_w)))
    assert change["low"] / change["high"] < power["low"] / power["high"]


def test_a_leak_at_the_door_side_makes_that_side_cold() -> None:
    before, after = simulate(NOMINAL), simulate(replace(NOMINAL, oven=Oven(leak=(0.55, 1.2))))
    gap = [float(t.readings[:, 0].max() - t.readings[:, 1].max()) for t in (before, after)]
    assert gap[1] > gap[0] + 2.0


def test_more_mass_slows_both_ramps_alike_and_lengthens_cooling() -> None:
    change = _change(replace(NOMINAL, load=Load(capacity=1.4 * Load().capacity)))
    assert change["low"] < -0.05
    assert change["high"] == pytest.approx(change["low"], abs=0.03)
    assert change["cooling"] > 0.05


def test_a_weak_fan_widens_the_spread() -> None:
    heavy_end = Load(heavy_end=0.03)
    before = simulate(replace(NOMINAL, load=heavy_end))
    after = simulate(replace(NOMINAL, load=heavy_end, oven=Oven(fan=0.5)))
    assert np.ptp(after.board_c.max(axis=0)) > np.ptp(before.board_c.max(axis=0)) + 0.5


def test_an_open_element_is_a_large_step_on_every_effort() -> None:
    change = _change(replace(NOMINAL, oven=Oven(element_health=(1.0, 0.4))))
    assert change["low"] < -0.1
    assert change["high"] < change["low"]
    assert change["duty"] > 0.2


def test_a_gain_error_shows_hot_and_not_cold_an_offset_shows_both() -> None:
    true = simulate(NOMINAL)
    low_gain = simulate(replace(NOMINAL, sensors=(QUIET[0], replace(QUIET[1], gain=0.98))))
    offset = simulate(replace(NOMINAL, sensors=(QUIET[0], replace(QUIET[1], offset_k=-3.0))))
    # The right sensor does not steer: only its own reading moves, by 2 % of the temperature above the room.
    hot = true.readings[:, 1].max()
    assert low_gain.readings[:, 1].max() - hot == pytest.approx(-0.02 * (hot - NOMINAL.room_c), abs=0.05)
    assert low_gain.readings[0, 1] == pytest.approx(true.readings[0, 1], abs=0.02)
    assert (offset.readings[:, 1] - true.readings[:, 1]) == pytest.approx(-3.0, abs=0.02)
    assert np.array_equal(low_gain.readings[:, 0], true.readings[:, 0])


def test_a_steering_sensor_that_reads_low_overheats_the_board_with_a_clean_report() -> None:
    true = simulate(NOMINAL)
    lying = simulate(replace(NOMINAL, sensors=(replace(QUIET[0], gain=0.98), QUIET[1])))
    assert abs(lying.readings[:, 0].max() - true.readings[:, 0].max()) < 1.5
    assert lying.board_c[:, 0].max() > true.board_c[:, 0].max() + 3.0


def test_stuck_and_reversed_sensors() -> None:
    stuck = simulate(replace(NOMINAL, sensors=(QUIET[0], replace(QUIET[1], stuck_from_s=100.0))))
    assert len(set(stuck.readings[100:, 1].tolist())) == 1
    back = simulate(replace(NOMINAL, sensors=(QUIET[0], replace(QUIET[1], reversed=True))))
    # Mirrored about the temperature of the terminals, here the room.
    true = simulate(NOMINAL)
    assert back.readings[:, 1] + true.readings[:, 1] == pytest.approx(2 * NOMINAL.room_c, abs=0.03)


def test_a_switch_failed_closed_heats_at_zero_command() -> None:
    idle = Profile("never on", ((0.0, 0.0), (300.0, 0.0)))
    trace = simulate(replace(NOMINAL, profile=idle, controller=Controller(steer_by=(1.0, 0.0), stuck_on=1.0)))
    assert trace.duty.max() == 0.0
    assert trace.readings[200, 0] > 150.0


@pytest.mark.parametrize("kind", ["pi", "on_off"])
@pytest.mark.parametrize("profile", [LEAD_FREE, LEADED], ids=lambda p: p.name)
def test_energy_put_in_is_lost_or_stored(profile: Profile, kind) -> None:
    bake = replace(NOMINAL, profile=profile, controller=Controller(kind=kind, steer_by=(1.0, 0.0)))
    energy = simulate(bake).energy_j
    assert energy["put_in"] > 50_000
    # Conservation of energy: exact but for rounding, since every exchange leaves one node and enters another.
    assert energy["lost"] + energy["stored"] == pytest.approx(energy["put_in"], rel=1e-9)


def test_left_alone_it_stays_at_room_temperature() -> None:
    idle = Profile("never on", ((0.0, 0.0), (300.0, 0.0)))
    trace = simulate(replace(NOMINAL, profile=idle, log_until_c=-99.0, longest_s=600.0))
    assert trace.board_c == pytest.approx(NOMINAL.room_c, abs=1e-9)


def test_a_shorter_step_gives_the_same_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    # Independent of the step: the step's error at peak is far below the sensors' resolution.
    coarse = simulate(NOMINAL)
    monkeypatch.setattr("sample_logs.oven_model.STEP_S", 0.05)
    fine = simulate(NOMINAL)
    assert fine.board_c.max() == pytest.approx(coarse.board_c.max(), abs=0.3)


def test_same_seed_same_bake_and_neighbours_do_not_matter() -> None:
    noisy = replace(NOMINAL, sensors=(Sensor("left", "left"), Sensor("right", "right")))
    alone = simulate(noisy)
    others = [replace(noisy, seed=6, oven=Oven(power_w=600.0)), noisy, replace(noisy, profile=LEADED, seed=7)]
    among = many(others)[1]
    assert np.array_equal(alone.readings, among.readings)
    assert np.array_equal(alone.duty, among.duty)
    assert not np.array_equal(alone.readings, simulate(replace(noisy, seed=8)).readings[: len(alone.readings)])


def test_unfit_bakes_are_refused_with_the_reason() -> None:
    with pytest.raises(ValueError, match="2 sensors but 1 weights"):
        simulate(replace(NOMINAL, controller=Controller()))
    with pytest.raises(ValueError, match=r"interval 0\.7 s"):
        simulate(replace(NOMINAL, interval_s=0.7))
    assert many([]) == []
