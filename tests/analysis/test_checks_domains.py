"""Where each check may speak, how danger leads, and thresholds in numbers set by hand."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from check_logs import PROFILE, STOP_SENSOR, T, log, look, loud, noisy, reason, three

from analysis.checks import CODES, History
from analysis.checks.history import Typical
from analysis.results import Context, MetricValue
from ingest.recording import Channel, Fault, Recording

REFERENCE = Path(__file__).parents[1] / "reference"
# Wiring faults by the ITS-90 functions of NIST Monograph 175, as published and recomputed there.
WIRING = json.loads((REFERENCE / "thermocouple_faults.json").read_text(encoding="utf-8"))


def test_without_anything_to_compare_each_check_says_why() -> None:
    findings = look(log(noisy(PROFILE, 0)))
    assert loud(findings) == []
    assert reason(findings, "twin") == "needs two channels"
    assert "one channel" not in {f.code for f in findings}
    assert reason(findings, "cold_disagreement") == "needs two channels"
    assert reason(findings, "room_disagreement") == "no room temperature recorded"
    assert reason(findings, "heater_noise").startswith("no duty in the log")
    assert reason(findings, "heat_at_zero_command") == "neither duty nor set point in the log"
    assert reason(findings, "wrong_scale").startswith("needs three channels")
    assert reason(findings, "average_hides").startswith("no average")
    for code in ("swapped", "lifted", "control_lifted", "reference_shift"):
        assert reason(findings, code) == "no earlier comparable run"


def test_too_short_or_empty_logs_are_answered_for_every_code() -> None:
    short = look(log(PROFILE[:5], elapsed=T[:5]))
    assert [f.code for f in short] == list(CODES)
    assert {f.state for f in short} == {"not evaluated"}
    nothing = look(Recording(T, (Channel("duty", "duty", "%", np.zeros_like(T)),)))
    assert {f.evidence for f in nothing} == {"no temperature channel in the log"}
    assert len(look(Recording(np.empty(0), ()))) == len(CODES)


def test_single_sample_and_all_missing_do_not_break() -> None:
    for values in (np.full(1, 25.0), np.full(1, np.nan)):
        assert {f.state for f in look(log(values, elapsed=np.zeros(1)))} == {"not evaluated"}
    missing = look(log(np.full_like(T, np.nan)))
    assert [f.state for f in missing if f.code == "open"] == ["missing"]
    assert not [f for f in missing if "did not run" in f.evidence]


@pytest.mark.parametrize("interval", [0.1, 0.5, 5.0])
def test_thresholds_are_seconds_not_samples(interval: float) -> None:
    """The same fault at any sampling: a channel that holds one value for 60 s of the ramp."""
    elapsed = np.arange(0.0, 400.0, interval)
    base = np.interp(elapsed, T, PROFILE)
    dead = np.where((elapsed > 50) & (elapsed < 110), base[np.searchsorted(elapsed, 50)], base)
    findings = look(log(noisy(base, 1), dead + 1.0, noisy(base * 1.02, 2), elapsed=elapsed))
    assert ("stuck", 1, "fail") in loud(findings)


def test_stuck_at_the_threshold() -> None:
    """Continuous reading: 16 s of one value is a turning point, 32 s while the others rise by 40 K is not."""
    a, b, c = three()
    for seconds, caught in ((16, False), (32, True)):
        values = a.copy()
        values[60 : 60 + seconds] = values[60]
        assert (("stuck", 0, "fail") in loud(look(log(values, b, c)))) is caught


def test_coarse_steps_alone_are_not_stuck() -> None:
    coarse = [np.round(v) for v in three()]
    assert loud(look(log(*coarse))) == []


def test_a_single_channel_is_stuck_only_when_the_command_moves() -> None:
    full = np.where(T < 250, 1.0, 0.0)
    saturated = np.minimum(PROFILE, 180.0)  # an oven at the end of its power stands still, honestly
    assert loud(look(log(saturated, setpoint=PROFILE + 40, duty=np.where(T < 320, 1.0, 0.0)))) == []
    dead = np.full_like(T, 25.25)
    assert ("stuck", 0, "fail") in loud(look(log(dead, setpoint=PROFILE, duty=full)))
    assert ("stuck", 0, "fail") in loud(look(log(dead, setpoint=PROFILE)))
    assert "nothing tells that it should move" in reason(look(log(dead)), "stuck")


def test_reversed_as_its_90_says() -> None:
    """Type K reversed at the input, terminals at 25 °C: the published readings, interpolated; none above 208 °C."""
    points = [
        (p["hot_C"], p["reading_C"]) for p in WIRING["type_k"]["reversed_at_instrument"] if p["reading_C"] is not None
    ]
    hot, reading = np.array(points).T
    mirrored = np.interp(PROFILE, hot, reading)
    mirrored[WIRING["type_k"]["reversed_invertible_up_to_hot_C"] < PROFILE] = np.nan
    a, b, _ = three()
    findings = look(log(a, mirrored, b, setpoint=PROFILE))
    assert loud(findings) == [("reversed", 1, "fail")]
    assert loud(look(log(a, mirrored))) == [("reversed", 1, "fail")]  # two channels: the one that falls
    alone = look(log(mirrored, setpoint=PROFILE))
    assert loud(alone)[0] == ("reversed", 0, "fail")
    assert alone[0].danger == STOP_SENSOR
    cut = np.maximum(np.nan_to_num(mirrored, nan=0.0), 0.0)  # an input that cannot go below zero
    assert ("reversed", 2, "fail") in loud(look(log(a, b, cut)))


@pytest.mark.parametrize(("wire", "setting"), [("K", "J"), ("K", "E"), ("J", "K"), ("E", "K")])
def test_wrong_type_as_its_90_says(wire: str, setting: str) -> None:
    case = next(c for c in WIRING["type_k"]["wrong_type_setting"] if (c["wire"], c["set"]) == (wire, setting))
    gain = (case["reading_C"] - 25) / (case["true_C"] - 25)
    a, b, c = three()
    wrong = 25 + (a - 25) * gain
    assert loud(look(log(wrong, b, c))) == [("wrong_scale", 0, "fail")]


def test_wrong_scale_needs_a_cold_start_and_a_turn() -> None:
    a, b, c = three()
    wrong = 25 + (a - 25) * 1.34
    rising = slice(0, 250)
    findings = look(log(wrong[rising], b[rising], c[rising], elapsed=T[rising]))
    assert "falls again" in reason(findings, "wrong_scale")
    late = slice(80, 400)
    findings = look(log(wrong[late], b[late], c[late], elapsed=T[late] - 80))
    assert ("wrong_scale", 0, "fail") not in loud(findings)


def test_everything_in_fahrenheit_is_seen() -> None:
    findings = look(log(*(v * 1.8 + 32 for v in three())))
    assert ("wrong_scale", None, "suspect") in loud(findings)


def test_air_and_board_tips_differ_without_a_finding() -> None:
    """An air tip 12 % hotter that leads by 20 s beside two board tips."""
    air = 25 + (np.interp(T + 20, T, PROFILE) - 25) * 1.12
    assert loud(look(log(noisy(air, 5), *three()[1:]))) == []


def test_reference_junction_error_at_the_start() -> None:
    """5 K too low by the published cold-junction case: all channels, against their usual distance to the room."""
    error = WIRING["type_k"]["cold_junction_sensor_error"][0]["error_C"]
    assert error == pytest.approx(-4.981)
    usual = {f"TC{k}": Typical(0.2, 0.3, 12) for k in (1, 2, 3)}
    history = History(12, start_minus_room_k=usual)
    shifted = log(*(v + error for v in three()))
    findings = look(shifted, Context(ambient_c=25.0), history=history)
    assert loud(findings) == [("reference_shift", None, "suspect")]
    assert loud(look(log(*three()), Context(ambient_c=25.0), history=history)) == []
    assert loud(look(shifted, Context(ambient_c=25.0))) == [("room_disagreement", None, "suspect")]
    assert "no room temperature" in reason(look(shifted, history=history), "reference_shift")


def test_a_start_above_the_room_needs_an_hour_idle() -> None:
    high = log(*(v + 6 for v in three()))
    assert "still warm, or an offset" in reason(look(high, Context(ambient_c=25.0)), "room_disagreement")
    assert "20 min idle" in reason(look(high, Context(ambient_c=25.0, idle_s=1200)), "room_disagreement")
    rested = look(high, Context(ambient_c=25.0, idle_s=7200))
    assert loud(rested) == [("room_disagreement", None, "suspect")]


def test_cold_disagreement_at_the_threshold() -> None:
    a, b, c = three()
    for offset, caught in ((2.0, False), (5.5, True)):
        for sign in (-1, 1):
            found = loud(look(log(a + sign * offset, b, c)))
            assert bool(found) is caught
            assert not caught or found[0] == ("cold_disagreement", 0, "suspect")
    assert ("cold_disagreement", 0, "fail") in loud(look(log(a + 14, b, c)))


def test_two_channels_cannot_say_which_is_off_without_a_room_temperature() -> None:
    a, b, _ = three()
    assert loud(look(log(a, b + 6))) == [("cold_disagreement", None, "suspect")]
    assert loud(look(log(a, b + 6), Context(ambient_c=25.0))) == [("cold_disagreement", 1, "suspect")]


def test_a_late_log_says_nothing_about_offsets() -> None:
    late = slice(60, 400)
    air = np.interp(T + 15, T, PROFILE)
    findings = look(log(noisy(air, 1)[late], noisy(PROFILE, 2)[late], elapsed=T[late] - 60))
    assert "starts warm" in reason(findings, "cold_disagreement")
    early = slice(12, 400)
    findings = look(log(noisy(np.interp(T + 4, T, PROFILE), 1)[early], noisy(PROFILE, 2)[early], elapsed=T[early] - 12))
    assert "already heats" in reason(findings, "cold_disagreement")


def test_idle_inputs_are_missing_but_a_used_one_is_a_failure() -> None:
    for level in (0.0, 1372.0, np.nan):
        idle = np.full_like(T, level)
        findings = look(log(*three(), idle))
        assert loud(findings) == []
        assert [(f.channel, f.state) for f in findings if f.code == "open"] == [(3, "missing")]
        placed = look(log(*three(), idle), Context(placements={"TC4": ("left", "tape")}))
        assert ("open", 3, "fail") in loud(placed)
        usual = look(log(*three(), idle), history=History(9, start_c={"TC4": Typical(24, 1, 9)}))
        assert ("open", 3, "fail") in loud(usual)


def test_open_from_one_moment_to_full_scale_marker_or_end() -> None:
    a, b, c = three()
    full = np.where(T > 200, 1372.0, a)
    assert loud(look(log(full, b, c))) == [("open", 0, "fail")]
    gone = np.where(T > 200, np.nan, a)
    assert loud(look(log(gone, b, c))) == [("open", 0, "fail")]
    marked = np.where((T > 200) & (T < 205), np.nan, a)
    faults = tuple(Fault(float(t), "FAULT", "open") for t in T[(T > 200) & (T < 205)])
    recording = log(marked, b, c)
    channels = (Channel("TC1", "temperature", "°C", marked, faults=faults), *recording.channels[1:])
    assert loud(look(Recording(T, channels))) == [("open", 0, "suspect")]


def test_a_blank_cell_is_no_dropout_three_stretches_are() -> None:
    a, b, c = three()
    for holes, caught in (((50,), False), ((50, 120), False), ((50, 120, 200), True)):
        values = a.copy()
        values[list(holes)] = np.nan
        assert (("dropout", 0, "suspect") in loud(look(log(values, b, c)))) is caught
    zeros = a.copy()
    zeros[[50, 120, 200]] = 0.0
    assert ("dropout", 0, "suspect") in loud(look(log(zeros, b, c)))


def test_spikes_at_the_threshold_and_a_step_is_none() -> None:
    a, b, c = three()
    for size, caught in ((6.0, False), (12.0, True)):
        values = a.copy()
        values[[100, 200]] += size
        assert (("spike", 0, "suspect") in loud(look(log(values, b, c)))) is caught
    stepped = np.where(T > 300, a - 12.0, a)  # a door opened: no way back
    assert loud(look(log(stepped, b, c))) == []


def test_twins_equal_and_nearly_equal() -> None:
    a, b, c = three()
    assert loud(look(log(a, b, a.copy()))) == [("twin", 2, "fail")]
    assert loud(look(log(noisy(PROFILE, 8, 0.05), c, noisy(PROFILE, 9, 0.05)))) == [("twin", 2, "suspect")]
    assert loud(look(log(noisy(PROFILE, 8), noisy(PROFILE + 0.6, 9)))) == []


def test_heater_noise_needs_alternating_scatter() -> None:
    a, b, c = three()
    duty = np.where(T < 270, 0.7, 0.0)
    loudly = a + np.where(T < 270, np.random.default_rng(3).normal(0, 3, len(T)), 0)
    assert loud(look(log(loudly, b, c, duty=duty))) == [("heater_noise", 0, "suspect")]
    waves = a + np.where(T < 270, 4 * np.sin(T / 3), 0)  # a tip that truly follows the switching
    assert loud(look(log(waves, b, c, duty=duty))) == []


def test_holes_lost_rows_and_frozen_rows() -> None:
    rows = three()
    keep = (T < 60) | (T > 95)
    hole = look(log(*(v[keep] for v in rows), elapsed=T[keep]))
    assert loud(hole) == [("log_fault", None, "fail")]
    lost = look(log(*(v[keep] for v in rows), elapsed=T[: keep.sum()], setpoint=PROFILE[keep]))
    assert loud(lost) == [("log_fault", None, "fail")]
    frozen = [np.where((T > 60) & (T < 95), v[60], v) for v in rows]
    assert loud(look(log(*frozen))) == [("log_fault", None, "fail")]
    short = (T < 60) | (T > 66)
    assert loud(look(log(*(v[short] for v in rows), elapsed=T[short]))) == []


def test_a_common_jump_is_a_reference_shift() -> None:
    findings = look(log(*(np.where(T > 150, v + 14, v) for v in three()), setpoint=PROFILE))
    assert loud(findings) == [("reference_shift", None, "fail")]


def test_a_check_that_breaks_is_listed_and_stops_no_other() -> None:
    broken = History(9, peak_c={"TC1": Typical(240.0, 1.0, 9)}, lag_s={"TC2": None})  # type: ignore[dict-item]
    metrics = [MetricValue("channel_lag_s", k, 1.0, None, "s") for k in range(4)]
    bad = History(9, lag_s="nothing of the kind")  # type: ignore[arg-type]
    findings = look(log(*three()[:2], np.full_like(T, 24.0), three(0.99)[2]), metrics=metrics, history=bad)
    told = [f for f in findings if "did not run" in f.evidence]
    assert {f.code for f in told} >= {"lifted"}
    assert {f.state for f in told} == {"not evaluated"}
    assert ("stuck", 2, "fail") in loud(findings)
    assert look(log(*three()), metrics=metrics, history=broken)


def test_importing_the_checks_pulls_in_no_heavy_library() -> None:
    code = (
        "import sys, analysis.checks, analysis.oven_model, analysis.curve_shape;"
        "heavy = {'scipy', 'sklearn', 'pandas', 'streamlit', 'statsmodels', 'duckdb'} & set(sys.modules);"
        "sys.exit(' '.join(sorted(heavy)) or 0)"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
