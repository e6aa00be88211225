"""The whole road from tables to calls, on invented seasons with planted changes (tests/analysis/simulated_series.py)."""

import numpy as np
import pandas as pd
import pytest
from simulated_series import season

from analysis.drift.calls import detect
from analysis.drift.events import event_reports

CONTRACT = {
    "oven", "series", "channel", "kind", "since", "since_interval", "size", "size_interval", "unit", "rate_per_100_runs", "n",
    "tier", "causes", "check_first",
}  # fmt: skip


def event(kind, when, restarts):
    return pd.DataFrame([{"kind": kind, "happened_at": when, "restarts_baseline": restarts}])


def test_clean_seasons_stay_quiet():
    calls = sum(len(detect("oven", *season(seed)).calls) for seed in range(400, 415))
    # The promise is at most 1 in 100 runs, 30 here; the benchmark measures 0.13 in 100, 4 here. 9 is its upper 98 % point.
    assert calls <= 9


@pytest.mark.parametrize(
    ("fault", "size", "kind"),
    [
        ("heater", 0.001, "trend"),
        ("mains", 0.1, "step"),
        ("seal", 0.0005, "trend"),
        ("sensor_offset", 3.0, "step"),
        ("sensor_gain", 4.0, "trend"),
        ("setpoint_or_firmware", 3.0, "step"),
    ],
)
def test_a_planted_change_is_found_named_and_dated(fault, size, kind):
    named = 0
    for seed in range(4):
        found = detect("oven", *season(seed, fault=fault, size=size))
        call = next(c for c in found.calls if c.alarm_run > 80)
        named += call.causes[0].cause == fault
        assert call.causes[0].fits
        assert call.kind == kind
        assert call.since_run_interval[0] - 15 <= 81 <= call.since_run_interval[1] + 15
        assert call.since_run_interval[0] <= call.since_run <= call.since_run_interval[1]
        assert call.size_interval[0] <= call.size <= call.size_interval[1]
        assert (call.rate_per_100_runs is not None) == (kind == "trend")
        assert call.n > 20
        assert call.state == "open"
        assert set(call.to_json()) >= CONTRACT
    assert named >= 3


def test_one_change_is_called_once():
    for seed in range(4):
        calls = detect("oven", *season(seed, fault="heater", size=0.001)).calls
        assert len([c for c in calls if c.causes[0].cause == "heater"]) == 1


@pytest.mark.parametrize(("fault", "size"), [("heater", 0.001), ("sensor_offset", 3.0), ("seal", 0.0005)])
def test_a_call_is_there_at_the_run_it_names_and_not_before(fault, size):
    # Nothing later may be known to the run that calls: the season cut off there must show the call, one run earlier not.
    runs, metrics = season(2, fault=fault, size=size)
    call = next(c for c in detect("oven", runs, metrics).calls if c.alarm_run > 80)
    for last, there in ((call.alarm_run, True), (call.alarm_run - 1, False)):
        cut = detect("oven", runs[runs.run <= last], metrics[metrics.run <= last])
        assert (call.alarm_run in [c.alarm_run for c in cut.calls]) == there
        assert all(c.alarm_run <= last for c in cut.calls)


def test_a_step_without_an_event_asks_and_one_with_an_event_does_not():
    runs, metrics = season(2, fault="sensor_offset", size=3.0)
    call = next(c for c in detect("oven", runs, metrics).calls if c.alarm_run > 80)
    assert call.question == f"Did anything change around {call.since[:10]}?"
    when = runs["started_at"].iloc[80] - pd.Timedelta(minutes=1)
    noted = detect("oven", runs, metrics, event("thermocouple", when, False))
    call = next(c for c in noted.calls if c.alarm_run > 80)
    assert call.question is None
    assert call.beside == (f"thermocouple on {when:%Y-%m-%d}",)


def test_a_change_that_goes_back_says_so():
    runs, metrics = season(2, fault="sensor_offset", size=3.0)
    clean = season(2)[1]
    later = metrics["run"] > 110
    metrics.loc[later, "value"] = clean.loc[later, "value"]
    first = next(c for c in detect("oven", runs, metrics).calls if c.alarm_run > 80)
    assert (first.since_run, first.state) == (81, "gone back")


def test_a_named_event_restarts_the_baseline_and_keeps_the_old_one():
    runs, metrics = season(5, fault="setpoint_or_firmware", size=3.0)
    when = runs["started_at"].iloc[80] - pd.Timedelta(minutes=1)
    found = detect("oven", runs, metrics, event("firmware", when, True))
    assert [len(epoch.positions) for epoch in found.epochs] == [80, 120]
    assert all(w.baseline.state == "firm" for epoch in found.epochs for w in epoch.watched.values())
    assert not [c for c in found.calls if c.alarm_run > 80]
    report = event_reports("oven", runs, metrics, event("firmware", when, True))[0]
    assert report.answer == "as expected"
    assert (report.n_before, report.n_after) == (30, 30)


def test_firmware_that_was_never_flashed_is_said():
    runs, metrics = season(6)
    report = event_reports("oven", runs, metrics, event("firmware", runs["started_at"].iloc[90], False))[0]
    assert report.answer == "no change seen"
    assert "really flashed" in report.text


def test_a_decline_that_goes_on_is_not_credited_to_an_event_in_its_middle():
    runs, metrics = season(3, fault="heater", size=0.002)
    calls = detect("oven", runs, metrics).calls
    cleaned = event("clean", runs["started_at"].iloc[140], False)
    assert event_reports("oven", runs, metrics, cleaned)[0].answer == "the other way"
    assert event_reports("oven", runs, metrics, cleaned, calls=calls)[0].answer == "no change seen"


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


def test_a_budget_that_lets_nothing_through_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        detect("oven", *season(8, n=30), budget_per_100_runs=0)


def test_a_smaller_budget_means_wider_limits():
    runs, metrics = season(8)
    limits = [
        next(iter(detect("oven", runs, metrics, budget_per_100_runs=b).epochs[0].watched.values())).cusum_limit.min()
        for b in (0.1, 1.0, 5.0)
    ]
    assert limits[0] > limits[1] > limits[2]


def test_one_channel_cannot_tell_sensor_from_oven():
    runs, metrics = season(10, fault="heater", size=0.0015)
    single = metrics[(metrics.channel != "right")]
    call = detect("oven", runs, single).calls[0]
    assert any("one channel" in text for cause in call.causes for text in cause.against)


def test_two_channels_cannot_tell_which_of_them_moved():
    call = next(c for c in detect("oven", *season(2, fault="sensor_offset", size=3.0)).calls if c.alarm_run > 80)
    assert any("which of left and right moved" in text for cause in call.causes for text in cause.against)


def test_runs_without_dates_are_still_watched():
    runs, metrics = season(11, fault="sensor_offset", size=3.0)
    runs["started_at"] = pd.NaT
    call = next(c for c in detect("oven", runs, metrics).calls if c.alarm_run > 80)
    assert call.since is None
    assert call.since_interval is None
    assert call.since_run in range(78, 85)


def test_a_hold_duty_that_only_scatters_is_not_watched():
    runs, metrics = season(12)
    duty = metrics["metric"] == "hold_duty"
    metrics.loc[duty, "value"] = np.random.default_rng(0).uniform(0.001, 0.05, int(duty.sum()))
    assert ("hold_duty", None) not in detect("oven", runs, metrics).watched
