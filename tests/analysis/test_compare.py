"""What changed: planted differences must lead the list, by arithmetic that can be done by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from simulated_oven import Oven, Tip, bake, recording_of

from analysis.compare import align_curves, comparable_runs, compare_metadata, compare_metrics, last_good_run
from ingest.recording import Channel, Recording

STAMP = pd.Timestamp("2025-03-01 08:00")


def runs_table() -> pd.DataFrame:
    rows = []
    for run in range(1, 9):
        rows.append(
            {
                "run": run,
                "started_at": STAMP + pd.Timedelta(days=run),
                "oven": "A",
                "setpoint_hash": "p1",
                "board": "adapter",
                "board_revision": "",
                "kind": "product",
                "paste": "paste one",
                "operator": None,
                "verdict": "meets",
                "complete": True,
                "danger": False,
            }
        )
    table = pd.DataFrame(rows)
    table.loc[table["run"] == 7, "verdict"] = "fails"
    table.loc[table["run"] == 6, "board"] = "other board"
    table.loc[table["run"] == 5, "danger"] = True
    table.loc[table["run"] == 4, "complete"] = False
    return table


def test_last_good_run_skips_failing_other_dangerous_and_incomplete_runs() -> None:
    choice = last_good_run(runs_table(), 8)
    assert choice.run == 3
    assert "same oven, set points, board" in choice.rule


def test_last_good_run_skips_defects_and_failed_sensors() -> None:
    table = runs_table()
    table["defects"] = [None, None, 4, None, None, None, None, None]
    assert last_good_run(table, 8).run == 2
    table["sensor_failures"] = [0, 1, 0, 0, 0, 0, 0, 0]
    assert last_good_run(table, 8).run == 1


def test_last_good_run_refuses_in_words() -> None:
    table = runs_table()
    assert last_good_run(table, 1) == type(last_good_run(table, 1))(
        None, "no earlier comparable run (same oven, set points, board, board revision, kind)"
    )
    table["oven"] = None
    assert "oven of this run is not recorded" in last_good_run(table, 8).rule
    table = runs_table()
    table["verdict"] = "too close to call"
    assert "none of the earlier comparable runs meets" in last_good_run(table, 8).rule


def test_start_time_orders_runs_not_the_number_they_were_imported_under() -> None:
    table = runs_table()
    table.loc[table["run"] == 1, "started_at"] = STAMP + pd.Timedelta(days=7, hours=1)
    assert last_good_run(table, 8).run == 1
    table.loc[table["run"] == 1, "started_at"] = STAMP + pd.Timedelta(days=30)
    assert last_good_run(table, 8).run == 3


def test_unknown_board_is_said_and_kinds_are_not_mixed() -> None:
    table = runs_table()
    table.loc[table["run"] == 8, "board"] = None
    table.loc[table["run"] == 2, "kind"] = "reference"
    group = comparable_runs(table, 8)
    assert group.runs == (1, 3, 4, 5, 6, 7)
    assert "not recorded for this run: board" in group.words
    with pytest.raises(KeyError, match="run 99"):
        comparable_runs(table, 99)


def test_metadata_differences_come_first_and_unknown_is_its_own_state() -> None:
    table = runs_table()
    table.loc[table["run"] == 8, ["paste", "operator"]] = ["paste two", "R"]
    found = compare_metadata(table, 3, 8).set_index("field")
    assert found.index[0] == "paste"
    assert found.loc["paste", "state"] == "differs"
    assert found.loc["operator", "state"] == "unknown"
    assert found.loc["oven", "state"] == "same"
    assert "verdict" not in found.index


def metric_rows(run: int, **values: float) -> list[dict[str, object]]:
    units = {"peak_c": "°C", "hold_duty": "1", "time_above_liquidus_s": "s"}
    return [
        {"run": run, "channel": None if m == "hold_duty" else "TC1", "metric": m, "parameters": "{}", "value": v}
        | {"unit": units[m], "status": "ok", "reason": None}
        for m, v in values.items()
    ]


def test_metrics_are_ranked_by_the_groups_scatter() -> None:
    rows: list[dict[str, object]] = []
    for k, peak in enumerate((238.0, 239.0, 240.0, 241.0, 242.0)):
        rows += metric_rows(k + 1, peak_c=peak, hold_duty=0.30 + 0.01 * (k - 2), time_above_liquidus_s=60.0)
    rows += metric_rows(8, peak_c=240.0, hold_duty=0.30, time_above_liquidus_s=60.0)
    rows += metric_rows(9, peak_c=243.0, hold_duty=0.40, time_above_liquidus_s=60.4)
    found = compare_metrics(pd.DataFrame(rows), 8, 9, group=range(1, 10))
    assert list(found["metric"]) == ["time_above_liquidus_s", "hold_duty", "peak_c"]
    # by hand: median absolute deviation 0.01 -> 0.014826; 0.10 / (sqrt(2) * 0.014826) = 4.769
    assert found.loc[1, "unusual"] == pytest.approx(0.10 / (np.sqrt(2) * 0.014826), rel=1e-6)
    # no scatter at all: half the last shown decimal, 0.05 s
    assert found.loc[0, "unusual"] == pytest.approx(0.4 / (np.sqrt(2) * 0.05), rel=1e-6)
    assert found.loc[2, "unusual"] == pytest.approx(3.0 / (np.sqrt(2) * 1.4826), rel=1e-6)
    assert list(found["is_unusual"]) == [True, True, False]
    assert list(found["n"]) == [5, 5, 5]
    assert pd.isna(found.loc[1, "channel"])


def test_without_a_group_no_difference_is_called_unusual() -> None:
    rows = metric_rows(1, peak_c=240.0) + metric_rows(2, peak_c=200.0) + metric_rows(3, peak_c=241.0)
    found = compare_metrics(pd.DataFrame(rows), 1, 2, group=(3,))
    assert found.loc[0, "difference"] == -40.0
    assert np.isnan(found.loc[0, "unusual"])
    assert not found.loc[0, "is_unusual"]
    assert "1 comparable run, 5 needed" in found.loc[0, "note"]


def test_a_metric_of_one_run_only_comes_last_with_the_reason() -> None:
    rows = metric_rows(1, peak_c=240.0, time_above_liquidus_s=60.0) + metric_rows(2, peak_c=241.0)
    rows += [
        {**metric_rows(2, time_above_liquidus_s=0.0)[0], "value": None, "status": "not reached", "reason": "stays cold"}
    ]
    found = compare_metrics(pd.DataFrame(rows), 1, 2)
    assert list(found["metric"]) == ["peak_c", "time_above_liquidus_s"]
    assert found.loc[1, "note"] == "not reached: stays cold"
    assert np.isnan(found.loc[1, "difference"])


def two_tips(side: float = 0.0) -> Oven:
    return Oven(tips=(Tip("left", 0.0, 0.0, 20.0, 2.0), Tip("right", 0.0, side, 20.0, 2.0)), noise_k=0.0, step_k=0.0)


def test_curves_are_aligned_whenever_the_log_began() -> None:
    made = bake(two_tips())
    whole = recording_of(made, np.random.default_rng(0))
    late = recording_of(made, np.random.default_rng(0), late_s=12.0)
    found = align_curves(whole, late)
    assert found.shift_s == pytest.approx(12.0, abs=0.01)
    assert found.curves["difference"].abs().max() < 0.1
    assert found.left_out == ()


def test_the_stretch_of_a_colder_side_is_named() -> None:
    a = recording_of(bake(two_tips()), np.random.default_rng(0))
    b = recording_of(bake(two_tips(side=-0.08)), np.random.default_rng(0))
    found = align_curves(a, b)
    begin, end, mean = found.stretches["right"]
    assert mean == pytest.approx(-0.08 * 200, abs=5)
    assert begin < 265 < end
    left = found.curves[found.curves["channel"] == "left"]
    assert left["difference"].abs().max() < 5.0


def test_gaps_stay_missing_and_channels_of_one_run_are_said() -> None:
    t = np.arange(0.0, 100.0)
    values = 25.0 + t
    values[40:60] = np.nan
    a = Recording(t, (Channel("TC1", "temperature", "°C", 25.0 + t), Channel("TC2", "temperature", "°C", t)))
    b = Recording(t, (Channel("TC1", "temperature", "°C", values),))
    found = align_curves(a, b)
    assert found.left_out == ("TC2",)
    inside = found.curves["elapsed_s"].between(41, 58)
    assert found.curves.loc[inside, "second"].isna().all()
    assert found.curves.loc[~found.curves["elapsed_s"].between(39, 60), "difference"].abs().max() == pytest.approx(0.0)


def test_runs_that_never_pass_are_aligned_at_their_start_and_it_is_said() -> None:
    t = np.arange(0.0, 50.0)
    hot = Recording(t, (Channel("TC1", "temperature", "°C", 200.0 - t),))
    found = align_curves(hot, hot)
    assert found.shift_s == 0.0
    assert "at the first sample" in found.aligned
    other = Recording(t, (Channel("TC9", "temperature", "°C", 200.0 - t),))
    nothing = align_curves(hot, other)
    assert nothing.curves.empty
    assert "no channel of the same name" in nothing.aligned
