"""Effort and sensor metrics on curves whose answer is known by formula or by hand."""

from __future__ import annotations

import numpy as np
import pytest
from profiles import context, lines, recording, reference, temperature, value_of

from analysis.metrics import measure
from ingest.recording import Channel

BEAD = reference("lumped_thermocouple_bead.json")


def setpoint(values):
    return Channel("set", "setpoint", "°C", np.asarray(values, dtype=float))


def duty(values):
    return Channel("heater", "duty", "%", np.asarray(values, dtype=float))


def newton(tau_s: float, room_c: float = 20.0, peak_c: float = 240.0, step_s: float = 1.0):
    """A climb, then Newton cooling T = Ta + (Tp - Ta) exp(-t / tau)."""
    t = np.arange(0.0, 240.0 + 2.0 * tau_s, step_s)
    fall = room_c + (peak_c - room_c) * np.exp(-np.maximum(t - 240.0, 0.0) / tau_s)
    return t, np.where(t < 240, room_c + (peak_c - room_c) * t / 240.0, fall)


@pytest.mark.parametrize("tau_s", [60.0, 150.0, 400.0])
def test_newton_cooling_gives_its_time_constant(tau_s):
    # Newton's law of cooling, Lienhard & Lienhard, A Heat Transfer Textbook, section 1.3
    t, v = newton(tau_s)
    metrics = measure(recording(t, temperature("tc1", v), duty(t < 240)), context(ambient_c=20.0))
    found = value_of(metrics, "cooling_time_constant_s")
    assert (found.status, found.value) == ("ok", pytest.approx(tau_s, rel=1e-9))
    assert "door state not recorded" in (found.reason or "")


def test_the_textbook_bead_cooled_is_as_slow_as_heated():
    # the example's bead (tau 1.116 s) sampled fast enough, cooling instead of heating: the same time constant
    tau = BEAD["expected"]["tau_s"]["value"]
    t, v = newton(tau, step_s=0.05)
    found = value_of(
        measure(recording(t, temperature("tc1", v), duty(t < 240)), context(ambient_c=20.0)), "cooling_time_constant_s"
    )
    assert found.value == pytest.approx(tau, rel=1e-6)


def test_cooling_with_the_heater_on_or_from_a_warm_start_is_declined():
    t, v = newton(100.0)
    on = measure(recording(t, temperature("tc1", v), duty(np.full(len(t), 0.3))), context(ambient_c=20.0))
    assert value_of(on, "cooling_time_constant_s").reason == "the heater was on while cooling"
    warm = measure(recording(t, temperature("tc1", v + 60.0), duty(t < 240)), context())
    assert "the run starts warm" in (value_of(warm, "cooling_time_constant_s").reason or "")


def test_a_log_that_stops_early_says_how_far_it_should_have_gone():
    t, v = newton(100.0)
    keep = t < 300
    found = value_of(
        measure(recording(t[keep], temperature("tc1", v[keep])), context(ambient_c=20.0)), "cooling_time_constant_s"
    )
    assert (found.status, found.value) == ("not evaluated", None)
    assert "the log ends before 97 °C" in (found.reason or "")  # 20 + 0.35 x 220


def test_lag_behind_a_ramping_set_point_is_the_time_constant():
    # first-order lag on a ramp r settles at r tau behind (ramp_lag_rule of the reference file): tau seconds late
    tau, rate, step = 12.0, 1.0, 0.5
    t = np.arange(0.0, 400.0, step)
    sp = np.minimum(25.0 + rate * t, 225.0)
    v = np.empty_like(sp)
    v[0] = 25.0
    for i in range(1, len(t)):
        v[i] = v[i - 1] + (sp[i] - v[i - 1]) * (1 - np.exp(-step / tau))
    metrics = measure(recording(t, temperature("fast", sp), temperature("slow", v), setpoint(sp)), context())
    found = value_of(metrics, "setpoint_lag_s", None)
    assert found.value == pytest.approx(tau, abs=0.5)
    assert (found.reason or "").startswith("of slow")


def test_hold_duty_is_the_mean_of_the_last_60_s_of_each_hold():
    t = np.arange(0.0, 500.0)
    sp = np.interp(t, [0, 100, 220, 260, 330, 331, 400], [25, 150, 150, 230, 230, 25, 25])
    d = np.where((t >= 100) & (t < 160), 0.9, np.where((t >= 160) & (t <= 220), 0.4, np.where(t < 331, 1.0, 0.0)))
    metrics = measure(recording(t, temperature("tc1", sp), setpoint(sp), duty(d)), context())
    low = value_of(metrics, "hold_duty", None, window_s=60, hold_c=150)
    assert low.value == pytest.approx(0.4, abs=1e-9)
    assert low.reason is None
    high = value_of(metrics, "hold_duty", None, window_s=60, hold_c=230)
    assert high.value == pytest.approx(1.0)


