"""Recordings as they come: short, cut off, gapped, irregular, out of order. No silent NaN, no silent zero."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from profiles import context, exact_recording, lines, recording, temperature, value_of

from analysis.metrics import measure
from analysis.quantities import QUANTITIES
from analysis.results import Limit
from ingest.recording import Channel

WHOLE = [(0, 30), (120, 150), (200, 200), (230, 245), (260, 245), (320, 100), (400, 45)]


def curve(end_s: float | None = None, step_s: float = 1.0):
    return lines(WHOLE, step_s, end_s)


def test_without_a_paste_the_liquidus_metrics_say_so():
    metrics = measure(exact_recording("A_pbfree_in_window"), context(None))
    found = value_of(metrics, "time_above_liquidus_s")
    assert (found.status, found.value) == ("not evaluated", None)
    assert found.reason == "no paste recorded, so no liquidus to count from"
    assert value_of(metrics, "peak_c").value == 245.0


def test_a_temperature_never_reached_is_not_reached_not_zero():
    t, v = lines([(0, 30), (150, 180), (180, 180), (300, 60)])
    metrics = measure(recording(t, temperature("tc1", v)), context(classification_c=260.0))
    for name in ("time_above_liquidus_s", "soak_time_s", "cooling_rate_mean_c_per_s"):
        found = value_of(metrics, name)
        assert (found.status, found.value) == ("not reached", None), name
        assert "never reached, highest 180.0 °C" in (found.reason or "")
    assert value_of(metrics, "time_near_peak_s", below_k=5, reference=260).status == "not reached"


def test_a_warm_start_has_no_soak_and_counts_time_to_peak_from_the_start():
    t, v = lines([(0, 160), (80, 200), (110, 245), (140, 245), (220, 100)])
    metrics = measure(recording(t, temperature("tc1", v)), context())
    soak = value_of(metrics, "soak_time_s")
    assert (soak.status, soak.value) == ("not evaluated", None)
    assert (soak.reason or "").startswith("the run starts above 150 °C")
    peak = value_of(metrics, "time_to_peak_s")
    assert (peak.status, peak.value) == ("ok", pytest.approx(110.0))
    assert "counted from the start of the log" in (peak.reason or "")


def test_a_run_cut_off_above_liquidus_keeps_what_it_shows_and_says_incomplete():
    t, v = curve(end_s=250)
    metrics = measure(recording(t, temperature("tc1", v)), context())
    peak, above = value_of(metrics, "peak_c"), value_of(metrics, "time_above_liquidus_s")
    assert (peak.status, peak.value) == ("incomplete", pytest.approx(245.0))
    assert (above.status, above.value) == ("incomplete", pytest.approx(250 - 200 - 17 / 1.5))
    assert "at least this much" in (above.reason or "")
    assert value_of(metrics, "soak_time_s").status == "ok"
    cooling = value_of(metrics, "cooling_rate_mean_c_per_s")
    assert (cooling.status, cooling.value) == ("incomplete", None)


def test_a_gap_inside_a_time_is_bridged_and_said():
    t, v = curve()
    v = v.copy()
    v[(t > 205) & (t < 235)] = np.nan
    metrics = measure(recording(t, temperature("tc1", v)), context())
    above = value_of(metrics, "time_above_liquidus_s")
    assert above.status == "incomplete"
    assert above.reason == "no sample for 30 s, bridged by a straight line"
    assert value_of(metrics, "soak_time_s").status == "ok"  # the gap begins after the soak
    assert value_of(metrics, "dropouts").value == 1


def test_single_missing_samples_change_no_crossing():
    t, v = curve()
    holed = v.copy()
    holed[::7] = np.nan
    whole = measure(recording(t, temperature("tc1", v)), context())
    found = measure(recording(t, temperature("tc1", holed)), context())
    for name in ("soak_time_s", "time_above_liquidus_s", "ramp_up_max_c_per_s"):
        a, b = value_of(whole, name), value_of(found, name)
        assert b.status == "ok"
        assert b.value == pytest.approx(a.value, abs=0.6), name
    assert value_of(found, "dropouts").value == len(range(0, len(t), 7))


def test_missing_samples_at_both_ends_count_from_the_first_to_the_last_sample():
    t, v = curve()
    v = v.copy()
    v[t < 225] = np.nan  # 237.5 °C: starts above liquidus
    v[t > 250] = np.nan  # 245 °C: ends above liquidus
    above = value_of(measure(recording(t, temperature("tc1", v)), context()), "time_above_liquidus_s")
    assert (above.status, above.value) == ("incomplete", pytest.approx(25.0))


def test_irregular_sampling_gives_the_same_ramps():
    rng = np.random.default_rng(3)
    t = np.concatenate(([0.0], np.cumsum(rng.uniform(0.2, 2.5, 300))))
    t = np.unique(np.concatenate((t[t < 400], [x for x, _ in WHOLE])))
    v = np.interp(t, [x for x, _ in WHOLE], [y for _, y in WHOLE])
    metrics = measure(recording(t, temperature("tc1", v)), context())
    assert value_of(metrics, "ramp_up_max_c_per_s").value == pytest.approx(1.5, abs=1e-9)
    assert value_of(metrics, "cooling_rate_max_c_per_s").value == pytest.approx(145 / 60, abs=1e-9)
    assert value_of(metrics, "soak_time_s").value == pytest.approx(80.0, abs=1e-9)


def test_sub_second_sampling_is_seconds_not_samples():
    t, v = curve(step_s=0.05)
    metrics = measure(recording(t, temperature("tc1", v)), context())
    assert value_of(metrics, "ramp_up_max_c_per_s").value == pytest.approx(1.5, abs=1e-9)


def test_reversed_and_duplicate_stamps_give_the_sorted_runs_values():
    t, v = curve()
    straight = measure(recording(t, temperature("tc1", v)), context())
    twice_t, twice_v = np.repeat(t, 2)[::-1], np.repeat(v, 2)[::-1]
    turned = measure(recording(twice_t, temperature("tc1", twice_v)), context())
    assert [(m.metric, m.value, m.status) for m in turned] == [(m.metric, m.value, m.status) for m in straight]


def test_logging_too_coarse_for_the_window_declines():
    t, v = curve(step_s=15.0)
    found = value_of(measure(recording(t, temperature("tc1", v)), context()), "ramp_up_max_c_per_s")
    assert (found.status, found.value) == ("not evaluated", None)
    assert "leave fewer than three in a 20 s window" in (found.reason or "")


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_handful_of_samples_gives_a_peak_and_reasons(count):
    metrics = measure(recording(np.arange(count), temperature("tc1", np.full(count, 50.0))), context())
    assert value_of(metrics, "peak_c").value == 50.0
    assert all(m.value is not None or m.reason for m in metrics)


def test_no_channel_no_sample_and_an_empty_channel():
    assert measure(recording([], temperature("tc1", [])), context())[0].reason == "the channel has no sample"
    assert measure(recording([0, 1, 2]), context()) == []
    t, v = curve()
    metrics = measure(recording(t, temperature("tc1", np.full(len(t), np.nan)), temperature("tc2", v)), context())
    assert value_of(metrics, "peak_c", 0).status == "not evaluated"
    assert value_of(metrics, "peak_c", 1).value == pytest.approx(245.0)


def test_a_dip_of_less_than_a_kelvin_is_no_interruption():
    # own construction: 0.6 K under liquidus for 4 s within an otherwise unbroken stretch
    t, v = lines([(0, 30), (190, 220), (200, 220), (202, 216.4), (204, 220), (230, 240), (300, 100)], 0.5)
    found = measure(recording(t, temperature("tc1", v)), context())
    assert value_of(found, "time_above_liquidus_intervals").value == 1
    total, longest = (value_of(found, f"time_above_liquidus_{x}s") for x in ("", "longest_"))
    assert longest.value == pytest.approx(total.value)
    deeper = np.where((t > 200) & (t < 204), v - 1.0, v)
    assert (
        value_of(measure(recording(t, temperature("tc1", deeper)), context()), "time_above_liquidus_intervals").value
        == 2
    )


def test_every_quantity_of_the_table_is_measured_and_nothing_else():
    t, v = curve()
    sp = Channel("set", "setpoint", "°C", v)
    duty = Channel("heater", "duty", "%", np.where(t < 230, 1.0, 0.0))
    metrics = measure(recording(t, temperature("tc1", v), temperature("tc2", v - 2), sp, duty), context())
    assert {m.metric for m in metrics} == set(QUANTITIES)
    for m in metrics:
        quantity = QUANTITIES[m.metric]
        assert (m.channel is not None) == quantity.per_channel
        assert m.unit == quantity.unit
        if m.status == "ok":
            assert set(json.loads(m.parameters)) == set(quantity.parameters), m.metric
            assert quantity.plausible[0] <= m.value <= quantity.plausible[1], m.metric


def test_a_limit_with_parameters_nobody_understands_is_reported():
    asked = (Limit("soak_time_s", '{"from":150}', 60.0, 120.0, "s", "paste", "a sheet", "1", 1),)
    t, v = curve()
    found = [
        m for m in measure(recording(t, temperature("tc1", v)), context(limits=asked)) if m.parameters == '{"from":150}'
    ]
    assert [(m.status, m.reason) for m in found] == [
        ("not evaluated", 'the limit\'s parameters {"from":150} do not define soak_time_s')
    ]


values = st.floats(-50, 400, width=32) | st.just(float("nan"))


@settings(max_examples=150, deadline=None)
@given(
    hnp.arrays(np.float64, st.tuples(st.integers(1, 4), st.integers(1, 60)), elements=values),
    st.floats(0.05, 12),
    st.sampled_from([None, 138.0, 217.0]),
    st.booleans(),
)
def test_never_a_nan_never_a_value_without_status_or_unit(v, step_s, liquidus, with_command):
    t = np.arange(v.shape[1]) * step_s
    channels = [temperature(f"tc{i}", row) for i, row in enumerate(v)]
    if with_command:
        channels += [
            Channel("sp", "setpoint", "°C", v[0] + 5.0),
            Channel("duty", "duty", "%", np.clip(v[0] / 100, 0, 1)),
        ]
    for m in measure(recording(t, *channels), context(liquidus, classification_c=260.0)):
        assert m.unit == QUANTITIES[m.metric].unit
        if m.value is None:
            assert m.status != "ok"
            assert m.reason
            assert m.uncertainty is None
        else:
            assert math.isfinite(m.value)
            assert m.status in ("ok", "incomplete")
        assert m.uncertainty is None or (math.isfinite(m.uncertainty) and m.uncertainty >= 0)
