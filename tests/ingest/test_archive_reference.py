"""Ovens, pastes, jars, boards, windows, events, layouts: kept, found by name, corrected with a record."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from archive_bakes import START, entry, evaluation, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, reference
from ingest.archive.changes import changes_of
from ingest.archive.derived import clear_evaluations, stale_runs, write_evaluation, write_evaluations
from ingest.archive.fields import RunField
from ingest.archive.logs import store_log
from ingest.archive.quality import add_inspection, withdraw_inspection
from ingest.archive.runs import set_run_field

PEAK = ("peak_c", "{}", None, 250.0, "°C")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb", zone="UTC")


def add_paste(con: Any, name: str = "Invented 305") -> int:
    return reference.add_paste(con, name, alloy="SAC305", family="PbFree", solidus_c=217.0, liquidus_c=220.0)


def test_an_oven_is_kept_with_all_it_was_given(archive: Archive) -> None:
    with archive.transaction() as con:
        oven = reference.add_oven(
            con,
            " Bench ",
            controller="rev B",
            budget={"sensor_k": 1.5},
            placements={"left": {"place": "corner", "attachment": None}},
            control_channel="left",
        )
        got = reference.get_oven(con, oven)
        assert reference.find_oven(con, "bench") == oven
        assert reference.find_oven(con, "other") is None
        with pytest.raises(ArchiveError, match='oven "BENCH" exists already'):
            reference.add_oven(con, "BENCH")
        with pytest.raises(ArchiveError, match="needs a name"):
            reference.add_oven(con, "  ")
        assert reference.list_ovens(con)[["name", "runs"]].values.tolist() == [["Bench", 0]]
    assert (got["name"], got["controller"], got["control_channel"]) == ("Bench", "rev B", "left")
    assert (got["budget"], got["placements"]) == ({"sensor_k": 1.5}, {"left": {"place": "corner", "attachment": None}})
    assert got["created_at"].tzinfo is UTC


def test_a_paste_must_make_sense(archive: Archive) -> None:
    with archive.transaction() as con:
        paste = add_paste(con)
        assert reference.get_paste(con, paste)["liquidus_c"] == 220.0
        with pytest.raises(ArchiveError, match="lies above the liquidus"):
            reference.add_paste(con, "odd", alloy="x", family="PbFree", solidus_c=230.0, liquidus_c=220.0)
        with pytest.raises(ArchiveError, match="no alloy family"):
            reference.add_paste(con, "odd", alloy="x", family="gold", solidus_c=200.0, liquidus_c=220.0)
        with pytest.raises(ArchiveError, match="there is no paste 9"):
            reference.get_paste(con, 9)


def test_a_jar_is_of_a_paste(archive: Archive) -> None:
    with archive.transaction() as con:
        jar = reference.add_jar(con, "J1", add_paste(con), lot="L7", expiry=date(2026, 9, 1), opened_at=START)
        got = reference.get_jar(con, jar)
        assert (got["lot"], got["expiry"], got["opened_at"]) == ("L7", date(2026, 9, 1), START)
        assert reference.list_jars(con)["paste"].tolist() == ["Invented 305"]
        with pytest.raises(ArchiveError, match="there is no paste 9"):
            reference.add_jar(con, "J2", 9)


def test_a_board_is_found_by_name_label_or_revision(archive: Archive) -> None:
    with archive.transaction() as con:
        a = reference.add_board(con, "Blinker", "A")
        assert reference.find_board(con, "blinker") == a
        b = reference.add_board(con, "Blinker", "B", joints=480)
        plain = reference.add_board(con, "Adapter")
        assert reference.find_board(con, "Blinker B") == reference.find_board(con, "Blinker", "b") == b
        assert reference.find_board(con, "Adapter") == plain
        assert reference.find_board(con, "Nothing") is None
        with pytest.raises(ArchiveError, match="has the revisions A, B"):
            reference.find_board(con, "Blinker")
        with pytest.raises(ArchiveError, match='board "Blinker B" exists already'):
            reference.add_board(con, "Blinker", "B")


def test_profiles_may_share_a_name_but_not_a_set_point_table(archive: Archive) -> None:
    with archive.transaction() as con:
        first = reference.add_profile(con, "lead-free", setpoint_hash="aa", setpoint_table=[(0, 25), (90, 150)])
        second = reference.add_profile(con, "lead-free", setpoint_hash="bb")
        assert reference.get_profile(con, first)["setpoint_table"] == [[0.0, 25.0], [90.0, 150.0]]
        assert reference.find_profile(con, "Lead-Free") == second
        assert reference.find_profile_by_hash(con, "aa") == first
        with pytest.raises(ArchiveError, match=f"stored already as profile {first}"):
            reference.add_profile(con, "other", setpoint_hash="aa")
        reference.name_profile(con, first, "lead-free, old", "Kim")
        assert reference.list_profiles(con)["name"].tolist() == ["lead-free", "lead-free, old"]


def test_an_event_restarts_a_baseline_by_its_kind_unless_said(archive: Archive) -> None:
    with archive.transaction() as con:
        oven = reference.add_oven(con, "Bench")
        fan = reference.add_event(con, oven, "fan", START, at_precision="month")
        clean = reference.add_event(con, oven, "clean", START)
        said = reference.add_event(con, oven, "clean", START, restarts_baseline=True)
        restarts = [reference.get_event(con, event)["restarts_baseline"] for event in (fan, clean, said)]
        assert restarts == [True, False, True]
        assert reference.get_event(con, fan)["happened_at"] == START
        for wrong, says in (
            ({"kind": "paint"}, "no kind of event"),
            ({"at_precision": "year"}, "no precision"),
            ({"oven_id": 9}, "there is no oven 9"),
        ):
            given = {"oven_id": oven, "kind": "fan", "happened_at": START} | wrong
            with pytest.raises(ArchiveError, match=says):
                reference.add_event(con, **given)


def test_a_layout_is_remembered_once_and_superseded_by_other_decisions(archive: Archive) -> None:
    with archive.transaction() as con:
        one = reference.add_layout(con, "bench", "print", {"answers": {"unit": "°C"}})
        assert reference.add_layout(con, "again", "print", {"answers": {"unit": "°C"}}) == one
        two = reference.add_layout(con, "bench", "print", {"answers": {"unit": "°F"}}, "typed")
        assert [(number, found.decisions) for number, found in reference.known_layouts(con)] == [
            (two, {"answers": {"unit": "°F"}})
        ]
        assert reference.find_layout(con, "print") == two
        reference.forget_layout(con, two)
        assert reference.known_layouts(con) == []
        assert reference.list_layouts(con)["name"].tolist() == ["bench", f"bench ({two})"]
        with pytest.raises(ArchiveError, match="there is no layout 9"):
            reference.forget_layout(con, 9)


# Windows --------------------------------------------------------------------------------------------------------------


def test_a_run_is_judged_by_the_windows_of_paste_body_house_and_oven(archive: Archive) -> None:
    with archive.transaction() as con:
        paste, other = add_paste(con), add_paste(con, "Other")
        board, oven = reference.add_board(con, "Blinker"), reference.add_oven(con, "Bench")
        away = reference.add_oven(con, "Away")
        first = reference.add_window(con, "paste", "sheet", "1", [PEAK], paste_id=paste)
        second = reference.add_window(
            con, "paste", "sheet", "2", [("peak_c", "{}", 235.0, 248.0, "°C")], paste_id=paste
        )
        reference.add_window(con, "paste", "sheet", "1", [PEAK], paste_id=other)
        body = reference.add_window(con, "body", "J-STD-020", "F", [PEAK], board_id=board)
        house = reference.add_window(con, "house", "house rule", "1", [PEAK])
        own = reference.add_window(con, "house", "house rule", "1", [PEAK], oven_id=oven)
        reference.add_window(con, "house", "house rule", "1", [PEAK], oven_id=away)
        given = {"paste": RunField(paste), "board": RunField(board), "oven": RunField(oven)}
        store_log(con, entry(1), [recording(), recording(2)], [given, {}])
        limits = reference.windows_for(con, 1)
        assert [limit.window_id for limit in limits] == [second, body, house, own]
        assert (limits[0].low, limits[0].high, limits[0].source, limits[0].revision) == (235.0, 248.0, "sheet", "2")
        assert [limit.window_id for limit in reference.windows_for(con, 2)] == [house]
        kept = reference.list_windows(con, paste_id=paste, superseded=True)
        assert kept["window_id"].tolist() == [first, second]
        with pytest.raises(ArchiveError, match="there is no run 9"):
            reference.windows_for(con, 9)


@pytest.mark.parametrize(
    ("limits", "owner", "says"),
    [
        ([], {"scope": "house"}, "at least one limit"),
        ([("peak_c", "{}", None, None, "°C")], {"scope": "house"}, "neither a low nor a high"),
        ([("peak_c", "{}", 250.0, 240.0, "°C")], {"scope": "house"}, "low value 250 above"),
        ([PEAK, PEAK], {"scope": "house"}, "names peak_c twice"),
        ([PEAK], {"scope": "paste"}, "cannot belong to all runs"),
        ([PEAK], {"scope": "paste", "board_id": 1}, "cannot belong to board"),
        ([PEAK], {"scope": "paste", "paste_id": 9}, "there is no paste 9"),
        ([PEAK], {"scope": "moon"}, "no scope"),
    ],
)
def test_a_window_must_make_sense(archive: Archive, limits: list[Any], owner: dict[str, Any], says: str) -> None:
    with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
        reference.add_window(con, owner.pop("scope"), "sheet", "1", limits, **owner)


def test_a_limit_of_zero_is_a_limit(archive: Archive) -> None:
    with archive.transaction() as con:
        reference.add_window(con, "house", "rule", "1", [("time_above_liquidus_intervals", "{}", 0.0, 0.0, "1")])
        store_log(con, entry(), [recording()])
        (limit,) = reference.windows_for(con, 1)
    assert (limit.low, limit.high) == (0.0, 0.0)


# Corrections ----------------------------------------------------------------------------------------------------------


def test_a_correction_keeps_the_old_value_who_when_and_why(archive: Archive) -> None:
    before = datetime.now(UTC).replace(tzinfo=None)
    with archive.transaction() as con:
        paste = add_paste(con)
        assert reference.correct(con, "paste", paste, "liquidus_c", 219.0, "Kim", "sheet read again")
        assert not reference.correct(con, "paste", paste, "liquidus_c", 219.0, "Kim", "same")
        rows = changes_of(con, "paste", paste)
        assert reference.get_paste(con, paste)["liquidus_c"] == 219.0
    assert rows[["field", "old_value", "new_value", "who", "why"]].values.tolist() == [
        ["liquidus_c", "220.0", "219.0", "Kim", "sheet read again"]
    ]
    assert rows["changed_at"].item() >= before


@pytest.mark.parametrize(
    ("table", "field", "value", "says"),
    [
        ("paste", "paste_id", 4, "has no field"),
        ("paste", "liquidus_c", "hot", "must be a number"),
        ("paste", "name", "", "cannot be empty"),
        ("board", "joints", -1, "cannot be negative"),
        ("board", "name", "Adapter", "exists already"),
        ("oven", "budget", "[1]", "must be a mapping"),
        ("event", "kind", "paint", "does not fit"),
        ("limit_window", "source", "x", "new revision"),
        ("metric", "value", 1, "cannot be corrected"),
        ("jar", "opened_at", "today", "must be a time"),
        ("run", "verdict", "meets", "no field"),
    ],
)
def test_what_cannot_be_corrected_is_refused(archive: Archive, table: str, field: str, value: Any, says: str) -> None:
    with archive.transaction() as con:
        oven = reference.add_oven(con, "Bench")
        reference.add_jar(con, "J1", add_paste(con))
        reference.add_board(con, "Blinker")
        reference.add_board(con, "Adapter")
        reference.add_event(con, oven, "fan", START)
        store_log(con, entry(), [recording()])
    with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
        reference.correct(con, table, 1, field, value, "Kim", "try")
    assert archive.read("SELECT count(*) AS n FROM change")["n"].item() == 0


# Derived --------------------------------------------------------------------------------------------------------------


def judged(archive: Archive) -> dict[str, int]:
    with archive.transaction() as con:
        paste = add_paste(con)
        ids = {"paste": paste, "oven": reference.add_oven(con, "Bench"), "board": reference.add_board(con, "Blinker")}
        window = reference.add_window(con, "paste", "sheet", "1", [PEAK], paste_id=paste)
        for number in (1, 2, 3):
            store_log(con, entry(number), [recording(number)], [{k: RunField(v) for k, v in ids.items()}])
        write_evaluations(con, [(run, evaluation(window)) for run in (1, 2)])
        assert stale_runs(con, "1") == [3]
        write_evaluation(con, 3, evaluation(window))
        assert stale_runs(con, "1") == []
        assert stale_runs(con, "2") == [1, 2, 3]
    return ids


def test_an_evaluation_replaces_the_earlier_one_whole(archive: Archive) -> None:
    judged(archive)
    with archive.transaction() as con:
        write_evaluation(con, 2, evaluation(rules="2"))
        assert stale_runs(con, "2") == [1, 3]
    counts = archive.read("SELECT run_id, count(*) AS n FROM metric GROUP BY 1 ORDER BY 1")["n"].tolist()
    assert counts == [3, 3, 3]
    with archive.transaction() as con:
        clear_evaluations(con, [1, 3])
        assert stale_runs(con, "2") == [1, 3]
    assert archive.read("SELECT DISTINCT run FROM metric_long")["run"].tolist() == [2]


def test_what_verdicts_hang_on_makes_them_stale_when_it_changes(archive: Archive) -> None:
    ids = judged(archive)

    def stale_after(act: Any) -> list[int]:
        with archive.transaction() as con:
            act(con)
            stale = stale_runs(con, "1")
            for run in stale:
                write_evaluation(con, run, evaluation())
        return stale

    assert stale_after(lambda con: set_run_field(con, 2, "board", None)) == [2]
    assert stale_after(lambda con: set_run_field(con, 2, "note", "tilted")) == []
    assert stale_after(lambda con: reference.correct(con, "paste", ids["paste"], "liquidus_c", 219.0)) == [1, 2, 3]
    assert stale_after(lambda con: reference.correct(con, "paste", ids["paste"], "note", "x")) == []
    assert stale_after(lambda con: reference.correct(con, "board", ids["board"], "package_thickness_mm", 1.0)) == [1, 3]
    assert stale_after(lambda con: reference.correct(con, "oven", ids["oven"], "control_channel", "left")) == [1, 2, 3]
    again = lambda con, **how: reference.add_window(con, "paste", "sheet", "2", [PEAK], paste_id=ids["paste"], **how)  # noqa: E731
    assert stale_after(again) == []
    assert stale_after(lambda con: again(con, rejudge=True)) == [1, 2, 3]


def test_an_evaluation_that_does_not_fit_the_run_is_refused_whole(archive: Archive) -> None:
    from dataclasses import replace

    from analysis.results import MetricValue

    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
    good = evaluation()
    for wrong, says in (
        (replace(good, metrics=(MetricValue("peak_c", 7, 1.0, None, "°C"),)), "no channel number 7"),
        (replace(good, metrics=(MetricValue("peak_c", 0, float("nan"), None, "°C"),)), "not by NaN"),
    ):
        with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
            write_evaluation(con, 1, wrong)
    with pytest.raises(ArchiveError, match="there is no run 8"), archive.transaction() as con:
        write_evaluation(con, 8, good)
    assert archive.read("SELECT count(*) AS n FROM evaluation")["n"].item() == 0


# Inspections ----------------------------------------------------------------------------------------------------------


def test_looked_and_none_found_is_not_the_same_as_not_looked(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording(1), recording(2)])
        add_inspection(con, 1, "loupe", joints_looked=120)
    seen = archive.read("SELECT run, joints_looked, defect, count FROM defect_long")
    assert seen["run"].tolist() == [1]
    assert seen["count"].tolist() == [0]
    assert seen["defect"].isna().all()


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"method": "by nose"}, "no method of inspection"),
        ({"joints_looked": 0}, "is none: leave it out"),
        ({"defects": [{"term": ""}]}, "needs its term"),
        ({"defects": [{"term": "bridging", "count": -1}]}, "cannot be counted"),
        ({"defects": [{"term": "bridging", "colour": "red"}]}, "a defect has no colour"),
        ({"run_id": 9}, "there is no run 9"),
    ],
)
def test_an_inspection_must_make_sense(archive: Archive, given: dict[str, Any], says: str) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
    call = {"run_id": 1, "method": "loupe"} | given
    with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
        add_inspection(con, call.pop("run_id"), call.pop("method"), **call)
    assert archive.read("SELECT count(*) AS n FROM inspection")["n"].item() == 0


def test_a_withdrawn_inspection_is_gone_from_the_views_and_kept_in_the_record(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
        number = add_inspection(con, 1, "loupe", joints_looked=9, defects=[{"term": "bridging", "count": 2}])
        withdraw_inspection(con, number, "Kim", "wrong board")
        with pytest.raises(ArchiveError, match="there is no inspection"):
            withdraw_inspection(con, number, "Kim", "twice")
    assert archive.read("SELECT * FROM defect_long").empty
    kept = archive.read("SELECT old_value, who, why FROM change").iloc[0]
    assert '"term": "bridging"' in kept["old_value"]
    assert (kept["who"], kept["why"]) == ("Kim", "wrong board")
