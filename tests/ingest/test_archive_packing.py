"""Samples packed into lists come back to the last bit, from Python and from the views."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from archive_bakes import entry
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ingest import open_archive
from ingest.archive import Archive
from ingest.archive.logs import store_log
from ingest.archive.packing import PER_UNIT, STRETCH, parts_of, values_of
from ingest.archive.runs import load_recording, load_recordings
from ingest.archive.verify import verify
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values


def bits(values: np.ndarray) -> np.ndarray:
    """What is stored of a value, with one pattern for all that is missing."""
    stored = np.asarray(values, dtype=np.float32).copy()
    stored[np.isnan(stored)] = np.nan
    return stored.view(np.int32)


@given(arrays(np.float32, (3, 40), elements=st.floats(width=32, allow_nan=True, allow_infinity=True)))
@settings(max_examples=200, deadline=None)
def test_any_values_are_packed_without_a_loss_or_not_at_all(values: np.ndarray) -> None:
    per_unit, number = parts_of(values)
    for row in range(len(values)):
        if not np.isnan(per_unit[row]):
            there = ~np.isnan(values[row])
            assert np.array_equal(bits(values_of(number[row], per_unit[row]))[there], bits(values[row])[there])


@pytest.mark.parametrize("parts", PER_UNIT)
def test_whole_parts_are_recognised_over_the_whole_range(parts: float) -> None:
    # every whole number of parts from -80 to 400 of the unit: every reading such a logger can give
    number = np.arange(int(-80 * parts), int(400 * parts) + 1)
    per_unit, packed = parts_of((number / parts).astype(np.float32)[np.newaxis])
    assert per_unit[0] <= parts
    assert np.array_equal(values_of(packed[0], per_unit[0]), (number / parts).astype(np.float32))


def test_fahrenheit_told_in_celsius_is_whole_parts() -> None:
    for digits, parts in ((0, 1.8), (1, 18.0), (2, 180.0)):
        told = np.round(np.linspace(60, 480, 997), digits)
        per_unit, _ = parts_of(quantise_values((told - 32) / 1.8)[np.newaxis].astype(np.float32))
        assert per_unit[0] == parts


def test_negative_zero_infinity_and_large_values_are_kept_as_they_are() -> None:
    for odd in (-0.0, np.inf, 3e9, 1 / 7):
        per_unit, _ = parts_of(np.array([[1.0, odd, 2.0]], dtype=np.float32))
        assert np.isnan(per_unit[0])


def of_length(n: int, seed: int, ms: np.ndarray | None = None) -> Recording:
    """Quarter degrees with one missing, sevenths, and a channel that was never there."""
    rng = np.random.default_rng(seed)
    quarters = rng.integers(80, 1000, n) / 4.0
    quarters[n // 2] = np.nan
    times = np.arange(n) * 250 if ms is None else ms
    return Recording(
        quantise_elapsed(times / 1000.0),
        (
            Channel("left", "temperature", "°C", quantise_values(quarters)),
            Channel("right", "temperature", "°C", quantise_values(rng.integers(80, 1000, n) / 7.0)),
            Channel("rear", "temperature", "°C", np.full(n, np.nan)),
        ),
    )


def uneven(n: int) -> np.ndarray:
    return np.concatenate([[0], np.cumsum(np.random.default_rng(3).integers(1, 2000, n - 1))])


def with_a_gap(n: int) -> np.ndarray:
    ms = np.arange(n) * 100
    ms[n // 3 :] += 60_000
    return ms


RUNS = [
    of_length(1, 1),
    of_length(2, 2),
    of_length(STRETCH - 1, 3),
    of_length(STRETCH, 4),
    of_length(STRETCH + 1, 5),
    of_length(3 * STRETCH + 7, 6),
    of_length(600, 7, uneven(600)),
    of_length(2 * STRETCH + 1, 8, uneven(2 * STRETCH + 1)),
    of_length(3 * STRETCH, 9, with_a_gap(3 * STRETCH)),
    of_length(600, 10),
    of_length(600, 11),
]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Runs of many lengths, at even and uneven times, in one transaction."""
    archive = open_archive(tmp_path / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        store_log(con, entry(), RUNS)
    return archive


def test_runs_of_any_length_and_clock_come_back_as_they_were(archive: Archive) -> None:
    assert verify(archive) == []
    with archive.connect() as con:
        loaded = dict(load_recordings(con))
        alone = {run_id: load_recording(con, run_id) for run_id in loaded}
    for run_id, before in enumerate(RUNS, 1):
        for after in (loaded[run_id], alone[run_id]):
            assert np.array_equal(after.elapsed_s, before.elapsed_s)
            for mine, theirs in zip(after.channels, before.channels, strict=True):
                assert np.array_equal(bits(mine.values), bits(theirs.values))


def test_the_views_show_every_sample_as_it_was(archive: Archive) -> None:
    for run_id, before in enumerate(RUNS, 1):
        for number, channel in enumerate(before.channels):
            shown = archive.read(
                "SELECT elapsed_s, value FROM sample WHERE run = ? AND channel = ? ORDER BY elapsed_s",
                [run_id, channel.name],
            )
            assert np.array_equal(shown["elapsed_s"], before.elapsed_s)
            assert np.array_equal(bits(shown["value"].to_numpy()), bits(channel.values))
            rows = archive.read(
                "SELECT elapsed_ms, value FROM samples WHERE run_id = ? AND channel_no = ? ORDER BY elapsed_ms",
                [run_id, number],
            )
            assert np.array_equal(rows["elapsed_ms"] / 1000.0, before.elapsed_s)
            assert np.array_equal(bits(rows["value"].to_numpy()), bits(channel.values))
    # A missing sample is NULL, not NaN: aggregates leave it out.
    missing = archive.read("SELECT count(*) - count(value) AS n FROM sample WHERE channel = 'left'")["n"].item()
    assert missing == len(RUNS)


def test_rows_in_any_order_make_the_same_runs(archive: Archive) -> None:
    with archive.connect() as con:
        before = dict(load_recordings(con))
        for table in ("sample_values", "sample_times"):
            con.execute(f"CREATE TEMP TABLE kept AS FROM {table} ORDER BY hash(run_id, stretch)")
            con.execute(f"DELETE FROM {table}")
            con.execute(f"INSERT INTO {table} FROM kept")
            con.execute("DROP TABLE kept")
        after = dict(load_recordings(con))
    assert list(after) == list(before)
    for run_id, recording in after.items():
        assert np.array_equal(recording.elapsed_s, before[run_id].elapsed_s)
        for mine, theirs in zip(recording.channels, before[run_id].channels, strict=True):
            assert np.array_equal(mine.values, theirs.values, equal_nan=True)
