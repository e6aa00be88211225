"""How danger leads: dead sensors that steer, heat that nobody asked for, and what an average hides."""

from __future__ import annotations

import numpy as np
from check_logs import PROFILE, STOP_HEAT, STOP_SENSOR, T, log, look, loud, noisy, three

from analysis.results import Context
from ingest.recording import Channel, Recording


def test_an_average_that_contains_a_dead_channel() -> None:
    a, b, _ = three()
    dead = np.full_like(T, 24.5)
    recording = log(a, dead, b)
    average = Channel("mean", "temperature", "°C", (a + dead + b) / 3, judged=False)
    findings = look(Recording(T, (*recording.channels, average)))
    assert {("stuck", 1, "fail"), ("average_hides", 3, "fail")} == set(loud(findings))
    steered = look(recording, Context(control_channel="average"))
    [hides] = [f for f in steered if f.code == "average_hides"]
    assert hides.danger == STOP_SENSOR


def test_danger_of_a_dead_control_sensor_leads_and_a_monitor_is_no_danger() -> None:
    a, b, _ = three()
    dead = np.full_like(T, 24.5)
    control = look(log(a, b, dead, setpoint=PROFILE), Context(control_channel="TC3"))
    assert (control[0].code, control[0].danger) == ("stuck", STOP_SENSOR)
    monitor = look(log(a, b, dead, setpoint=PROFILE), Context(control_channel="TC1"))
    assert ("stuck", 2, "fail") in loud(monitor)
    assert not any(f.danger for f in monitor)
    seen = look(log(a, b, dead, setpoint=PROFILE))  # TC1 follows the set point, so TC3 is seen not to steer
    assert not any(f.danger for f in seen)
    unknown = look(log(a, b, dead))  # nobody can tell: it may be the one
    assert unknown[0].danger == STOP_SENSOR


def test_heat_at_zero_command_against_stored_heat() -> None:
    """Power cut at 200 s: an overshoot that dies with a time constant of 30 s is stored heat, a steady rise is not."""
    duty = np.where(T < 200, 1.0, 0.0)
    ramp = 25 + 0.8 * np.minimum(T, 200)
    overshoot = ramp + np.where(T > 200, 25 * (1 - np.exp(-(T - 200) / 30)), 0) - np.where(T > 260, (T - 260) * 0.5, 0)
    assert loud(look(log(overshoot, duty=duty))) == []
    fed = 25 + 0.8 * T
    findings = look(log(fed, duty=duty))
    assert loud(findings)[0] == ("heat_at_zero_command", None, "fail")
    assert findings[0].danger == STOP_HEAT
    standing = np.where(T < 200, ramp, 185.0) + np.random.default_rng(0).normal(0, 0.1, len(T))
    assert loud(look(log(standing, duty=duty))) == [("heat_at_zero_command", None, "fail")]
    cooling = np.where(T < 200, ramp, 25 + 160 * np.exp(-(T - 200) / 900))  # well insulated, but it cools
    assert loud(look(log(cooling, duty=duty))) == []


def test_heat_without_a_logged_duty_is_suspected_from_the_set_point() -> None:
    setpoint = np.where(T < 200, PROFILE, 25.0)
    findings = look(log(25 + 0.6 * T, setpoint=setpoint))
    assert ("heat_at_zero_command", None, "suspect") in loud(findings)


def test_heat_at_a_cold_start_needs_no_waiting() -> None:
    t = T[:80]
    values = 22 + np.maximum(t - 5, 0) * 1.0
    assert ("heat_at_zero_command", None, "fail") in loud(look(log(values, duty=np.zeros_like(t), elapsed=t)))


def test_runaway_past_the_set_point_and_a_usual_overshoot() -> None:
    setpoint = np.interp(T, [0, 100, 400], [25, 150, 150])
    away = 25 + 1.25 * T
    findings = look(log(away, setpoint=setpoint, duty=np.full_like(T, 0.8)))
    assert ("runaway", None, "fail") in loud(findings)
    assert "switch off at the wall" in findings[0].danger
    # overshoot by 22 K that dies away: converted kitchen ovens do that
    over = np.minimum(25 + 1.25 * T, 150) + np.where(T > 100, 22 * np.exp(-(((T - 140) / 30) ** 2)), 0)
    assert loud(look(log(over, setpoint=setpoint, duty=np.where(T < 110, 0.8, 0.2)))) == []
    assert ("runaway", None, "fail") in loud(look(log(away)))  # nothing asked, but above 300 °C and rising


def test_a_set_point_out_of_reach_is_no_fault() -> None:
    weak = 25 + 195 * (1 - np.exp(-T / 90))
    setpoint = np.interp(T, [0, 150, 400], [25, 260, 260])
    assert loud(look(log(noisy(weak, 1), noisy(weak * 0.97 + 0.7, 2), setpoint=setpoint, duty=np.ones_like(T)))) == []
