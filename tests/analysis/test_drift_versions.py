"""A profile that changes under its name is called from the set points alone. Invented shops; no statistics, so no source."""

import pandas as pd
import pytest
from simulated_series import season

from analysis.drift.calls import detect
from analysis.drift.versions import new_versions

OLD = [[0, 25], [100, 150], [190, 170], [255, 243], [285, 243], [286, 25]]
HOTTER = [[0, 25], [100, 150], [190, 170], [255, 247], [285, 247], [286, 25]]
SLOWER = [[0, 25], [130, 150], [220, 170], [285, 243], [315, 243], [316, 25]]
OTHER = [[0, 25], [80, 120], [170, 150], [225, 215], [250, 215], [251, 25]]
TABLES = {"old": OLD, "hotter": HOTTER, "slower": SLOWER, "other": OTHER}


def versions(pairs):
    return new_versions([name for name, _ in pairs], [version for _, version in pairs], TABLES)


def test_a_new_version_is_dated_between_the_last_old_and_the_first_new_run():
    (found,) = versions([("LF", "old")] * 5 + [("SnPb", "other")] * 2 + [("LF", "hotter")] * 3)
    assert (found.last, found.first, found.top) == (4, 7, (243.0, 247.0))
    assert found.size == pytest.approx(4.0)


def test_a_slower_ramp_shows_as_the_largest_difference_on_the_way():
    (found,) = versions([("LF", "old")] * 5 + [("LF", "slower")] * 3)
    assert found.size == pytest.approx(-33.692, abs=0.001)  # at 255 s: 243 °C against 170 + 73 x 35 / 65


@pytest.mark.parametrize(
    "pairs",
    [
        [("LF", "old")] * 5 + [("LF", "hotter")],  # one run only: a trial
        [("LF", "old"), ("LF", "hotter")] * 5,  # two versions in use side by side
        [("LF", "old")] * 2 + [("LF", "hotter")] * 5,  # being set up
        [("LF", "old")] * 5 + [("SnPb", "other")] * 5,  # another profile under its own name
        [("unnamed, up to 243 °C", "old")] * 5 + [("unnamed, up to 215 °C", "other")] * 5,  # far from it: another one
        [(None, "old")] * 5 + [(None, "hotter")] * 5,
    ],
)
def test_what_is_no_new_version(pairs):
    assert versions(pairs) == []


def test_an_unnamed_profile_is_followed_while_it_is_alike():
    assert len(versions([("unnamed, up to 243 °C", "old")] * 5 + [("unnamed, up to 247 °C", "hotter")] * 3)) == 1


def shop_with_new_firmware():
    """A season in which both profiles are stored anew before the 101st run, and change."""
    runs, metrics = season(7)
    late = runs["run"] > 100
    runs["setpoint_hash"] = runs["profile"].where(~late, runs["profile"] + "-new")
    tables = {"lead-free": OLD, "lead-free-new": HOTTER, "leaded": OTHER, "leaded-new": [[t, v + 3] for t, v in OTHER]}
    return runs, metrics, tables


def test_both_profiles_changed_are_one_call_with_its_check():
    runs, metrics, tables = shop_with_new_firmware()
    calls = [c for c in detect("oven", runs, metrics, tables=tables).calls if c.series == "setpoint_c"]
    assert [c.kind for c in calls] == ["step"]
    (call,) = calls
    assert call.since_run_interval[0] <= 101 <= call.since_run_interval[1] + 2
    assert (call.causes[0].cause, len(call.causes[0].fits)) == ("setpoint_or_firmware", 2)
    assert call.size == pytest.approx(4.0)
    assert call.tier == "check before the next batch"
    assert call.question is not None
    assert call.to_json()["causes"][0]["against"] == []


def test_an_event_at_the_time_explains_it():
    runs, metrics, tables = shop_with_new_firmware()
    at = pd.Timestamp(runs["started_at"].iloc[100]) - pd.Timedelta(hours=1)
    event = pd.DataFrame({"happened_at": [at], "kind": ["firmware"], "restarts_baseline": [False]})
    assert "setpoint_c" not in [c.series for c in detect("oven", runs, metrics, event, tables=tables).calls]
