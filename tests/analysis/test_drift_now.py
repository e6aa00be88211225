"""What is said about an oven now: margins and their forecast, reference runs, effort numbers, answers and the record."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from simulated_series import season

from analysis.drift.answers import Answer, answered, is_open, record_of
from analysis.drift.calls import detect
from analysis.drift.causes import Effect, rank_causes
from analysis.drift.forecast import forecast_margin
from analysis.drift.margins import margin_change
from analysis.drift.now import effort_now, reference_results, reference_state
from analysis.drift.outlook import outlooks
from analysis.drift.patterns import combine


def test_forecast_gives_a_range_or_refuses_with_the_reason():
    rng = np.random.default_rng(1)
    hours = np.arange(60) * 0.12
    falling = 12 - 0.12 * np.arange(60) + rng.normal(0, 0.6, 60)
    got = forecast_margin("peak_c", "K", falling, hours)
    assert got.refused is None
    assert got.runs_low < got.runs < got.runs_high
    assert got.runs == pytest.approx(40, rel=0.25)  # 12 / 0.12 - 60
    assert got.hours == pytest.approx(got.runs * 0.12, rel=1e-6)
    assert "20 needed" in forecast_margin("peak_c", "K", falling[:10], hours[:10]).refused
    assert "includes zero" in forecast_margin("peak_c", "K", rng.normal(8, 1, 60), hours).refused
    step = np.r_[rng.normal(9, 0.4, 30), rng.normal(5, 0.4, 30)]
    assert "step" in forecast_margin("peak_c", "K", step, hours).refused
    slow = 40 - 0.05 * np.arange(60) + rng.normal(0, 0.3, 60)
    assert "farther than the history" in forecast_margin("peak_c", "K", slow, hours).refused


def falling_margins(runs, slope, at=80):
    rng = np.random.default_rng(0)
    n = len(runs)
    margin = 14 - slope * np.maximum(0, np.arange(n) - at) + rng.normal(0, 0.4, n)
    return pd.DataFrame({"run": runs["run"], "limit": "peak, 235 to 250 °C", "margin": margin, "unit": "K"})


def test_an_open_trend_gets_its_margins_forecast_and_its_effect_in_margin():
    runs, metrics = season(2, fault="heater", size=0.001)
    runs["board"] = "P"
    margins = falling_margins(runs, 0.09)
    found = detect("oven", runs, metrics, margins=margins)
    given = [o for o in outlooks(found, margins) if o.forecast.refused is None]
    assert given
    assert "used up in" in given[0].text
    call = next(c for c in found.calls if c.alarm_run > 80)
    assert call.margin is not None
    assert call.margin.after < call.margin.before
    json = given[0].to_json()
    assert json["n"] >= 20
    assert json["level"] == 0.9


def test_without_a_trend_only_one_margin_is_tried():
    runs, metrics = season(401)
    margins = pd.concat([falling_margins(runs, 0.0), falling_margins(runs, 0.0).assign(limit="other")])
    found = detect("oven", runs, metrics, margins=margins)
    assert len(outlooks(replace(found, calls=()), margins)) == 1
    assert outlooks(found, None) == []


def test_margin_change_compares_within_groups_only():
    runs = np.arange(40)
    margins = pd.DataFrame({"run": runs, "limit": "peak", "unit": "K", "margin": np.where(runs < 20, 10.0, 4.0)})
    same = margin_change(margins, runs, ["a"] * 40, 20)
    assert same is not None
    assert (same.before, same.after, same.used_up) == (10.0, 4.0, False)
    assert margin_change(margins, runs, ["a"] * 20 + ["b"] * 20, 20) is None
    assert margin_change(None, runs, ["a"] * 40, 20) is None


def test_effort_numbers_stand_against_their_baseline():
    runs, metrics = season(2, fault="heater", size=0.001)
    found = detect("oven", runs, metrics)
    ramp, duty, cooling = effort_now(found)
    # Planted: -0.1 % and +0.11 % a run over 120 runs, seen by the newest ten; e^-0.115 and e^0.127.
    assert ramp.change == pytest.approx(-0.109, abs=0.03)
    assert duty.change == pytest.approx(0.135, abs=0.04)
    assert cooling.low <= 0 <= cooling.high
    assert (ramp.state, ramp.n) == ("firm", 10)
    without = detect("oven", runs, metrics[metrics.metric != "hold_duty"])
    assert effort_now(without, {"hold_duty": "no heater duty in the log"})[1].reason == "no heater duty in the log"


def test_reference_runs_are_listed_and_due():
    runs, metrics = season(3)
    runs.loc[::7, "kind"] = "reference"
    last = runs[runs["kind"] == "reference"].iloc[-1]
    now = last["started_at"] + pd.Timedelta(days=40)
    state = reference_state(runs, now, None)
    assert (state.last_run, state.every_days) == (last["run"], 30.0)
    assert state.overdue_days == pytest.approx(10.0)
    assert reference_state(runs, now, 60.0).overdue_days == pytest.approx(-20.0)
    assert reference_state(runs[runs["kind"] != "reference"], now).last_run is None
    table = reference_results(detect("oven", runs, metrics))
    assert table["run"].tolist() == sorted(table["run"], reverse=True)
    assert len(table) == int((runs["kind"] == "reference").sum())
    assert table["hold_duty_change"].notna().sum() > 10


def call_of_season(seed=2):
    return next(c for c in detect("oven", *season(seed, fault="sensor_offset", size=3.0)).calls if c.alarm_run > 80)


def test_an_answer_stays_with_its_call_when_the_call_moves_a_little():
    call = call_of_season()
    given = Answer(1, "another id", call.to_json(), "fixed", None, "me", "2025-11-01T00:00:00+00:00")
    assert answered([call], [given])[call.id].answer == "fixed"
    assert not is_open(call, given)
    assert is_open(call, replace(given, answer="watch"))
    elsewhere = call.to_json() | {"since_run_interval": [1, 5]}
    assert answered([call], [replace(given, call=elsewhere)]) == {}


def test_the_record_counts_what_people_said():
    call = call_of_season()
    one = Answer(1, call.id, call.to_json(), "watch", None, None, "2025-11-01T00:00:00+00:00")
    assert "record is unknown" in record_of([call], []).text
    later = replace(one, number=2, answer="false")
    record = record_of([call], [one, later])
    assert (record.real, record.false, record.watched, record.unanswered) == (0, 1, 0, 0)
    gone = Answer(3, "gone", call.to_json() | {"since_run_interval": [1, 5]}, "fixed", None, None, "")
    assert record_of([call], [later, gone]).text.startswith(
        "Of 2 calls that someone looked into, 1 were real and 1 false"
    )


def effect(change, moved):
    return Effect("x", change, change, change, 5.0 * moved, moved, 30, 30, f"x {change:+.2f}")


@pytest.mark.parametrize(
    ("moved", "shape", "cause"),
    [  # rows of the fault table of the trade; directions common practice, no published source
        ({"full_power_ramp_high_c_per_s": -0.12, "hold_duty": 0.13, "cooling_time_constant_s": 0}, "trend", "heater"),
        ({"full_power_ramp_high_c_per_s": -0.12, "hold_duty": 0.13, "cooling_time_constant_s": 0}, "step", "mains"),
        ({"full_power_ramp_high_c_per_s": -0.5, "hold_duty": 0.35, "cooling_time_constant_s": 0}, "step", "heater"),
        ({"cooling_time_constant_s": -0.3, "hold_duty": 0.09, "full_power_ramp_high_c_per_s": -0.06}, "trend", "seal"),
        ({"full_power_ramp_high_c_per_s": -0.14, "full_power_ramp_low_c_per_s": -0.14, "cooling_time_constant_s": 0.25,
          "hold_duty": 0}, "step", "load"),
        ({"channel_difference_cold": 3.0, "channel_difference_at_peak": 3.0, "hold_duty": 0}, "step", "sensor_offset"),
        ({"channel_difference_cold": 0, "channel_difference_at_peak": 4.0, "hold_duty": 0}, "trend", "sensor_gain"),
        ({"channel_difference_cold": 0, "channel_difference_at_peak": 4.0, "hold_duty": 0}, "step", "side"),
        # With both channels under an average that steers, the peaks move apart and the lag may move with them.
        ({"channel_difference_at_peak": 8.0, "channel_difference_cooling": 4.0, "channel_difference_cold": 0,
          "coldest_peak_c": -4.0, "setpoint_lag_s": 2.0, "cooling_time_constant_s": 0, "saturation_fraction": 0}, "trend",
         "sensor_gain"),
        ({"channel_difference_at_peak": 2.0, "channel_difference_cooling": -2.5, "channel_difference_cold": 0}, "step", "side"),
        ({"channel_difference_at_peak": 2.0, "channel_difference_cooling": 0, "channel_difference_cold": 0}, "trend", "side"),
        ({"room_difference": 3.0, "channel_difference_cold": 0, "channel_difference_at_peak": 0}, "step", "reference_junction"),
        ({"setpoint_lag_s": 3.0, "coldest_peak_c": 4.0, "hold_duty": 0, "cooling_time_constant_s": 0}, "step",
         "setpoint_or_firmware"),
    ],
)  # fmt: skip
def test_causes_follow_the_fault_table(moved, shape, cause):
    effects = {name: effect(c, int(np.sign(c))) for name, c in moved.items()}
    assert rank_causes(effects, shape)[0].cause == cause


def test_what_fits_nothing_is_called_unknown():
    odd = {
        name: effect(0.2, 1)
        for name in ("full_power_ramp_high_c_per_s", "cooling_time_constant_s", "channel_difference_cold")
    }
    assert rank_causes(odd, "step")[0].cause == "unknown"


def test_a_pattern_has_unit_scatter_and_sums_what_points_one_way():
    runs, metrics = season(401)
    watched = detect("oven", runs, metrics).epochs[0].watched
    pattern = combine("heater", watched)
    assert pattern is not None
    settled = pattern.z[40:]
    assert 0.75 < np.nanstd(settled) < 1.35
    runs, metrics = season(401, fault="heater", size=0.001)
    faulty = detect("oven", runs, metrics).epochs[0].watched
    combined = combine("heater", faulty)
    assert combined is not None
    alone = max(abs(np.nanmean(w.z[150:])) for k, w in faulty.items() if k in combined.weights)
    assert np.nanmean(combined.z[150:]) > alone
    assert combine("seal", {k: w for k, w in watched.items() if k[0] == "hold_duty"}) is None
