"""Which runs are compared with which: rules, choices by hand, profiles, places, turned boards. Invented seasons."""

import numpy as np
import pandas as pd
from simulated_series import season

from analysis.drift.baseline import fit_baseline, predict, setting_of
from analysis.drift.calls import detect
from analysis.drift.groups import comparable_runs, turned_boards


def reasons(runs, metrics, **by_hand):
    frame = comparable_runs(runs, metrics, **by_hand).set_index("run")
    return frame["left_out"].dropna().to_dict()


def spoiled():
    runs, metrics = season(9, n=60)
    runs.loc[3, "kind"] = "development"
    runs.loc[4, "complete"] = False
    metrics.loc[(metrics.run == 6) & (metrics.metric == "start_temperature_c"), "value"] = 70.0
    return runs, metrics


def test_rules_leave_out_and_list():
    found = reasons(*spoiled(), left_out_by_hand={8: "by hand: wrong board noted"})
    assert found[4] == "profile development"
    assert found[5] == "incomplete run"
    assert found[6].startswith("warm start (70 °C")
    assert found[8] == "by hand: wrong board noted"
    assert len(found) == 4


def test_a_person_can_take_a_run_back_in_and_the_rule_stays_known():
    runs, metrics = spoiled()
    frame = comparable_runs(runs, metrics, taken_in_by_hand={6: "sensor lay on a hot board"}).set_index("run")
    assert frame["left_out"].dropna().index.tolist() == [4, 5]
    assert frame.loc[6, "rule"].startswith("warm start")


def test_a_warm_start_tells_nothing_about_the_room():
    runs, metrics = spoiled()
    frame = comparable_runs(runs, metrics).set_index("run")
    assert np.isnan(frame.loc[6, "ambient"])
    assert frame.loc[7, "ambient"] < 35


def test_reference_runs_and_loads_stand_apart():
    runs, metrics = season(9, n=30)
    runs.loc[:9, "kind"] = "reference"
    runs.loc[20:, "load_count"] = 2
    groups = comparable_runs(runs, metrics)["group"]
    assert all(" | reference | " in g for g in groups[:10])
    assert all(" | product | " in g for g in groups[10:])
    assert set(groups[20:]).isdisjoint(set(groups[:20]))


def test_a_hash_for_every_run_gives_way_to_the_profile_name():
    # A controller that logs the set point it reached, not the one it was told.
    runs, metrics = season(9, n=60)
    few = comparable_runs(runs, metrics)["group"].nunique()
    runs["setpoint_hash"] = [f"{i:064x}" for i in range(60)]
    frame = comparable_runs(runs, metrics)
    assert frame["group"].nunique() == few
    assert "profile's name" in frame.attrs["notes"][0]


def test_one_aborted_run_with_a_hash_of_its_own_changes_no_group():
    runs, metrics = season(9, n=60)
    before = comparable_runs(runs, metrics)["group"].drop(5).tolist()
    runs.loc[5, ["setpoint_hash", "complete"]] = ["f" * 64, False]
    assert comparable_runs(runs, metrics)["group"].drop(5).tolist() == before


def test_runs_that_note_no_places_have_the_usual_ones_and_it_is_said():
    runs, metrics = season(9, n=30)
    runs["placements"] = "left at edge,right at corner"
    one = comparable_runs(runs, metrics)["group"].nunique()
    runs.loc[:4, "placements"] = None
    frame = comparable_runs(runs, metrics)
    assert frame["group"].nunique() == one
    assert "5 runs note no sensor places" in frame.attrs["notes"][0]
    runs.loc[20:, "placements"] = "left at edge,right at centre"
    assert comparable_runs(runs, metrics)["group"].nunique() > one


