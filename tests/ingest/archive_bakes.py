"""Invented recordings, evaluations and child processes for the archive tests."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analysis.results import Evaluation, Finding, Limit, LimitResult, MetricValue
from ingest import open_archive
from ingest.archive import Archive
from ingest.archive.logs import LogEntry
from ingest.archive.migrate import migrations
from ingest.recording import Channel, Fault, Notice, Recording, quantise_elapsed, quantise_values

ROOT = Path(__file__).parents[2]
START = datetime(2026, 3, 1, 8, 30, tzinfo=UTC)


def recording(seed: int = 1, rows: int = 120, started_at: datetime | None = START) -> Recording:
    """Two temperature channels at 0.5 s, in steps of 0.1 °C, one sample missing and explained by a fault marker."""
    random = np.random.default_rng(seed)
    elapsed = quantise_elapsed(np.arange(rows) * 0.5)
    left = 25.0 + random.integers(0, 2200, rows) / 10
    right = 25.0 + random.integers(0, 2200, rows) / 10
    right[7] = np.nan
    return Recording(
        elapsed,
        (
            Channel("left", "temperature", "°C", quantise_values(left), confidence=0.9, reasons=("header says °C",)),
            Channel("right", "temperature", "°F", quantise_values(right), faults=(Fault(3.5, "OPEN", "open"),)),
            Channel("phase", "state", "", quantise_values(np.arange(rows) // 40), labels=("soak", "reflow", "cool")),
        ),
        started_at,
        "Europe/Berlin" if started_at else None,
        first_line=2,
        last_line=rows + 1,
        notices=(Notice("gap", "one sample is missing in “right”"),),
    )


def entry(number: int = 1, **more: object) -> LogEntry:
    """A log whose bytes hang on `number`; long enough for several stored pieces."""
    random = np.random.default_rng(number)
    data = b"elapsed;left;right\r\n%d\r\n" % number + random.bytes(3000)
    return LogEntry(data, f"bake_{number}.csv", reader_version="1", **more)  # pyright: ignore[reportArgumentType]


def same(a: Recording, b: Recording) -> None:
    assert a.started_at == b.started_at
    assert (a.zone, a.first_line, a.last_line, a.notices) == (b.zone, b.first_line, b.last_line, b.notices)
    np.testing.assert_array_equal(a.elapsed_s, b.elapsed_s)
    assert len(a.channels) == len(b.channels)
    for x, y in zip(a.channels, b.channels, strict=True):
        np.testing.assert_array_equal(x.values, y.values)
        assert replace(x, values=y.values) == y


def evaluation(window_id: int = 1, rules: str = "1") -> Evaluation:
    """Left peaks at 244 °C with 2 °C uncertainty against an upper limit of 250 °C."""
    limit = Limit("peak_c", "{}", None, 250.0, "°C", "paste", "invented sheet", "2026-01", window_id)
    result = LimitResult(limit, 0, 244.0, 2.0, 6.0, "meets")
    return Evaluation(
        rules,
        "meets",
        None,
        result,
        True,
        False,
        (
            MetricValue("peak_c", 0, 244.0, 2.0, "°C"),
            MetricValue("peak_c", 1, 241.5, 2.0, "°C"),
            MetricValue("spread_at_peak_k", None, None, None, "K", "not evaluated", "one channel is open"),
        ),
        (result,),
        (Finding("open", 1, "suspect", "1 marker", "a broken wire", "the plug"),),
    )


# Written out of an archive of schema 4 by the Ovenbook of that time: even and uneven times, °C and °F, a missing value.
_OLD_ROWS = Path(__file__).with_name("archive_of_schema_4.sql")


def old_archive(path: Path, version: int) -> Archive:
    """An archive of three invented logs as it was at an earlier schema (4 or before)."""
    archive = open_archive(path, zone="UTC", known=migrations()[:version])
    with archive.connect() as con:
        con.execute(_OLD_ROWS.read_text(encoding="utf-8"))
    return archive


def child(code: str, *arguments: object) -> subprocess.Popen[str]:
    """A real process of its own that runs `code` with `arguments` in sys.argv[1:]."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{Path(__file__).parent}"},
    )
