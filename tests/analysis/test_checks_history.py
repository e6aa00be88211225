"""The usual of earlier runs: robust numbers that can be worked by hand, and the checks that need them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.checks import History, build_history, check_channels
from analysis.checks.history import MINIMUM_RUNS, Typical
from analysis.results import Context, MetricValue
from ingest.recording import Channel, Recording

T = np.arange(0.0, 300.0)
CURVE = np.interp(T, [0, 10, 200, 300], [24, 24, 240, 90])


def table(**peaks: list[float]) -> pd.DataFrame:
    rows = [
        {"run": run, "channel": name, "metric": "peak_c", "value": value, "status": "ok"}
        for name, values in peaks.items()
        for run, value in enumerate(values)
    ]
    return pd.DataFrame(rows)


def test_typical_values_by_hand() -> None:
    history = build_history(table(left=[240, 241, 239, 242, 300], right=[230, 232, 228, 233, 289]))
    assert history is not None
    assert history.n == 5
    # median 241; deviations 1 0 2 1 59 -> median 1 -> 1.4826; the odd run does not count
    assert history.peak_c["left"] == Typical(241.0, pytest.approx(1.4826), 5)
    # differences 10 9 11 9 11 -> median 10, deviations 0 1 1 1 1 -> 1
    assert history.peak_difference("left", "right") == Typical(10.0, pytest.approx(1.4826), 5)
    assert history.peak_difference("right", "left") == Typical(-10.0, pytest.approx(1.4826), 5)
    assert history.peak_difference("left", "nowhere") is None


def test_too_few_runs_give_no_history() -> None:
    few = [240.0] * (MINIMUM_RUNS - 1)
    assert build_history(table(left=few)) is None
    mixed = build_history(table(left=[240.0] * MINIMUM_RUNS, new=few))
    assert mixed is not None
    assert "new" not in mixed.peak_c


def test_values_that_are_not_ok_and_run_metrics_are_left_out() -> None:
    frame = table(left=[240.0, 241.0, 239.0, 240.0, 240.0, 20.0])
    frame.loc[5, "status"] = "incomplete"
    spread = pd.DataFrame([{"run": 9, "channel": None, "metric": "spread_at_peak_c", "value": 5.0, "status": "ok"}])
    history = build_history(pd.concat([frame, spread]))
    assert history is not None
    assert history.n == 5


def usual(peaks: dict[str, float], lags: dict[str, float], scatter: float = 1.0) -> History:
    names = sorted(peaks)
    pairs = {(a, b): Typical(peaks[a] - peaks[b], scatter, 12) for k, a in enumerate(names) for b in names[k + 1 :]}
    return History(
        12,
        peak_c={n: Typical(p, scatter, 12) for n, p in peaks.items()},
        lag_s={n: Typical(v, 0.8, 12) for n, v in lags.items()},
        peak_difference_k=pairs,
    )


def today(
    peaks: dict[str, float], lags: dict[str, float], history: History, **context: object
) -> list[tuple[str, int]]:
    names = sorted(peaks)
    curves = [
        np.interp(T - 3 * k, T, CURVE) + np.random.default_rng(k).normal(0, 0.1, len(T)) for k in range(len(names))
    ]
    curves = [24 + (v - 24) * (peaks[n] - 24) / 216 for v, n in zip(curves, names, strict=True)]
    recording = Recording(T, tuple(Channel(n, "temperature", "°C", v) for n, v in zip(names, curves, strict=True)))
    metrics = [MetricValue("peak_c", k, peaks[n], 5.0, "°C") for k, n in enumerate(names)]
    metrics += [MetricValue("channel_lag_s", k, lags[n], 1.0, "s") for k, n in enumerate(names)]
    findings = check_channels(recording, Context(**context), metrics, history)  # type: ignore[arg-type]
    return [(f.code, f.channel) for f in findings if f.state in ("suspect", "fail")]  # type: ignore[misc]


PEAKS = {"centre": 236.0, "left": 244.0, "right": 232.0}
LAGS = {"centre": 3.0, "left": -2.0, "right": 1.0}


def test_the_usual_pattern_is_silent() -> None:
    history = usual(PEAKS, LAGS)
    assert today(PEAKS, LAGS, history, control_channel="centre") == []
    warmer = {n: p + 3 for n, p in PEAKS.items()}  # the whole oven 3 K hotter: no sensor's fault
    assert today(warmer, LAGS, history, control_channel="centre") == []


def test_mirrored_pattern_is_a_swap() -> None:
    peaks = {**PEAKS, "left": 232.0, "right": 244.0}
    lags = {**LAGS, "left": 1.0, "right": -2.0}
    assert today(peaks, lags, usual(PEAKS, LAGS)) == [("swapped", 1)]
    assert today({**PEAKS, "left": 232.0}, LAGS, usual(PEAKS, LAGS)) == []  # one moved alone: no swap


def test_lead_at_the_threshold_is_lifted() -> None:
    history = usual(PEAKS, LAGS)
    assert today(PEAKS, {**LAGS, "centre": 0.0}, history) == []
    assert today(PEAKS, {**LAGS, "centre": -9.0}, history) == [("lifted", 0)]
    # a heavier board makes a tip lag more: not lifted
    assert today(PEAKS, {**LAGS, "centre": 12.0}, history) == []
    in_air = {"centre": ("above the board", "air")}
    assert today(PEAKS, {**LAGS, "centre": -9.0}, history, placements=in_air) == []


def test_control_lifted_moves_all_others_alike() -> None:
    history = usual(PEAKS, LAGS)
    hotter = {**PEAKS, "left": PEAKS["left"] + 9, "right": PEAKS["right"] + 9}
    assert today(hotter, LAGS, history, control_channel="centre") == [("control_lifted", 0)]
    assert today(hotter, LAGS, history) == []  # unknown which one steers
    little = {**PEAKS, "left": PEAKS["left"] + 3.5, "right": PEAKS["right"] + 3.5}
    assert today(little, LAGS, history, control_channel="centre") == []
    one = {**PEAKS, "left": PEAKS["left"] + 9}
    assert today(one, LAGS, history, control_channel="centre") == []


def starts(*offsets: float, history: History | None) -> list[tuple[str, int | None, str]]:
    """Findings of a cold start at 24 °C whose channels are off by so many K."""
    curves = [CURVE + k + np.random.default_rng(i).normal(0, 0.1, len(T)) for i, k in enumerate(offsets)]
    channels = tuple(Channel(f"TC{i + 1}", "temperature", "°C", v) for i, v in enumerate(curves))
    found = check_channels(Recording(T, channels), Context(), (), history)
    return [(f.code, f.channel, f.state) for f in found if f.code == "cold_disagreement" and f.state != "not evaluated"]


def cold(usual_k: float, scatter: float) -> History:
    """TC1 usually starts `usual_k` off the two others, which agree."""
    pairs = {
        ("TC1", "TC2"): Typical(usual_k, scatter, 12),
        ("TC1", "TC3"): Typical(usual_k, scatter, 12),
        ("TC2", "TC3"): Typical(0.0, scatter, 12),
    }
    return History(12, start_difference_k=pairs, start_c={f"TC{i}": Typical(24.0, 0.5, 12) for i in (1, 2, 3)})


def test_a_step_within_the_usual_agreement_is_seen_against_the_history() -> None:
    # own construction: 2.5 K off is within the 3 K that pass without a history, but 4 K from the usual -1.5 K
    assert starts(2.5, 0, 0, history=None) == []
    assert starts(2.5, 0, 0, history=cold(-1.5, 0.3)) == [("cold_disagreement", 0, "suspect")]
    assert starts(1.0, 0, 0, history=cold(-1.5, 0.3)) == []  # 2.5 K from the usual: below the threshold
    assert starts(2.5, 0, 0, history=cold(-1.5, 1.2)) == []  # an oven that scatters by 1.2 K does this by itself
