"""Logs and runs: what goes in comes out, once, and what people said is never overwritten."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from archive_bakes import START, entry, evaluation, recording
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, DuplicateLog, reference
from ingest.archive.contract import VIEWS
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import (
    LogEntry,
    find_log,
    get_log,
    held_logs,
    hold_log,
    log_of,
    original_bytes,
    reject_log,
    replace_runs,
    store_log,
)
from ingest.archive.quality import add_inspection
from ingest.archive.runs import (
    last_run_of_oven,
    load_recording,
    load_recordings,
    run_fields,
    set_placement,
    set_run_field,
)
from ingest.recording import Channel, Notice, Question, Recording, quantise_elapsed, quantise_values


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")


def same(a: Recording, b: Recording) -> None:
    assert a.started_at == b.started_at
    assert (a.zone, a.first_line, a.last_line, a.notices) == (b.zone, b.first_line, b.last_line, b.notices)
    np.testing.assert_array_equal(a.elapsed_s, b.elapsed_s)
    assert len(a.channels) == len(b.channels)
    for x, y in zip(a.channels, b.channels, strict=True):
        np.testing.assert_array_equal(x.values, y.values)
        assert replace(x, values=y.values) == y


def test_a_stored_log_comes_back_byte_for_byte_and_digit_for_digit(archive: Archive) -> None:
    log, bake = entry(), recording()
    with archive.transaction() as con:
        (run_id,) = store_log(con, log, [bake])
    with archive.connect() as con:
        row = find_log(con, hashlib.sha256(log.data).hexdigest())
        assert row is not None
        assert original_bytes(con, row.log_id) == log.data
        same(bake, load_recording(con, run_id))
    assert (row.status, row.runs, row.size_bytes, row.file_name) == ("stored", (run_id,), len(log.data), "bake_1.csv")


def test_the_hash_is_sha_256() -> None:
    # FIPS 180-4, worked example "abc"
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert LogEntry(b"abc", "abc").sha256 == digest


@pytest.mark.parametrize("data", [b"", b"\x00", bytes(range(256)) * 40, "Zeit;°C\r\n".encode("utf-16")])
def test_any_bytes_are_kept_exactly(archive: Archive, data: bytes) -> None:
    with archive.transaction() as con:
        log_id = hold_log(con, LogEntry(data, "odd"))
    with archive.connect() as con:
        assert original_bytes(con, log_id) == data


_values = arrays(np.float64, st.tuples(st.integers(1, 3), st.integers(1, 40)), elements=st.floats(allow_infinity=False))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=_values, steps=st.lists(st.integers(1, 3_600_000), min_size=40, max_size=40), number=st.integers(0))
def test_any_quantised_recording_comes_back_the_same(
    archive: Archive, values: np.ndarray, steps: list[int], number: int
) -> None:
    with np.errstate(over="ignore"):
        stored = [quantise_values(row) for row in values]
    elapsed = quantise_elapsed(np.concatenate([[0], np.cumsum(steps[: values.shape[1] - 1])]) / 1000.0)
    bake = Recording(elapsed, tuple(Channel(f"c{i}", "other", "", row) for i, row in enumerate(stored)))
    with archive.transaction() as con:
        known = find_log(con, LogEntry(str(number).encode(), "x").sha256)
        if known:
            run_ids = replace_runs(con, known.log_id, [bake], reader_version="1")
        else:
            run_ids = store_log(con, LogEntry(str(number).encode(), "x"), [bake])
        same(bake, load_recording(con, run_ids[0]))


def test_many_recordings_come_in_order_of_number_and_equal_those_read_singly(archive: Archive) -> None:
    with archive.transaction() as con:
        for number in range(1, 8):
            store_log(con, entry(number), [recording(number, rows=50 + number)])
        # A run read again lies behind the others in the table.
        replace_runs(con, 3, [recording(33, rows=20)], reader_version="2")
    with archive.connect() as con:
        found = list(load_recordings(con))
        assert [run_id for run_id, _ in found] == list(range(1, 8))
        for run_id, bake in found:
            same(bake, load_recording(con, run_id))
        same(found[2][1], recording(33, rows=20))
        picked = [run_id for run_id, _ in load_recordings(con, [6, 2, 99, 2])]
    assert picked == [2, 6]


def test_an_unknown_run_is_an_error(archive: Archive) -> None:
    with archive.connect() as con, pytest.raises(ArchiveError, match="there is no run 5"):
        load_recording(con, 5)


def test_lost_samples_are_an_error_not_a_shorter_run(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
        con.execute("UPDATE sample_values SET number = number[:61] WHERE channel_no = 1")
        with pytest.raises(ArchiveError, match="samples of run 1 are lost"):
            load_recording(con, 1)


@pytest.mark.parametrize(
    ("elapsed", "says"),
    [
        ([0.0, 0.5, 0.5], "increase"),
        ([0.0, 1.0, 0.5], "increase"),
        ([0.1, 0.5, 1.0], "start at 0"),
        ([0.0, 0.0005, 1.0], "whole milliseconds"),
        ([0.0, np.nan, 1.0], "whole milliseconds"),
        ([0.0, 1.0, 3e6], "24 days"),
    ],
)
def test_times_that_cannot_be_stored_are_refused(archive: Archive, elapsed: list[float], says: str) -> None:
    bake = Recording(np.array(elapsed), (Channel("a", "temperature", "°C", np.zeros(3)),))
    with pytest.raises(ArchiveError, match=says), archive.transaction() as con:
        store_log(con, entry(), [bake])
    assert archive.read("SELECT count(*) AS n FROM log")["n"].item() == 0


def test_the_same_bytes_twice_are_a_duplicate_and_stored_once(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(), [recording()])
    with pytest.raises(DuplicateLog) as caught, archive.transaction() as con:
        store_log(con, replace(entry(), file_name="other.csv"), [recording(2)])
    assert caught.value.log_id == 1
    with pytest.raises(DuplicateLog), archive.transaction() as con:
        hold_log(con, entry())
    assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 1


def test_a_held_log_keeps_its_questions_and_becomes_stored_under_its_number(archive: Archive) -> None:
    asked = Question("unit", "°C or °F?", ("°C", "°F"), "°C")
    received = datetime(2026, 3, 2, 7, tzinfo=UTC)
    with archive.transaction() as con:
        log_id = hold_log(
            con,
            entry(reason="the unit is not told", questions=(asked,), head=("Zeit;links",), received_at=received),
        )
        assert hold_log(con, entry(questions=(asked,))) == log_id
    with archive.connect() as con:
        (row,) = held_logs(con)
        assert (row.questions, row.received_at, row.runs) == ((asked,), received, ())
        assert original_bytes(con, log_id) == entry().data
    with archive.transaction() as con:
        store_log(con, entry(answers={"unit": "°F"}), [recording()])
        row = get_log(con, log_id)
        assert held_logs(con) == []
    assert (row.status, row.questions, row.answers, row.received_at) == ("stored", (), {"unit": "°F"}, received)


def test_a_rejected_log_leaves_its_reason_but_not_its_bytes(archive: Archive) -> None:
    with archive.transaction() as con:
        log_id = reject_log(con, entry(reason="no temperature column"))
    with archive.connect() as con:
        assert get_log(con, log_id).reason == "no temperature column"
        with pytest.raises(ArchiveError, match="rejected on arrival"):
            original_bytes(con, log_id)
    with archive.transaction() as con:  # a later reader understands it
        assert store_log(con, entry(), [recording()]) == [1]
        assert original_bytes(con, log_id) == entry().data


def test_the_bytes_of_a_held_log_stay_when_it_is_rejected(archive: Archive) -> None:
    with archive.transaction() as con:
        log_id = hold_log(con, entry())
        assert reject_log(con, entry(reason="not a bake")) == log_id
        assert original_bytes(con, log_id) == entry().data


def test_a_log_is_found_by_number_name_or_start_of_hash(archive: Archive) -> None:
    with archive.transaction() as con:
        store_log(con, entry(1), [recording()])
        store_log(con, replace(entry(2), file_name="twin.csv"), [recording()])
        store_log(con, replace(entry(3), file_name="twin.csv"), [recording()])
    with archive.connect() as con:
        assert (
            log_of(con, 1).log_id == log_of(con, "bake_1.csv").log_id == log_of(con, entry(1).sha256[:10]).log_id == 1
        )
        with pytest.raises(ArchiveError, match="several logs"):
            log_of(con, "twin.csv")
        with pytest.raises(ArchiveError, match="no log is called"):
            log_of(con, "absent.csv")
        with pytest.raises(ArchiveError, match="there is no log 77"):
            log_of(con, "77")


# Metadata -------------------------------------------------------------------------------------------------------------


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
