"""Inputs with nothing plugged in are shown and left out of judging, and the run's spread does not count them."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_oven import Oven, Tip, bake, recording_of

from analysis.evaluate import evaluate
from analysis.idle_inputs import is_idle
from analysis.results import Context
from ingest.recording import Channel, Recording


@pytest.mark.parametrize(
    ("values", "idle"),
    [
        ([0.0, 0.0, 0.0], True),
        ([1372.0, 1372.0, np.nan], True),
        ([np.nan, np.nan, np.nan], True),
        ([np.nan, -270.0, -270.0], True),
        ([0.0, 0.0, 0.1], False),
        ([25.0, 25.0, 25.0], False),  # stuck perhaps, but somebody's temperature
        ([450.0, 450.0, 450.0], False),
        ([0.0, np.nan, 25.0], False),
    ],
)
def test_idle_is_one_impossible_value(values: list[float], idle: bool) -> None:
    assert is_idle(np.array(values)) is idle


@pytest.mark.parametrize("level", [0.0, 1372.0, np.nan])
def test_an_idle_input_changes_no_spread_and_no_verdict(level: float) -> None:
    oven = Oven(tips=tuple(Tip(f"TC{k}", 0.0, 0.01 * k, 20.0, 2.0) for k in range(3)))
    recording = recording_of(bake(oven), np.random.default_rng(0))
    idle = Channel("spare", "temperature", "°C", np.full(len(recording.elapsed_s), level))
    with_idle = Recording(recording.elapsed_s, (*recording.channels, idle))
    context = Context(liquidus_c=217.0)
    alone, beside = evaluate(recording, context), evaluate(with_idle, context)
    spread = [[m.value for m in e.metrics if m.metric == "spread_at_peak_c"] for e in (alone, beside)]
    assert spread[0] == spread[1]
    assert beside.verdict == alone.verdict
    assert not beside.danger
    peaks = [m for m in beside.metrics if m.metric == "peak_c" and m.channel == 5]
    assert len(peaks) == 1
    assert peaks[0].reason
