"""The oven model against published step-response and cooling examples, and against planted truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from simulated_oven import any_oven, bake, recording_of

from analysis.oven_model import ChannelModel, Estimate, hold_duty, identify, identify_channel
from analysis.step_response import newton_fit, two_point
from ingest.recording import Channel, Recording

REFERENCE = Path(__file__).parents[1] / "reference"
# C. L. Smith 1972; Smith and Corripio: two-point method for first order plus dead time.
FOPDT = json.loads((REFERENCE / "fopdt_two_point.json").read_text(encoding="utf-8"))
# Lienhard and Lienhard, A Heat Transfer Textbook, Example 1.4.
BEAD = json.loads((REFERENCE / "lumped_thermocouple_bead.json").read_text(encoding="utf-8"))


def step_answer(t: np.ndarray, gain: float, tau: float, theta: float) -> np.ndarray:
    return gain * np.where(t > theta, 1.0 - np.exp(-np.maximum(t - theta, 0.0) / tau), 0.0)


def test_two_point_gives_the_published_estimates() -> None:
    model = FOPDT["model"]
    t = np.arange(0.0, 600.0, 0.01)
    found = two_point(t, step_answer(t, model["K"], model["tau"], model["theta"]), model["step"], final=model["K"])
    expected = FOPDT["expected"]
    assert found.gain == pytest.approx(2.0)
    assert found.t28_s == pytest.approx(expected["t28.3"]["value"], abs=1e-4)
    assert found.t63_s == pytest.approx(expected["t63.2"]["value"], abs=1e-4)
    assert found.time_constant_s == pytest.approx(expected["tau_estimate"]["value"], abs=1e-3)
    assert found.delay_s == pytest.approx(expected["theta_estimate"]["value"], abs=1e-3)


def test_two_point_says_why_it_cannot() -> None:
    t = np.arange(0.0, 60.0)
    with pytest.raises(ValueError, match="missing values"):
        two_point(t, np.full(60, np.nan), 1.0)
    with pytest.raises(ValueError, match="no answer"):
        two_point(t, np.full(60, 20.0), 1.0)
    with pytest.raises(ValueError, match=r"does not pass 63\.2 %"):
        two_point(t, np.linspace(0, 0.5, 60), 1.0, final=1.0)


def test_identification_agrees_with_the_two_point_method_on_one_step() -> None:
    """A step of the duty, as both methods can read it: tau 30, theta 8, and the duty cut again."""
    t = np.arange(0.0, 300.0)
    duty = np.where((t >= 20) & (t < 180), 0.5, 0.0)
    up = step_answer(t - 20, 200.0, 30.0, 8.0)
    values = 25.0 + up - step_answer(t - 180, 200.0, 30.0, 8.0)
    fitted = identify_channel(t, duty, values, room_c=25.0, end_s=290.0)
    published = two_point(t[:160], up[20:180], 0.5)
    assert fitted.reason == ""
    assert fitted.gain_k.value == pytest.approx(400.0, rel=0.01)
    assert fitted.time_constant_s.value == pytest.approx(published.time_constant_s, rel=0.03)
    assert fitted.delay_s.value == pytest.approx(published.delay_s, abs=0.7)


def test_intervals_cover_planted_truth() -> None:
    """95 % intervals under white noise of 0.3 K: at least 85 of 100 must hold the truth (0.1 % chance of fewer)."""
    held = {"gain": 0, "tau": 0, "delay": 0}
    t = np.arange(0.0, 400.0)
    duty = np.where(t < 100, 0.8, np.where(t < 200, 0.25, np.where(t < 300, 0.9, 0.3)))
    answer = np.zeros_like(t)
    changes = [(0, 0.8), (100, -0.55), (200, 0.65), (300, -0.6)]
    for at, size in changes:
        answer += step_answer(t - at, 500.0 * size, 150.0, 10.0)
    for seed in range(100):
        rng = np.random.default_rng(seed)
        found = identify_channel(t, duty, 22.0 + answer + rng.normal(0, 0.3, len(t)), room_c=22.0, end_s=400.0)
        for word, e, truth in (
            ("gain", found.gain_k, 500.0),
            ("tau", found.time_constant_s, 150.0),
            ("delay", found.delay_s, 10.0),
        ):
            held[word] += e is not None and e.low <= truth <= e.high
    assert min(held["gain"], held["tau"]) >= 85
    assert held["delay"] >= 80


def test_side_difference_is_the_planted_one() -> None:
    oven = any_oven(np.random.default_rng(0), tips=3, interval_s=1.0, switching="proportional", warm_k=0.0)
    oven = type(oven)(**{**oven.__dict__, "element_k_per_s": 4.0, "noise_k": 0.1})
    found = identify(recording_of(bake(oven), np.random.default_rng(1)), room_c=oven.room_c)
    assert found.reason == ""
    assert found.sides
    for side in found.sides:
        tips = {t.name: t for t in oven.tips}
        a, b = tips[side.first], tips[side.second]
        rise_a, rise_b = (1 + a.side) * a.gain, (1 + b.side) * b.gain
        truth = side.at_rise_k * (rise_a - rise_b) / (0.5 * (rise_a + rise_b))
        assert side.difference_k.value == pytest.approx(truth, abs=3.0)


def test_a_log_that_does_not_excite_is_refused_in_words() -> None:
    t = np.arange(0.0, 200.0)
    rising = Channel("TC", "temperature", "°C", 25.0 + t)
    full = Channel("duty", "duty", "%", np.ones_like(t))
    assert "cannot be told apart" in identify(Recording(t, (rising, full))).reason
    assert "no duty in the log" in identify(Recording(t, (rising,))).reason
    off = Channel("duty", "duty", "%", np.zeros_like(t))
    assert "the heater is on for 0 s only" in identify(Recording(t, (rising, off))).reason
    switching = Channel("duty", "duty", "%", np.where(t < 100, 1.0, 0.2))
    flat = Channel("TC", "temperature", "°C", np.full_like(t, 30.0))
    assert "rises by 0 K" in identify(Recording(t, (flat, switching))).channels[0].reason
    warm = Channel("TC", "temperature", "°C", 80.0 + t)
    assert "warm start" in identify(Recording(t, (warm, switching))).channels[0].reason
    short = Recording(t[:30], (Channel("TC", "temperature", "°C", t[:30]), Channel("duty", "duty", "%", t[:30] / 30)))
    assert "the log lasts 29 s" in identify(short).reason


def test_a_curve_the_model_cannot_follow_is_refused() -> None:
    t = np.arange(0.0, 300.0)
    duty = np.where(t < 150, 1.0, 0.3)
    values = 25.0 + 100.0 * (1 + np.sin(t / 12.0)) * (t > 10)
    assert "misses the curve" in identify_channel(t, duty, values, room_c=25.0, end_s=300.0).reason


def test_newton_cooling_gives_the_textbook_bead() -> None:
    d = BEAD["data"]
    tau = d["rho"] * d["c"] * d["D_m"] / 6.0 / d["h"]
    assert tau == pytest.approx(BEAD["expected"]["tau_s"]["value"], abs=1e-3)
    t = np.linspace(0.0, 6.0, 61)
    values = d["Tinf"] + (d["T0"] - d["Tinf"]) * np.exp(-t / tau)
    found = newton_fit(t, values)
    assert found.time_constant_s.value == pytest.approx(tau, rel=1e-5)
    assert found.surroundings_c == pytest.approx(200.0, abs=1e-3)
    at_5 = found.surroundings_c + (d["T0"] - found.surroundings_c) * np.exp(-5.0 / found.time_constant_s.value)
    assert at_5 == pytest.approx(BEAD["expected"]["T_at_5s"]["value"], abs=1e-3)
    given = newton_fit(t, values, surroundings_c=200.0)
    assert given.time_constant_s.value == pytest.approx(tau, rel=1e-6)


def test_newton_fit_leaves_out_missing_samples_and_refuses_too_little() -> None:
    t = np.arange(0.0, 100.0)
    values = 25.0 + 150.0 * np.exp(-t / 60.0)
    values[10:20] = np.nan
    assert newton_fit(t, values, surroundings_c=25.0).time_constant_s.value == pytest.approx(60.0, rel=1e-6)
    with pytest.raises(ValueError, match="fewer than 8"):
        newton_fit(t[:7], values[:7])
    with pytest.raises(ValueError, match="less than 2 K"):
        newton_fit(t, np.full_like(t, 25.0))


def test_hold_duty_from_the_model_is_rise_over_gain_with_the_gains_interval() -> None:
    # by hand, from tau dT/dt = room + K u - T at rest: u = rise / K; 175 / 350 = 0.5, 175 / 400, 175 / 300
    gain = Estimate(350.0, 300.0, 400.0, "K")
    held = hold_duty(ChannelModel("left", "", gain), 175.0)
    assert held is not None
    assert (held.value, held.low, held.high) == (0.5, 175 / 400, pytest.approx(175 / 300))
    assert hold_duty(ChannelModel("left", "", Estimate(350.0, 170.0, 530.0, "K")), 175.0) is None
    assert hold_duty(ChannelModel("left", "no gain"), 175.0) is None
