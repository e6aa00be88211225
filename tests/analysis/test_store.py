"""Evaluations in the archive: contexts out of it, revisions of windows, judging again, frames and summaries."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from profiles import lines, temperature

from analysis import store
from analysis.evaluate import RULES_VERSION, evaluate
from ingest.archive import open_archive
from ingest.archive import reference as ref
from ingest.archive.fields import RunField
from ingest.archive.logs import LogEntry, store_log
from ingest.archive.runs import load_recording, set_run_field
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values

GOOD = [(0, 25), (10, 25), (125, 150), (215, 200), (243, 242.5), (262, 242.5), (330, 100), (420, 45)]
START = datetime(2025, 3, 1, 8, 0, tzinfo=UTC)
_SERIAL = itertools.count()  # no two logs carry the same bytes
CAREFUL = {"tolerance_k": 1.5, "input_k": 1.0, "attachment_k": 1.5}


def bake(seed=1, lift=0.0, start=START) -> Recording:
    rng = np.random.default_rng(seed)
    t, v = lines(GOOD, 0.7)
    v = np.where(v > 200, v + lift, v)
    sp = Channel("set", "setpoint", "°C", quantise_values(np.round(v)))
    channels = [
        temperature(f"tc{i + 1}", quantise_values(np.round(v - i + rng.normal(0, 0.15, len(t)), 1))) for i in range(2)
    ]
    return Recording(quantise_elapsed(t), (*channels, sp), started_at=start, zone="UTC")


def put(archive, recording, **fields) -> int:
    data = f"{next(_SERIAL)} {fields}".encode()
    entry = LogEntry(data, "log.csv", reader_version="1")
    with archive.transaction() as con:
        (run,) = store_log(con, entry, [recording], [{k: RunField(v) for k, v in fields.items()}])
        store.evaluate_and_write(con, run, recording)
    return run


@pytest.fixture
def archive(tmp_path):
    made = open_archive(tmp_path / "shop.duckdb")
    store.seed_defaults(made)
    return made


@pytest.fixture
def shop(archive):
    """An oven with a careful budget, and a paste with a sheet of its own."""
    with archive.transaction() as con:
        oven = ref.add_oven(con, "north", budget=CAREFUL)
        paste = ref.add_paste(con, "Invented 305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        window = ref.add_window(
            con, "paste", "invented sheet", "2024-05", [("peak_c", "{}", 235.0, 250.0, "°C")], paste_id=paste
        )
    return archive, oven, paste, window


def overview(archive, run):
    return archive.read("SELECT * FROM run_overview WHERE run = ?", (run,)).iloc[0]


def test_seeding_is_idempotent_and_marks_defaults(archive):
    pastes = archive.read("SELECT name, alloy, liquidus_c FROM paste WHERE is_default")
    store.seed_defaults(archive)
    assert archive.read("SELECT count(*) AS n FROM paste")["n"].iloc[0] == len(pastes) == 12
    windows = archive.read("SELECT DISTINCT source, is_default FROM limit_window")
    assert windows.to_numpy().tolist() == [["alloy-family default: the paste's own sheet wins", True]]


def test_what_is_stored_evaluates_to_the_same_digits(shop):
    archive, oven, paste, _ = shop
    recording = bake()
    run = put(archive, recording, oven=oven, paste=paste)
    with archive.connect() as con:
        context = store.context_for(con, run)
        again = load_recording(con, run)
    assert evaluate(again, context) == evaluate(recording, context)
    stored = archive.read(
        "SELECT metric, parameters, channel_no, value FROM metric WHERE run_id = ? ORDER BY rowid", (run,)
    )
    direct = evaluate(recording, context).metrics
    assert [None if x != x else x for x in stored["value"]] == [m.value for m in direct]


def test_a_paste_without_a_window_is_judged_by_its_familys_default(archive):
    with archive.transaction() as con:
        paste = ref.add_paste(con, "Invented 63", alloy="Sn63Pb37", family="SnPb", solidus_c=183, liquidus_c=183)
    run = put(archive, bake(), paste=paste)
    rows = archive.read("SELECT DISTINCT source, revision FROM limit_result WHERE run_id = ?", (run,))
    assert rows.to_numpy().tolist() == [["alloy-family default: the paste's own sheet wins", "1"]]
    assert overview(archive, run)["verdict"] == "fails"  # 242 °C on a leaded paste
    with archive.connect() as con:
        assert all(limit.is_default for limit in store.context_for(con, run).limits)


def test_a_new_revision_leaves_old_verdicts_and_rejudge_shows_what_would_change(shop):
    archive, oven, paste, window = shop
    run = put(archive, bake(), oven=oven, paste=paste)
    assert overview(archive, run)["verdict"] == "meets"
    with archive.transaction() as con:
        ref.add_window(
            con,
            "paste",
            "invented sheet",
            "2025-01",
            [("peak_c", "{}", 250.0, 260.0, "°C")],
            paste_id=paste,
            rejudge=False,
        )
    assert overview(archive, run)["verdict"] == "meets"
    change = store.rejudge(archive)
    assert change[["run", "verdict", "new_verdict"]].to_numpy().tolist() == [[run, "meets", "fails"]]
    assert overview(archive, run)["verdict"] == "meets"  # a dry comparison
    # new rules do not bring new limits
    store.reevaluate(archive, [run], keep_windows=True)
    assert overview(archive, run)["verdict"] == "meets"
    assert json.loads(archive.read("SELECT windows FROM evaluation")["windows"].iloc[0]) == [window]
    store.reevaluate(archive, [run])
    assert overview(archive, run)["verdict"] == "fails"
    assert store.rejudge(archive).empty


NEW_REVISION = ("paste", "invented sheet", "2025-01", [("peak_c", "{}", 250.0, 260.0, "°C")])


def used_windows(archive):
    rows = archive.read("SELECT windows FROM evaluation ORDER BY run_id")
    return [json.loads(x) for x in rows["windows"]]


def test_refresh_keeps_windows_for_new_rules_and_corrected_values(shop):
    archive, oven, paste, window = shop
    runs = [put(archive, bake(seed), oven=oven, paste=paste) for seed in (1, 2, 3)]
    with archive.transaction() as con:
        ref.add_window(con, *NEW_REVISION, paste_id=paste)
        con.execute("UPDATE evaluation SET rules_version = '0'")  # as an earlier release would have left them
        set_run_field(con, runs[1], "oven", None, "typed", "me", "not that oven")
        other = ref.add_paste(con, "Invented 63", alloy="Sn63Pb37", family="SnPb", solidus_c=183, liquidus_c=183)
        theirs = ref.add_window(
            con, "paste", "their sheet", "1", [("peak_c", "{}", 210.0, 220.0, "°C")], paste_id=other
        )
        set_run_field(con, runs[2], "paste", other, "typed", "me", "read off the jar")
    assert store.refresh(archive) == 3
    assert used_windows(archive) == [[window], [window], [theirs]]  # another paste is another window
    assert set(archive.read("SELECT rules_version FROM evaluation")["rules_version"]) == {RULES_VERSION}
    assert store.refresh(archive) == 0


def test_a_new_revision_is_judged_by_only_when_asked(shop):
    archive, oven, paste, window = shop
    run = put(archive, bake(), oven=oven, paste=paste)
    with archive.transaction() as con:
        ref.add_window(con, *NEW_REVISION, paste_id=paste, rejudge=False)
    assert store.refresh(archive) == 0
    assert (overview(archive, run)["verdict"], used_windows(archive)) == ("meets", [[window]])
    with archive.transaction() as con:
        again = ref.add_window(con, *NEW_REVISION, paste_id=paste, rejudge=True)
    assert store.refresh(archive) == 1
    assert (overview(archive, run)["verdict"], used_windows(archive)) == ("fails", [[again]])


def test_body_ceiling_from_the_boards_package_and_a_house_window(shop):
    archive, oven, paste, _ = shop
    with archive.transaction() as con:
        board = ref.add_board(con, "Blinker", "B", package_thickness_mm=3.0, package_volume_mm3=5000.0)
        ref.add_window(con, "house", "house rule 4", "1", [("spread_at_peak_c", "{}", None, 20.0, "K")])
    run = put(archive, bake(lift=8.0), oven=oven, paste=paste, board=board)
    rows = archive.read(
        "SELECT scope, metric, high, source, revision, verdict FROM limit_result WHERE run_id = ?", (run,)
    )
    peak = rows[(rows["scope"] == "body") & (rows["metric"] == "peak_c")].iloc[0]
    assert (peak["high"], peak["revision"], peak["verdict"]) == (
        245.0,
        "D/E",
        "fails",
    )  # J-STD-020: > 2.5 mm, > 2000 mm³
    assert rows[rows["scope"] == "house"]["source"].tolist() == ["house rule 4"]
    with archive.connect() as con:
        assert store.context_for(con, run).classification_c == 245.0


def test_a_first_house_or_board_window_comes_to_a_judged_run_only_when_asked_or_with_its_board(shop):
    archive, oven, paste, _ = shop

    def judged_by() -> set[str]:
        rows = archive.read("SELECT DISTINCT source FROM limit_result WHERE run_id = ?", (run,))
        return set(rows["source"])

    run = put(archive, bake(), oven=oven, paste=paste)
    with archive.transaction() as con:
        board = ref.add_board(con, "Blinker", "A")
        ref.add_window(con, "house", "house rule", "1", [("peak_c", "{}", None, 249.0, "°C")])
        ref.add_window(con, "house", "oven rule", "1", [("peak_c", "{}", None, 248.0, "°C")], oven_id=oven)
        ref.add_window(con, "body", "part sheet", "1", [("peak_c", "{}", None, 245.0, "°C")], board_id=board)
    store.reevaluate(archive, [run], keep_windows=True)
    assert judged_by() == {"invented sheet"}
    with archive.transaction() as con:
        set_run_field(con, run, "board", board, "typed", None, None)
    store.reevaluate(archive, [run], keep_windows=True)
    assert judged_by() == {"invented sheet", "part sheet"}
    store.reevaluate(archive, [run], keep_windows=True)  # and stays
    assert judged_by() == {"invented sheet", "part sheet"}
    store.reevaluate(archive, [run])
    assert judged_by() == {"invented sheet", "part sheet", "house rule", "oven rule"}


def test_summary_has_the_agreed_keys_and_plain_values(shop):
    archive, oven, paste, _ = shop
    run = put(archive, bake(), oven=oven, paste=paste, note="first")
    summary = store.run_summary(archive, run)
    assert set(summary) == {"run", "verdict", "reason", "limiting", "metrics", "limits", "findings", "metadata"}
    assert set(summary["limiting"]) == {"metric", "channel", "margin", "unit"}
    assert set(summary["metrics"][0]) == {
        *("metric", "channel", "value", "uncertainty", "unit", "status", "reason", "parameters")
    }
    assert set(summary["limits"][0]) == {
        *("metric", "low", "high", "source", "revision", "verdict", "margin", "unit", "parameters")
    }
    for f in summary["findings"]:
        assert set(f) == {"code", "channel", "state", "evidence", "meaning", "check_first", "danger"}
    assert json.loads(json.dumps(summary, allow_nan=False)) == summary
    assert summary["metadata"]["paste"] == {"value": "Invented 305", "origin": "typed"}
    assert summary["metadata"]["board"] == {"value": None, "origin": "unknown"}
    assert summary["metadata"]["started_at"]["value"] == "2025-03-01T08:00:00+00:00"
    peaks = [m for m in summary["metrics"] if m["metric"] == "peak_c"]
    assert [m["channel"] for m in peaks] == ["tc1", "tc2"]


def test_summary_of_a_run_that_is_not_there(archive):
    from ingest.archive.errors import ArchiveError

    with pytest.raises(ArchiveError, match="there is no run 77"):
        store.run_summary(archive, 77)


def test_frames_for_drift_have_a_row_a_run_and_a_column_a_series(shop):
    archive, oven, paste, _ = shop
    runs = [put(archive, bake(seed, start=START + timedelta(days=seed)), oven=oven, paste=paste) for seed in range(3)]
    wide = store.metric_frame(archive)
    assert wide.index.tolist() == runs
    assert wide["oven"].tolist() == ["north"] * 3
    assert wide["peak_c | tc1"].between(242, 243.5).all()
    assert (wide["peak_c | lowest"] <= wide["peak_c | highest"]).all()
    assert wide['soak_time_s | {"high_c":200,"low_c":150} | tc2'].notna().all()
    long = store.metric_values(archive, ["peak_c"], runs[:1])
    assert long["channel"].tolist() == ["tc1", "tc2"]
    assert store.metric_frame(archive, ["peak_c"], []).empty


def test_two_processes_write_the_same_evaluations_as_one(shop):
    archive, oven, paste, _ = shop
    for seed in range(6):
        put(archive, bake(seed), oven=oven, paste=paste)
    sql = "SELECT run_id, metric, parameters, channel_no, value, uncertainty, status FROM metric ORDER BY ALL"
    before = archive.read(sql)
    assert store.reevaluate(archive, workers=2) == 6
    assert archive.read(sql).equals(before)


def test_context_knows_idle_time_and_placements(shop):
    archive, _, paste, _ = shop
    with archive.transaction() as con:
        other = ref.add_oven(
            con, "south", placements={"tc1": {"place": "centre", "attachment": "solder"}}, control_channel="tc1"
        )
    first = bake(1)
    put(archive, first, oven=other, paste=paste)
    second = put(archive, bake(2, start=START + timedelta(minutes=30)), oven=other, paste=paste)
    with archive.connect() as con:
        context = store.context_for(con, second)
    assert context.idle_s == pytest.approx(1800 - first.duration_s)
    assert context.placements == {"tc1": ("centre", "solder")}
    assert (context.control_channel, context.alloy, context.liquidus_c) == ("tc1", "SAC305", 217.0)


def test_usual_of_earlier_runs_is_the_checks_own_and_reevaluating_gives_the_same(shop):
    from analysis.checks.history import build_history
    from analysis.store.comparable import history_before, usual_of

    archive, oven, paste, _ = shop
    runs = []
    for day in range(8):
        recording = bake(day, start=START + timedelta(days=day))
        runs.append(put(archive, recording, oven=oven, paste=paste, setpoint_hash="abc"))
    with archive.connect() as con:
        assert history_before(con, runs[4]) is None  # four earlier runs are too few
        found = history_before(con, runs[7])
    frame = archive.read("SELECT * FROM metric_long WHERE run IN (SELECT unnest(?::INTEGER[]))", [runs[:7]])
    assert found == build_history(frame)
    assert found.n == 7
    assert usual_of([]) is None
    everything = "SELECT run_id, code, channel_no, state, evidence FROM finding_row ORDER BY ALL"
    before = archive.read(everything)
    store.reevaluate(archive)  # all runs, in order, from memory
    assert archive.read(everything).equals(before)
    store.reevaluate(archive, runs[5:])  # some runs, from the archive
    assert archive.read(everything).equals(before)
    store.reevaluate(archive, workers=2)
    assert archive.read(everything).equals(before)


def test_a_room_read_off_the_runs_own_start_does_not_judge_that_start(shop):
    archive, oven, _, _ = shop
    run = put(archive, bake(), oven=oven)
    noted = put(archive, bake(2, start=START + timedelta(days=1)), oven=oven)
    with archive.transaction() as con:
        set_run_field(con, run, "ambient_c", 25.0, "derived", None, "cold start")
        set_run_field(con, noted, "ambient_c", 24.0, "typed", "me", "read off the wall")
        contexts = dict(store.contexts_for(con, [run, noted]))
    assert contexts[run].ambient_c is None
    assert contexts[noted].ambient_c == 24.0


def test_the_room_of_a_morning_serves_the_runs_after_it(shop):
    archive, oven, _, _ = shop
    first = put(archive, bake(), oven=oven)
    with archive.transaction() as con:
        set_run_field(con, first, "ambient_c", 21.5, "derived", None, "cold start")
    soon = put(archive, bake(2, start=START + timedelta(hours=1)), oven=oven)
    next_day = put(archive, bake(3, start=START + timedelta(hours=20)), oven=oven)
    with archive.connect() as con:
        contexts = dict(store.contexts_for(con, [first, soon, next_day]))
        one_by_one = {run: store.context_for(con, run) for run in (first, soon, next_day)}
    assert [contexts[run].room_c for run in (first, soon, next_day)] == [21.5, 21.5, None]
    assert contexts == one_by_one


def test_a_cooling_constant_needs_a_room_that_is_not_the_ovens_own_heat(shop):
    archive, oven, _, _ = shop
    made = [bake(1), bake(2, start=START + timedelta(hours=1))]
    # the set point of these follows the board, which would be a heater that is on
    first, soon = (put(archive, replace(one, channels=one.channels[:2]), oven=oven) for one in made)

    def told(run):
        return archive.read(
            "SELECT status, reason FROM metric_long WHERE run = ? AND metric = 'cooling_time_constant_s'", (run,)
        ).iloc[0]

    assert (told(first)["status"], "taken from a cold start" in told(first)["reason"]) == ("ok", True)
    assert "soon after another" in told(soon)["reason"]
