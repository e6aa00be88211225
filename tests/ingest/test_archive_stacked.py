"""Runs loaded in bulk as arrays are those loaded one by one, to the last bit. An identity, no outside source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from archive_bakes import entry, recording

from ingest import open_archive
from ingest.archive.logs import store_log
from ingest.archive.runs import load_recordings
from ingest.archive.stacked import load_stacked
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values


def _with(source: Recording, number: int, values: np.ndarray) -> Recording:
    channels = list(source.channels)
    channels[number] = replace(channels[number], values=quantise_values(values))
    return replace(source, channels=tuple(channels))


def _runs() -> list[Recording]:
    random = np.random.default_rng(3)
    plain = [recording(seed) for seed in range(5)]
    long = [recording(seed, rows=2500) for seed in range(2)]
    odd = random.normal(100.0, 30.0, 120)  # no whole parts of a degree
    mixed = _with(recording(9), 0, odd)
    other_unit = _with(recording(10), 0, np.arange(120) / 16.0)
    wild = replace(recording(11), channels=(Channel("only", "temperature", "°C", quantise_values(odd)),))
    wilder = replace(wild, channels=(replace(wild.channels[0], values=quantise_values(odd + 1.0)),))
    uneven = replace(
        recording(12),
        elapsed_s=quantise_elapsed(np.append(0.0, np.sort(random.choice(99_999, 119, replace=False) + 1) / 1000)),
    )
    return [*plain, mixed, *long, other_unit, wild, uneven, wilder, recording(13, rows=121)]


def test_stacks_hold_what_single_runs_hold(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "book.duckdb")
    given = _runs()
    with archive.transaction() as con:
        ids = [store_log(con, entry(i), [one], [{}])[0] for i, one in enumerate(given)]
    with archive.connect() as con:
        single = dict(load_recordings(con, ids))
        stacks, rest = load_stacked(con, [*ids, 99_999])
        some, _ = load_stacked(con, ids[1:4:2])
    assert sorted([run for stack in stacks for run in stack.run_ids] + rest) == sorted(ids)
    assert max(len(stack.run_ids) for stack in stacks) >= 5
    assert rest == [ids[5], ids[10]]  # values of mixed kinds, uneven steps
    assert [run for stack in some for run in stack.run_ids] == ids[1:4:2]
    for stack in [*stacks, *some]:
        for at, run in enumerate(stack.run_ids):
            one = single[run]
            assert np.array_equal(stack.elapsed_s, one.elapsed_s)
            assert stack.values.dtype == np.float32
            for described, channel, values in zip(stack.channels, one.channels, stack.values[at], strict=True):
                assert np.array_equal(values, channel.values, equal_nan=True)
                assert replace(described, values=channel.values) == channel


def test_nothing_asked_for_is_nothing(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "book.duckdb")
    with archive.connect() as con:
        assert load_stacked(con, []) == ([], [])
        assert load_stacked(con, [1]) == ([], [])
