"""Small helpers to write invented logs by hand, and to check what was read from them.

All logs are invented: one smooth reflow curve with a little noise, the second channel a little later and cooler.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from generator import curve

from ingest.reading import read_log
from ingest.recording import Reading, Recording

START = datetime(2025, 3, 27, 9, 14, 3)
START_UTC = START.replace(tzinfo=UTC)
T1 = np.arange(0, 401, 1.0)
T05 = np.arange(0, 400, 0.5)


def two_channels(t: np.ndarray, peak: float = 243.0, room: float = 24.0, seed: int = 5) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [curve(t - 1.5 * k, peak - 3.1 * k, room + 0.3 * k) + rng.normal(0, 0.15, len(t)) for k in range(2)]


def setpoint(t: np.ndarray) -> np.ndarray:
    return np.interp(t, [0, 90, 180, 240, 255, 256, 420], [25, 150, 180, 245, 245, 25, 25])


def numbers(values: np.ndarray, decimals: int = 1, decimal: str = ".") -> list[str]:
    return [f"{v:.{decimals}f}".replace(".", decimal) for v in values]


def stamps(t: np.ndarray, form: str = "%Y-%m-%d %H:%M:%S", start: datetime = START) -> list[str]:
    return [(start + timedelta(seconds=float(x))).strftime(form) for x in t]


def rows(columns: Sequence[Sequence[str]], delimiter: str = ",", end: str = "\n") -> str:
    return "".join(delimiter.join(cells) + end for cells in zip(*columns, strict=True))


def table(header: str, *columns: Sequence[str], delimiter: str = ",") -> bytes:
    return (header + "\n" + rows(columns, delimiter)).encode()


def only(data: bytes | str, **options) -> Reading:
    found = read_log(data if isinstance(data, bytes) else data.encode(), "log.csv", **options)
    assert len(found) == 1
    return found[0]


def one_run(data: bytes | str, **options) -> Recording:
    """The single run of a log that must be read without a question."""
    reading = only(data, **options)
    assert reading.status == "read", (reading.reason, reading.questions)
    assert len(reading.recordings) == 1, [(r.first_line, r.last_line) for r in reading.recordings]
    return reading.recordings[0]


def same(
    recording: Recording,
    t: np.ndarray,
    channels: Sequence[np.ndarray],
    tolerance: float = 0.0501,
    time_tolerance: float = 0.0006,
) -> None:
    """The judged temperature channels hold these values [°C] at these times [s], within half a unit of the last place."""
    temperatures = [c for c in recording.of_role("temperature") if c.judged]
    assert len(temperatures) == len(channels), [(c.name, c.role, c.judged) for c in recording.channels]
    assert len(recording.elapsed_s) == len(t)
    np.testing.assert_allclose(recording.elapsed_s, t - t[0], atol=time_tolerance, rtol=0)
    for channel, values in zip(temperatures, channels, strict=True):
        assert (np.isnan(channel.values) == np.isnan(values)).all()
        np.testing.assert_allclose(channel.values, values, atol=tolerance, rtol=0)


def codes(reading: Reading | Recording) -> set[str]:
    return {n.code for n in reading.notices}


def asked(data: bytes | str, question: str, **options) -> Reading:
    """A log that must be held with this question."""
    reading = only(data, **options)
    assert reading.status == "held", (reading.status, reading.reason)
    assert question in [q.id for q in reading.questions], reading.questions
    return reading