def test_turning_a_heavy_board_in_mid_season_is_no_call():
    # The heavy end of board P makes 4 K between the channels; turned now and then, from run 90 on always.
    runs, metrics = season(4, n=200)
    heavy = runs["board"] == "P"
    runs["orientation"] = np.where(heavy & (runs.run % 5 == 0), "180", "0")
    runs.loc[runs.run > 90, "orientation"] = "180"
    way = runs.set_index("run")["orientation"].eq("180") & heavy.set_axis(runs["run"])
    right = (metrics["metric"] == "peak_c") & (metrics["channel"] == "right") & metrics["run"].map(way)
    metrics.loc[right, "value"] += 4.0
    assert not [c for c in detect("oven", runs, metrics).calls if c.series == "channel_difference_at_peak"]
    runs["orientation"] = None  # not noted: the same season must show what the covariate is for
    assert [c for c in detect("oven", runs, metrics).calls if c.series == "channel_difference_at_peak"]


def test_turned_boards_need_runs_each_way():
    frame = pd.DataFrame({"board": ["P"] * 8 + ["Q"] * 4, "orientation": ["0"] * 4 + ["180"] * 4 + ["0"] * 4})
    columns = turned_boards(frame)
    assert list(columns) == ["P"]
    assert columns["P"].tolist() == [1.0] * 4 + [-1.0] * 4 + [0.0] * 4


def test_a_baseline_over_groups_and_rooms_finds_what_was_planted():
    rng = np.random.default_rng(1)
    groups = [str(g) for g in rng.choice(["a", "b", "c"], 60)]
    room = rng.uniform(12, 30, 60)
    level = {"a": 0.0, "b": 0.3, "c": -0.2}
    values = np.array([level[g] for g in groups]) + 0.004 * (room - 20) + rng.normal(0, 0.01, 60)
    setting = setting_of([*groups, "new", "a"], np.append(room, [20.0, 20.0]), np.append(room, [20.0, 20.0]))
    fitted = fit_baseline(np.append(values, [0.0, 0.0]), setting, np.arange(60), 60, 1.0)
    found = dict(zip(fitted.groups, fitted.coefficients, strict=False))
    for name, want in level.items():
        assert abs(found[name] - want) < 0.01
    assert abs(fitted.coefficients[3] - 0.004) < 0.001
    assert 0.007 < fitted.sigma < 0.013
    assert fitted.season_separable
    expected, _, bias = predict(fitted, setting)
    assert np.isnan(expected[60])
    assert abs(expected[61]) < 0.01
    assert bias[61] < 0.5


def test_the_room_is_what_a_rested_oven_shows_and_holds_for_the_day():
    """Three bakes in a morning and one the next day: the start of the second is the oven's own heat, not the room's."""
    at = pd.to_datetime(["2025-03-01T08:00", "2025-03-01T09:00", "2025-03-01T12:30", "2025-03-03T08:00"], utc=True)
    runs, _ = season(1, 4)
    runs = runs.assign(started_at=at, duration_s=600.0, ambient_c=[np.nan] * 4)
    starts = [18.0, 31.0, 19.0, 23.0]
    metrics = pd.DataFrame(
        {
            "run": [1, 2, 3, 4],
            "channel": "left",
            "metric": "start_temperature_c",
            "value": starts,
            "status": "ok",
            "reason": None,
        }
    )
    assert comparable_runs(runs, metrics)["ambient"].tolist() == [18.0, 18.0, 19.0, 23.0]
    noted = runs.assign(ambient_c=[np.nan, 21.0, np.nan, np.nan])
    assert comparable_runs(noted, metrics)["ambient"].tolist() == [18.0, 21.0, 19.0, 23.0]


def test_a_warm_oven_alone_tells_no_room():
    at = pd.to_datetime(["2025-03-01T08:00", "2025-03-01T08:30"], utc=True)
    runs, _ = season(1, 2)
    runs = runs.assign(started_at=at, duration_s=600.0)
    metrics = pd.DataFrame(
        {
            "run": [1, 2],
            "channel": "left",
            "metric": "start_temperature_c",
            "value": [45.0, 33.0],
            "status": "ok",
            "reason": None,
        }
    )
    assert comparable_runs(runs, metrics)["ambient"].isna().all()
