"""Logs: what goes in comes out, once."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from archive_bakes import entry, recording, same
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, DuplicateLog
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
from ingest.archive.runs import (
    load_recording,
    load_recordings,
)
from ingest.recording import Channel, Question, Recording, quantise_elapsed, quantise_values


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")


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
