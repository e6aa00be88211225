"""A controller's own word that a run was stopped, read through the real reader from a log's state column."""

from __future__ import annotations

import pytest

from analysis.aborted import stopped_early
from analysis.evaluate import evaluate
from analysis.results import Context, Limit
from ingest.reading import read_log

WINDOW = Context(
    liquidus_c=217.0, alloy="SAC305", limits=(Limit("peak_c", "{}", None, 250.0, "°C", "paste", "a sheet", "1", 1),)
)


def log(last: str) -> bytes:
    """A whole bake that reaches 240 °C and cools to 40 °C; from 300 s on the state column says `last`."""
    lines = ["time_s,TC1 [°C],TC2 [°C],state"]
    for t in range(0, 501, 2):
        value = 25 + min(t, 280) * 215 / 280 if t <= 300 else max(240 - (t - 300) * 1.2, 30)
        wave = 0.05 * (t % 7)
        lines.append(f"{t},{value + wave:.2f},{value - 3 - wave:.2f},{'heating' if t < 300 else last}")
    return "\n".join(lines).encode()


@pytest.mark.parametrize("word", ["aborted", "ABORT", "emergency stop", "Abbruch"])
def test_a_run_that_its_controller_calls_stopped_is_incomplete(word: str) -> None:
    (reading,) = read_log(log(word), "bake.csv")
    assert reading.status == "read", (reading.reason, reading.questions)
    found = evaluate(reading.recordings[0], WINDOW)
    assert (found.complete, found.verdict) == (False, "not evaluated")
    assert found.reason == f"the log says '{word}' from 300 s on; no limit is broken up to there"


@pytest.mark.parametrize("word", ["cooling", "done", "off", "stop", "absorbing"])
def test_a_run_that_ends_as_it_should_is_complete(word: str) -> None:
    (reading,) = read_log(log(word), "bake.csv")
    assert stopped_early(reading.recordings[0]) is None
    assert evaluate(reading.recordings[0], WINDOW).complete
