"""Properties: what was written comes back, whatever the numbers; and reading never raises.

hypothesis draws the recording and the way it is written; half a unit of the last place is the most a value may differ.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.reading import read_log
from ingest.reading.cells import to_number

SETTINGS = settings(max_examples=60, deadline=None)


@st.composite
def recordings(draw: st.DrawFn) -> tuple[np.ndarray, list[np.ndarray]]:
    """A run: room temperature, rise to a peak, fall; two channels with noise."""
    interval = draw(st.sampled_from([0.2, 0.5, 1.0, 2.0]))
    peak = draw(st.floats(155, 265))
    room = draw(st.floats(16, 33))
    slow = draw(st.floats(0.7, 1.6))
    seed = draw(st.integers(0, 2**16))
    t = np.round(np.arange(0, 400 * slow, interval), 3)
    rng = np.random.default_rng(seed)
    points = [room, room, 0.6 * peak, 0.75 * peak, peak, peak - 1, 0.5 * peak, 0.25 * peak + 10]
    shape = np.interp(t / slow, [0, 15, 100, 190, 250, 262, 330, 420], points)
    return t, [shape + rng.normal(0, 0.15, len(t)), 0.98 * shape + rng.normal(0, 0.15, len(t))]


@SETTINGS
@given(
    recordings(), st.sampled_from(";\t,"), st.sampled_from(".,"), st.integers(1, 3), st.sampled_from(["°C", "°F", "K"])
)
def test_written_and_read_back(
    recording: tuple[np.ndarray, list[np.ndarray]], delimiter: str, decimal: str, decimals: int, unit: str
) -> None:
    if delimiter == decimal:
        delimiter = ";"
    t, channels = recording
    as_written = {"°C": lambda c: c, "°F": lambda c: c * 1.8 + 32, "K": lambda c: c + 273.15}[unit]
    header = delimiter.join(["Time (s)", f"T1 ({unit})", f"T2 ({unit})"])
    lines = [
        delimiter.join(
            f"{v:.{d}f}".replace(".", decimal)
            for v, d in zip((x, as_written(p), as_written(q)), (3, decimals, decimals), strict=True)
        )
        for x, p, q in zip(t, *channels, strict=True)
    ]
    reading = read_log(("\n".join([header, *lines]) + "\n").encode())[0]
    assert reading.status == "read", (reading.reason, reading.questions)
    assert len(reading.recordings) == 1
    run = reading.recordings[0]
    np.testing.assert_allclose(run.elapsed_s, t, atol=0.0006, rtol=0)
    half = 0.5 * 10.0**-decimals / (1.8 if unit == "°F" else 1.0) + 3e-5
    for channel, values in zip(run.channels, channels, strict=True):
        np.testing.assert_allclose(channel.values, values, atol=half, rtol=0)


@SETTINGS
@given(st.floats(-1e6, 1e6, allow_nan=False), st.integers(0, 6), st.sampled_from(".,"), st.booleans())
def test_a_number_is_read_as_it_was_written(value: float, decimals: int, decimal: str, grouped: bool) -> None:
    mark = "," if decimal == "." else "."
    text = f"{value:,.{decimals}f}" if grouped else f"{value:.{decimals}f}"
    text = text.translate(str.maketrans(",.", mark + decimal))
    assert to_number(text, decimal) == float(f"{value:.{decimals}f}")


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=2000))
def test_any_bytes_are_read_held_or_rejected(data: bytes) -> None:
    for reading in read_log(data):
        assert reading.status in ("read", "held", "rejected")
        assert (reading.status == "rejected") == (reading.reason is not None)
        assert (reading.status == "held") == bool(reading.questions)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.lists(
            st.sampled_from(
                [
                    "0",
                    "1",
                    "25.3",
                    "240",
                    "-",
                    "OPEN",
                    "",
                    "12:00:01",
                    "2025-03-27",
                    "T1",
                    "x",
                    "1.234,5",
                    '"',
                    "\0",
                    "é",
                ]
            ),
            max_size=6,
        ),
        max_size=40,
    )
)
def test_any_table_is_read_held_or_rejected(cells: list[list[str]]) -> None:
    for delimiter in ",; ":
        for reading in read_log("\n".join(delimiter.join(row) for row in cells).encode()):
            assert reading.status in ("read", "held", "rejected")


@SETTINGS
@given(recordings())
def test_recordings_keep_their_promises(recording: tuple[np.ndarray, list[np.ndarray]]) -> None:
    t, channels = recording
    text = "t_s,T1,T2\n" + "".join(f"{x:.3f},{p:.1f},{q:.1f}\n" for x, p, q in zip(t, *channels, strict=True))
    for run in read_log(text.encode())[0].recordings:
        assert run.elapsed_s[0] == 0.0
        assert (np.diff(run.elapsed_s) > 0).all()
        np.testing.assert_allclose(run.elapsed_s * 1000, np.round(run.elapsed_s * 1000), atol=1e-6)
        for channel in run.channels:
            assert len(channel.values) == len(run.elapsed_s)
            assert (channel.values == channel.values.astype(np.float32)).all()
