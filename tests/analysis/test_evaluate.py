"""From recording and context to an evaluation: pure, whole, danger and doubt before the verdict."""

from __future__ import annotations

import numpy as np
import pytest
from profiles import context, lines, recording, temperature

from analysis.evaluate import RULES_VERSION, evaluate
from analysis.results import Context, Limit
from analysis.windows import built_in_body_limits, default_for
from ingest.recording import Channel, quantise_values

SAC = tuple(
    Limit(metric, text, low, high, unit, "paste", "a sheet", "2024-05", 7)
    for metric, text, low, high, unit in default_for("SAC305", "PbFree").limits
)
GOOD = [(0, 25), (10, 25), (125, 150), (215, 200), (243, 242.5), (262, 242.5), (330, 100), (420, 45)]


def noisy(values, seed, sigma=0.15):
    rng = np.random.default_rng(seed)
    return quantise_values(np.round(values + rng.normal(0, sigma, len(values)), 1))


def bake(channels=2, seed=1, end_s=None, **more):
    t, v = lines(GOOD, 0.5, end_s)
    made = [temperature(f"tc{i + 1}", noisy(np.interp(t - 2 * i, t, v) - 0.5 * i, seed + i)) for i in range(channels)]
    return recording(t, *made, *more.values())


def test_a_sound_run_meets_its_window_and_names_its_smallest_margin():
    # a budget of a careful shop: class 1 wire, zeroed input, soldered tips
    careful = {"tolerance_k": 1.5, "input_k": 1.0, "attachment_k": 1.5}
    result = evaluate(bake(), context(limits=SAC, budget=careful))
    assert result.rules_version == RULES_VERSION
    assert (result.verdict, result.reason, result.complete, result.danger) == ("meets", None, True, False)
    assert len(result.limit_results) == len(SAC)
    assert result.limiting is not None
    assert result.limiting.limit.metric == "peak_c"
    assert 5 < result.limiting.margin < 8  # 242.5 in 235 to 250


def test_the_same_run_under_the_default_budget_is_no_surer_than_it_is():
    # domain brief: about ±5 °C on one channel; a peak 7 K inside still meets, one 4 K inside does not
    near = tuple(limit for limit in SAC if limit.metric == "peak_c")
    narrow = (Limit("peak_c", "{}", 238.0, 247.0, "°C", "paste", "a sheet", "1", 7),)
    assert evaluate(bake(), context(limits=near)).verdict == "meets"
    assert evaluate(bake(), context(limits=narrow)).verdict == "too close to call"


def test_pure_to_the_last_digit():
    ctx = context(limits=SAC, ambient_c=23.0)
    first, second = evaluate(bake(), ctx), evaluate(bake(), ctx)
    assert first == second


def test_a_stuck_channel_is_said_before_any_verdict():
    t, v = lines(GOOD, 0.5)
    dead = recording(
        t,
        temperature("tc1", noisy(v, 1)),
        temperature("tc2", noisy(v - 1, 2)),
        temperature("tc3", np.full(len(t), 24.3)),
    )
    result = evaluate(dead, context(limits=SAC, budget={"tolerance_k": 1.0, "input_k": 1.0, "attachment_k": 1.0}))
    assert result.verdict == "not evaluated"
    assert (result.reason or "").startswith("Sensor not believable: tc3 stuck. The other channels alone: meets")


def test_without_a_paste_metrics_are_given_and_the_verdict_is_not():
    result = evaluate(bake(), Context())
    assert (result.verdict, result.reason) == ("not evaluated", "no paste recorded, so no window to judge by")
    assert any(m.metric == "peak_c" and m.status == "ok" for m in result.metrics)


def test_air_channels_are_told_by_their_place_or_else_by_their_name():
    t, v = lines(GOOD, 0.5)
    hot_air = temperature("air_c", noisy(v * 1.1, 9))
    careful = {"tolerance_k": 1.0, "input_k": 1.0, "attachment_k": 1.0}
    result = evaluate(recording(t, temperature("left", noisy(v, 1)), hot_air), context(limits=SAC, budget=careful))
    assert result.verdict == "meets"
    said = next(m for m in result.metrics if (m.metric, m.channel) == ("peak_c", 1))
    assert (said.status, said.reason) == ("ok", "measures the air: shown, not judged by limits for the work")
    # a recorded place stands above the name
    placed = context(limits=SAC, budget=careful, placements={"air_c": ("board, left edge", None)})
    assert evaluate(recording(t, temperature("left", noisy(v, 1)), hot_air), placed).verdict == "fails"
    alone = evaluate(recording(t, hot_air), context(limits=SAC))
    assert alone.reason == "every channel is an average or measures the air: none is on the work"


def test_a_run_cut_off_near_its_peak_has_no_verdict_but_a_reason():
    result = evaluate(bake(end_s=255), context(limits=SAC))
    assert (result.verdict, result.complete) == ("not evaluated", False)
    assert result.reason == (
        "the log ends before the oven has come down from its highest temperature; no limit is broken up to there"
    )


def test_a_run_without_any_temperature_is_not_evaluated():
    t = np.arange(100.0)
    result = evaluate(recording(t, Channel("heater", "duty", "%", np.ones(100))), context(limits=SAC))
    assert (result.verdict, result.reason) == ("not evaluated", "no temperature sample in the log")
    assert result.limiting is None


def test_body_ceiling_is_judged_on_the_package_and_the_paste_on_the_joints():
    t, v = lines(GOOD, 0.5)
    body = temperature("tc top", noisy(np.where(v > 200, v + (v - 200) * 0.25, v), 5))  # 253 on top of the package
    joint = temperature("tc joint", noisy(v, 6))
    limits = SAC + built_in_body_limits("PbFree", 3.0, 5000.0)  # Tc 245
    ctx = context(limits=limits, classification_c=245.0, placements={"tc top": ("package top", None)})
    result = evaluate(recording(t, joint, body), ctx)
    peaks = {(r.limit.scope): r for r in result.limit_results if r.limit.metric == "peak_c"}
    assert peaks["paste"].channel == 0
    assert peaks["body"].channel == 1
    assert (peaks["body"].verdict, result.verdict) == ("fails", "fails")


def test_evaluating_an_import_costs_neither_scipy_nor_streamlit():
    import subprocess
    import sys

    code = (
        "import sys, numpy as np; from ingest.recording import Recording, Channel; from analysis.results import Context;"
        "from analysis.evaluate import evaluate; t = np.arange(400.0);"
        "v = np.interp(t, [0, 200, 240, 400], [25, 240, 240, 60]);"
        "evaluate(Recording(t, (Channel('a', 'temperature', '°C', v), Channel('b', 'temperature', '°C', v - 2))),"
        " Context(liquidus_c=217.0));"
        "print([m for m in ('scipy', 'sklearn', 'streamlit', 'altair', 'statsmodels', 'pandas', 'duckdb') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


@pytest.mark.parametrize("seed", range(5))
def test_no_false_doubt_on_sound_runs(seed):
    result = evaluate(bake(channels=4, seed=seed * 10), context(limits=SAC))
    assert [f for f in result.findings if f.state in ("suspect", "fail")] == []