def test_without_a_set_point_the_hold_is_found_in_the_channels_and_marked():
    t = np.arange(0.0, 500.0)
    v = np.interp(t, [0, 100, 240, 280, 300, 420], [25, 150, 151, 230, 230, 60])
    metrics = measure(recording(t, temperature("tc1", v), duty(np.full(len(t), 0.5))), context())
    found = value_of(metrics, "hold_duty", None)
    assert found.parameters == '{"hold_c":150,"window_s":60}'
    assert "detected" in (found.reason or "")
    bare = measure(recording(t, temperature("tc1", v)), context())
    assert value_of(bare, "hold_duty", None).reason == "no heater duty in the log"


def test_saturation_is_the_share_of_heating_at_full_power():
    # by hand: full power for 90 of the 200 s to the top
    t, v = lines([(0, 25), (200, 240), (210, 240), (320, 60)])
    d = np.where(t < 90, 1.0, np.where(t < 200, 0.6, 0.0))
    found = value_of(measure(recording(t, temperature("tc1", v), duty(d)), context()), "saturation_fraction", None)
    assert found.value == pytest.approx(90 / 200, abs=1e-9)


def test_full_power_ramps_need_full_power_throughout():
    t, v = lines([(0, 20), (50, 120), (110, 180), (160, 220), (200, 240), (320, 60)])
    full = np.where(t < 200, 1.0, 0.0)
    metrics = measure(recording(t, temperature("tc1", v), duty(full)), context())
    assert value_of(metrics, "full_power_ramp_low_c_per_s").value == pytest.approx(2.0)
    assert value_of(metrics, "full_power_ramp_high_c_per_s").value == pytest.approx(0.8)
    dip = np.where((t > 130) & (t < 133), 0.5, full)
    metrics = measure(recording(t, temperature("tc1", v), duty(dip)), context())
    assert value_of(metrics, "full_power_ramp_low_c_per_s").value == pytest.approx(2.0)
    high = value_of(metrics, "full_power_ramp_high_c_per_s")
    assert (high.status, high.reason) == ("not evaluated", "duty did not stay at full power from 180 to 220 °C")


def test_overshoot_is_the_excess_over_the_highest_set_point():
    t, v = lines([(0, 25), (200, 247), (240, 247), (320, 60)])
    sp = np.interp(t, [0, 200, 240, 241], [25, 240, 240, 25])
    metrics = measure(recording(t, temperature("tc1", v), setpoint(sp)), context())
    assert value_of(metrics, "overshoot_c").value == pytest.approx(7.0)


def test_cold_start_spread_and_room():
    t, v = lines([(0, 22), (10, 22), (200, 240), (320, 60)])
    two = recording(t, temperature("tc1", v), temperature("tc2", v + 1.5))
    metrics = measure(two, context(ambient_c=21.0))
    assert value_of(metrics, "cold_start_spread_c", None).value == pytest.approx(1.5)
    assert value_of(metrics, "cold_start_minus_room_c", 1).value == pytest.approx(2.5)
    unknown = measure(two, context())
    assert value_of(unknown, "cold_start_minus_room_c", 1).reason == "room temperature not recorded"
    warm = measure(recording(t, temperature("tc1", v + 40), temperature("tc2", v + 41)), context())
    assert value_of(warm, "cold_start_spread_c", None).status == "not evaluated"


def test_channel_lag_is_the_delay_behind_the_median_of_the_others():
    corners = [(0, 25), (200, 225), (240, 240), (330, 60)]
    t, _ = lines(corners)
    at = [c[0] for c in corners], [c[1] for c in corners]
    channels = [temperature(f"tc{i}", np.interp(t - delay, *at)) for i, delay in enumerate((0, 2, 4, 14))]
    metrics = measure(recording(t, *channels), context())
    # others of the last: 0, 2, 4 s, median 2; of the first: 2, 4, 14, median 4
    assert value_of(metrics, "channel_lag_s", 3).value == pytest.approx(12.0, abs=0.3)
    assert value_of(metrics, "channel_lag_s", 0).value == pytest.approx(-4.0, abs=0.3)
    alone = measure(recording(t, channels[0]), context())
    assert value_of(alone, "channel_lag_s").status == "not evaluated"


def test_noise_is_the_standard_deviation_put_in():
    rng = np.random.default_rng(8)
    t, v = lines([(0, 25), (2000, 240), (4000, 60)])
    for sigma in (0.1, 0.5, 2.0):
        found = value_of(
            measure(recording(t, temperature("tc1", v + rng.normal(0, sigma, len(t)))), context()), "noise_c"
        )
        assert found.value == pytest.approx(sigma, rel=0.05)


def test_repeats_are_counted_only_while_the_group_moves():
    t, v = lines([(0, 25), (100, 25), (250, 200), (300, 200), (400, 60)])
    stuck = np.full(len(t), 25.0)
    metrics = measure(
        recording(t, temperature("tc1", v), temperature("tc2", v + 1), temperature("tc3", stuck)), context()
    )
    assert value_of(metrics, "repeat_fraction", 2).value == 1.0
    assert value_of(metrics, "repeat_fraction", 0).value < 0.1


def test_dropouts_count_stretches():
    t, v = lines([(0, 25), (200, 240), (320, 60)])
    v[[5, 6, 50, 319, 320]] = np.nan
    assert value_of(measure(recording(t, temperature("tc1", v)), context()), "dropouts").value == 3
