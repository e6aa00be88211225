"""The whole road from tables to calls, on invented seasons with planted changes (tests/analysis/simulated_series.py)."""

import numpy as np
import pandas as pd
import pytest
from simulated_series import season

from analysis.drift.calls import detect
from analysis.drift.events import event_reports
from analysis.drift.forecast import forecast_margin

CONTRACT = {
    "oven", "series", "channel", "kind", "since", "since_interval", "size", "size_interval", "unit", "rate_per_100_runs", "n",
    "tier", "causes", "check_first",
}  # fmt: skip


def event(kind, when, restarts):
    return pd.DataFrame([{"kind": kind, "happened_at": when, "restarts_baseline": restarts}])


def test_clean_seasons_stay_quiet():
    calls = sum(len(detect("oven", *season(seed)).calls) for seed in range(400, 410))
    # The promise is at most 1 in 100 runs, 20 here; the benchmark finds a fifth of that. 10 is beyond its upper 99 %.
    assert calls <= 10


@pytest.mark.parametrize(
    ("fault", "size", "kind"),
    [
        ("heater", 0.001, "trend"),
        ("seal", 0.0005, "trend"),
        ("sensor_offset", 3.0, "step"),
        ("sensor_gain", 4.0, "trend"),
        ("setpoint_or_firmware", 3.0, "step"),
    ],
)
def test_a_planted_change_is_found_named_and_dated(fault, size, kind):
    for seed in range(3):
        found = detect("oven", *season(seed, fault=fault, size=size))
        call = next(c for c in found.calls if c.alarm_run > 80)
        assert call.causes[0].cause == fault
        assert call.causes[0].fits
        assert call.kind == kind
        assert call.since_run_interval[0] - 15 <= 81 <= call.since_run_interval[1] + 15
        assert call.size_interval[0] <= call.size <= call.size_interval[1]
        assert (call.rate_per_100_runs is not None) == (kind == "trend")
        assert call.n > 20
        assert set(call.to_json()) >= CONTRACT


def test_one_change_is_called_once():
    for seed in range(4):
        calls = detect("oven", *season(seed, fault="heater", size=0.001)).calls
        assert len([c for c in calls if c.causes[0].cause == "heater"]) == 1


def test_a_named_event_restarts_the_baseline_and_keeps_the_old_one():
    runs, metrics = season(5, fault="setpoint_or_firmware", size=3.0)
    when = runs["started_at"].iloc[80] - pd.Timedelta(minutes=1)
    found = detect("oven", runs, metrics, event("firmware", when, True))
    assert [len(epoch.positions) for epoch in found.epochs] == [80, 120]
    assert not [call for call in found.calls if call.causes[0].cause == "setpoint_or_firmware"]
    report = event_reports("oven", runs, metrics, event("firmware", when, True))[0]
    assert report.answer == "as expected"
    assert (report.n_before, report.n_after) == (30, 30)


def test_firmware_that_was_never_flashed_is_said():
    runs, metrics = season(6)
    report = event_reports("oven", runs, metrics, event("firmware", runs["started_at"].iloc[90], False))[0]
    assert report.answer == "no change seen"
    assert "really flashed" in report.text


def test_an_event_with_few_runs_after_it_is_not_judged():
    runs, metrics = season(7)
    report = event_reports("oven", runs, metrics, event("seal", runs["started_at"].iloc[197], False))[0]
    assert report.answer == "not evaluated"
    assert "5 needed" in report.text


def test_thin_and_empty_archives_say_what_is_missing():
    runs, metrics = season(8, n=6)
    assert "6 comparable runs, 8 needed" in (detect("oven", runs, metrics).reason or "")
    nothing = metrics.iloc[:0]
    assert "no watched value" in (detect("oven", *season(8)[:1], nothing).reason or "")


def test_rules_leave_out_and_list():
    runs, metrics = season(9, n=60)
    runs.loc[3, "kind"] = "development"
    runs.loc[4, "complete"] = False
    metrics.loc[(metrics.run == 6) & (metrics.metric == "start_temperature_c"), "value"] = 70.0
    frame = detect("oven", runs, metrics, left_out={8: "by hand: wrong board noted"}).runs.set_index("run")
    reasons = frame["left_out"].dropna().to_dict()
    assert reasons[4] == "profile development"
    assert reasons[5] == "incomplete run"
    assert reasons[6].startswith("warm start (70 °C")
    assert reasons[8].startswith("by hand")
    assert len(reasons) == 4


def test_one_channel_cannot_tell_sensor_from_oven():
    runs, metrics = season(10, fault="heater", size=0.0015)
    single = metrics[(metrics.channel != "right")]
    call = detect("oven", runs, single).calls[0]
    assert any("one channel" in text for cause in call.causes for text in cause.against)


def test_runs_without_dates_are_still_watched():
    runs, metrics = season(11, fault="sensor_offset", size=3.0)
    runs["started_at"] = pd.NaT
    call = next(c for c in detect("oven", runs, metrics).calls if c.alarm_run > 80)
    assert call.since is None
    assert call.since_run in range(78, 85)


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
