"""One known recording in many layouts: every pair of layout features occurs, and every sample must come back."""

from __future__ import annotations

import generator
import numpy as np
import pytest

from ingest.reading import read_log

LAYOUTS = generator.pairwise_layouts(seed=1)


def test_every_allowed_pair_of_features_is_there() -> None:
    seen = {(a, lay[a], b, lay[b]) for lay in LAYOUTS for a in lay for b in lay if a < b}
    wanted = {
        (a, x, b, y)
        for a in generator.FEATURES
        for b in generator.FEATURES
        if a < b
        for x in generator.FEATURES[a]
        for y in generator.FEATURES[b]
    }
    # Pairs that no allowed layout can hold (blanks as delimiter with trailing blanks, and the like) are few.
    assert len(wanted - seen) < 0.06 * len(wanted)


@pytest.mark.parametrize("number", range(len(LAYOUTS)))
def test_reads_back_every_sample(number: int) -> None:
    layout = LAYOUTS[number]
    data, truth = generator.write(layout, seed=number)
    found = read_log(data, "log")
    assert len(found) == 1
    reading = found[0]
    assert reading.status == "read", (layout, reading.reason, reading.questions)
    assert len(reading.recordings) == 1
    run = reading.recordings[0]
    assert len(run.elapsed_s) == len(truth.elapsed), (layout, reading.notices)
    np.testing.assert_allclose(run.elapsed_s, truth.elapsed, atol=truth.time_tolerance, rtol=0)
    channels = {c.name: c for c in run.channels}
    assert set(channels) == set(truth.channels), layout
    for name, (role, values) in truth.channels.items():
        channel = channels[name]
        assert channel.role == role, (layout, name)
        if role == "state":
            phases = np.array(["PREHEAT", "SOAK", "REFLOW", "COOL"])[values.astype(int)]
            assert [channel.labels[int(v)] for v in channel.values] == phases.tolist()
            continue
        np.testing.assert_array_equal(np.isnan(channel.values), np.isnan(values))
        np.testing.assert_allclose(channel.values, values, atol=truth.tolerance[name], rtol=0)
    assert sum(len(c.faults) for c in run.channels) == truth.faults
    if truth.start is None:
        assert run.started_at is None
    else:
        assert run.started_at is not None
        assert abs((run.started_at - truth.start).total_seconds()) < 0.0006
    if layout["preamble"] != "none":
        assert reading.metadata["profile"] == "SAC test"
        assert reading.metadata["firmware"] == "2.1-b"
        assert reading.metadata["operator"] == "bench"


def test_every_decision_has_a_reason_and_a_confidence() -> None:
    data, _truth = generator.write(LAYOUTS[0], seed=0)
    reading = read_log(data, "log")[0]
    assert reading.layout is not None
    assert reading.layout.decisions["clock"]["reasons"]
    for column in reading.layout.decisions["columns"]:
        assert column["reasons"], column
        assert 0.0 <= column["confidence"] <= 1.0
    for channel in reading.recordings[0].channels:
        assert channel.reasons
