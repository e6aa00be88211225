"""Runs: what people said is never overwritten, a log can be read again, and the views show what went in."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from archive_bakes import START, entry, evaluation, recording, same

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, reference
from ingest.archive.contract import VIEWS
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import (
    get_log,
    replace_runs,
    store_log,
)
from ingest.archive.quality import add_inspection
from ingest.archive.runs import (
    last_run_of_oven,
    load_recording,
    run_fields,
    set_placement,
    set_run_field,
)
from ingest.recording import Notice


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")


def shop(archive: Archive) -> dict[str, int]:
    with archive.transaction() as con:
        paste = reference.add_paste(
            con, "Invented 305", alloy="SAC305", family="PbFree", solidus_c=217.0, liquidus_c=220.0
        )
        other = reference.add_paste(
            con, "Invented 37", alloy="Sn63Pb37", family="SnPb", solidus_c=183.0, liquidus_c=183.0
        )
        return {
            "oven": reference.add_oven(con, "Bench", placements={"left": {"place": "corner", "attachment": "tape"}}),
            "paste": paste,
            "other": other,
            "jar": reference.add_jar(con, "J1", paste, lot="L77"),
            "board": reference.add_board(con, "Blinker", "B"),
        }


def test_metadata_goes_in_with_its_origins_and_the_paste_follows_from_the_jar(archive: Archive) -> None:
    ids = shop(archive)
    given = {
        "oven": RunField(ids["oven"], "carried over"),
        "jar_id": RunField(ids["jar"], "typed", "Kim"),
        "load_count": RunField(4, "imported"),
        "note": RunField(""),
    }
    with archive.transaction() as con:
        (run_id,) = store_log(con, entry(), [recording()], [given])
        known = run_fields(con, run_id)
    assert known["oven"] == RunField(ids["oven"], "carried over")
    assert known["jar"] == RunField(ids["jar"], "typed", "Kim")
    assert known["paste"] == RunField(ids["paste"], "derived")
    assert known["started_at"] == RunField(START, "derived")
    assert "note" not in known
    assert "board" not in known
    placed = archive.read("SELECT name, placement, attachment FROM channel_overview WHERE placement IS NOT NULL")
    assert placed.values.tolist() == [["left", "corner", "tape"]]


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("colour", "red", 'no field "colour"'),
        ("kind", "holiday", "no kind of run"),
        ("orientation", "45", "no orientation"),
        ("load_count", "many", "whole number"),
        ("ambient_c", "warm", "temperature in °C"),
        ("started_at", "yesterday", "must be a time"),
    ],
)
def test_metadata_that_does_not_fit_is_refused(archive: Archive, field: str, value: object, says: str) -> None:
    with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
        store_log(con, entry(), [recording()], [{field: RunField(value)}])
    assert archive.read("SELECT count(*) AS n FROM log")["n"].item() == 0


def test_a_typed_paste_that_contradicts_the_jar_is_refused(archive: Archive) -> None:
    ids = shop(archive)
    with pytest.raises(ArchiveError, match="holds another paste"), archive.transaction() as con:
        store_log(con, entry(), [recording()], [{"jar": RunField(ids["jar"]), "paste": RunField(ids["other"])}])


def test_what_was_typed_is_never_overwritten_by_what_was_derived(archive: Archive) -> None:
    ids = shop(archive)
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
        assert set_run_field(con, 1, "paste", ids["other"], "typed", "Kim", "read off the jar")
        for weaker in ("derived", "carried over", "imported"):
            assert not set_run_field(con, 1, "paste", ids["paste"], weaker)  # pyright: ignore[reportArgumentType]
        assert run_fields(con, 1)["paste"] == RunField(ids["other"], "typed", "Kim")
        assert set_run_field(con, 1, "paste", ids["paste"], "typed", "Lee", "was the neighbour's jar")
    kept = archive.read("SELECT field, old_value, new_value, who, why FROM change ORDER BY change_id")
    assert kept.fillna("").values.tolist() == [
        ["paste", "", str(ids["other"]), "Kim", "read off the jar"],
        ["paste", str(ids["other"]), str(ids["paste"]), "Lee", "was the neighbour's jar"],
    ]


def test_a_value_can_be_made_unknown_again(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()], [{"operator": RunField("Kim")}])
        assert set_run_field(con, 1, "operator", None, "typed", "Lee", "was not Kim")
        assert "operator" not in run_fields(con, 1)


def test_a_field_that_points_nowhere_is_refused(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
        with pytest.raises(ArchiveError, match="there is no board 9"):
            set_run_field(con, 1, "board", 9)


def test_times_are_kept_in_utc_whatever_zone_they_came_in(archive: Archive) -> None:
    local = datetime(2026, 7, 1, 10, 0, tzinfo=timezone(timedelta(hours=2)))
    with archive.transaction() as con:
        store_log(con, entry(), [recording(started_at=local)])
    assert archive.read("SELECT started_at FROM run_overview")["started_at"].item().isoformat() == "2026-07-01T08:00:00"


def test_the_last_run_of_an_oven_goes_by_start_then_by_arrival(archive: Archive) -> None:
    oven = shop(archive)["oven"]
    on = [{"oven": RunField(oven)}]
    with archive.transaction() as con:
        store_log(con, entry(1), [recording(1, started_at=START)], on)
        store_log(con, entry(2), [recording(2, started_at=START - timedelta(days=1))], on)
        store_log(con, entry(3, received_at=START + timedelta(days=1)), [recording(3, started_at=None)], on)
        assert last_run_of_oven(con, oven) == 3
        assert last_run_of_oven(con, oven, START + timedelta(hours=1)) == 1
        assert last_run_of_oven(con, oven, START) == 2
        assert last_run_of_oven(con, oven, START - timedelta(days=2)) is None


# Reading again --------------------------------------------------------------------------------------------------------


def test_reading_again_keeps_numbers_inspections_and_what_was_typed(archive: Archive) -> None:
    ids = shop(archive)
    with archive.transaction() as con:
        store_log(con, entry(), [recording(1), recording(2)], [{"oven": RunField(ids["oven"])}] * 2)
        window = reference.add_window(con, "house", "house rule", "1", [("peak_c", "{}", None, 250.0, "°C")])
        write_evaluation(con, 1, evaluation(window))
        add_inspection(con, 1, "loupe", joints_looked=10)
        set_run_field(con, 1, "operator", "Kim", "typed")
        set_run_field(con, 1, "started_at", START + timedelta(hours=1), "typed", "Kim")
        set_placement(con, 1, "right", "middle", None, "Kim")
    later = START + timedelta(days=1)
    with archive.transaction() as con:
        again = [recording(3, started_at=later), recording(4, started_at=later), recording(5, started_at=later)]
        run_ids = replace_runs(
            con, 1, again, reader_version="2", answers={"unit": "°F"}, warnings=(Notice("n", "read again"),), why="test"
        )
        assert run_ids == [1, 2, 3]
        one, two, three = (run_fields(con, run_id) for run_id in run_ids)
        row = get_log(con, 1)
        same(replace(again[0], started_at=START + timedelta(hours=1)), load_recording(con, 1))
    assert one["operator"] == RunField("Kim", "typed")
    assert one["started_at"].value == START + timedelta(hours=1)
    assert two["started_at"] == RunField(later, "derived")
    assert three["oven"] == RunField(ids["oven"], "carried over")
    assert (row.reader_version, row.answers, row.warnings) == ("2", {"unit": "°F"}, (Notice("n", "read again"),))
    assert archive.read("SELECT count(*) AS n FROM inspection WHERE run_id = 1")["n"].item() == 1
    assert archive.read("SELECT count(*) AS n FROM metric")["n"].item() == 0
    placed = archive.read("SELECT name, placement FROM channel WHERE run_id = 1 AND placement IS NOT NULL ORDER BY 1")
    assert placed.values.tolist() == [["left", "corner"], ["right", "middle"]]


def test_a_part_that_is_gone_is_removed_unless_somebody_said_something_of_it(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording(1), recording(2), recording(3)])
        set_run_field(con, 2, "note", "board tilted", "typed")
    with archive.transaction() as con:
        assert replace_runs(con, 1, [recording(1), recording(2)], reader_version="2") == [1, 2]
    with (
        pytest.raises(ArchiveError, match="no longer gives run 2, which has typed values"),
        archive.transaction() as con,
    ):
        replace_runs(con, 1, [recording(9)], reader_version="3")
    with archive.connect() as con:
        same(recording(1), load_recording(con, 1))
        assert get_log(con, 1).reader_version == "2"
    with archive.transaction() as con:  # its number is not given to another run
        assert store_log(con, entry(2), [recording()]) == [4]


# Views ----------------------------------------------------------------------------------------------------------------


def test_every_view_reads_back_what_went_in(archive: Archive) -> None:
    ids = shop(archive)
    bake = recording()
    with archive.transaction() as con:
        given = {
            "oven": RunField(ids["oven"]),
            "jar": RunField(ids["jar"]),
            "board": RunField(ids["board"]),
            "kind": RunField("product"),
            "orientation": RunField("90"),
            "ambient_c": RunField(21.5),
        }
        store_log(con, entry(), [bake], [given])
        window = reference.add_window(
            con, "paste", "sheet", "1", [("peak_c", "{}", None, 250.0, "°C")], paste_id=ids["paste"]
        )
        write_evaluation(con, 1, evaluation(window))
        defects = [{"term": "bridging", "count": 2, "ref_des": "U1", "side": "left"}, {"term": "voiding", "count": 0}]
        add_inspection(con, 1, "microscope", joints_looked=480, boards_looked=2, who="Kim", at=START, defects=defects)
        add_inspection(con, 1, "x-ray", joints_looked=20, at=START)
        reference.add_event(con, ids["oven"], "fan", START, at_precision="day", note="new fan", who="Kim")
    run = archive.read("SELECT * FROM run_overview").iloc[0]
    assert {
        "run": 1,
        "zone": "Europe/Berlin",
        "duration_s": 59.5,
        "sample_interval_s": 0.5,
        "oven": "Bench",
        "paste": "Invented 305",
        "alloy": "SAC305",
        "jar": "J1",
        "lot": "L77",
        "board": "Blinker",
        "board_revision": "B",
        "kind": "product",
        "orientation": "90",
        "ambient_c": 21.5,
        "verdict": "meets",
        "limiting_metric": "peak_c",
        "limiting_channel": "left",
        "limiting_margin": 6.0,
        "limiting_unit": "°C",
        "complete": True,
        "danger": False,
        "rules_version": "1",
        "log_file": "bake_1.csv",
        "sha256": entry().sha256,
        "part": 1,
    }.items() <= run.to_dict().items()
    assert run["started_at"].to_pydatetime().replace(tzinfo=UTC) == START
    channels = archive.read(
        "SELECT name, role, unit, unit_original, samples, missing FROM channel_overview ORDER BY channel_no"
    )
    assert channels.values.tolist() == [
        ["left", "temperature", "°C", "°C", 120, 0],
        ["right", "temperature", "°C", "°F", 119, 1],
        ["phase", "state", "code", "", 120, 0],
    ]
    samples = archive.read("SELECT elapsed_s, value FROM sample WHERE run = 1 AND channel = 'right' ORDER BY elapsed_s")
    np.testing.assert_array_equal(samples["elapsed_s"].to_numpy(), bake.elapsed_s)
    np.testing.assert_array_equal(samples["value"].to_numpy(dtype=np.float64), bake.channels[1].values)
    metrics = archive.read(
        "SELECT channel, metric, value, uncertainty, unit, status, reason FROM metric_long ORDER BY 2, 1"
    )
    assert metrics.astype(object).where(metrics.notna(), None).values.tolist() == [
        ["left", "peak_c", 244.0, 2.0, "°C", "ok", None],
        ["right", "peak_c", 241.5, 2.0, "°C", "ok", None],
        [None, "spread_at_peak_k", None, None, "K", "not evaluated", "one channel is open"],
    ]
    finding = archive.read("SELECT * FROM finding").iloc[0].to_dict()
    assert finding == {
        "run": 1,
        "code": "open",
        "channel": "right",
        "state": "suspect",
        "evidence": "1 marker",
        "meaning": "a broken wire",
        "check_first": "the plug",
        "danger": "",
    }
    defects_seen = archive.read(
        "SELECT method, joints_looked, defect, count, ref_des, side FROM defect_long ORDER BY inspection"
    )
    assert defects_seen.astype(object).where(defects_seen.notna(), None).values.tolist() == [
        ["microscope", 480, "bridging", 2, "U1", "left"],
        ["x-ray", 20, None, 0, None, None],
    ]
    event = archive.read("SELECT oven, kind, at_precision, note, restarts_baseline, origin, who FROM oven_event")
    assert event.values.tolist() == [["Bench", "fan", "day", "new fan", True, "typed", "Kim"]]


def test_every_view_can_be_read_when_the_archive_is_empty(archive: Archive) -> None:
    for view, columns in VIEWS.items():
        frame = archive.read(f"SELECT * FROM {view}")
        assert frame.empty
        assert list(frame.columns)[: len(columns)] == [name for name, _ in columns]


def test_notices_and_labels_are_kept_as_plain_json(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(warnings=(Notice("zone", "“Zürich”"),), options={"oven": "Bench"}), [recording()])
    row = archive.read("SELECT warnings, options FROM log").iloc[0]
    assert json.loads(row["warnings"]) == [{"code": "zone", "text": "“Zürich”"}]
    assert json.loads(row["options"]) == {"oven": "Bench"}
