"""Metrics on piecewise-linear profiles whose values follow by arithmetic (tests/reference/profile_piecewise_exact.json)."""

from __future__ import annotations

import numpy as np
import pytest
from profiles import EXACT, context, exact_recording, lines, recording, temperature, value_of

from analysis.metrics import measure
from analysis.metrics.plan import parameters
from analysis.results import Context, Limit

NAMES = sorted(EXACT)


def limit(metric: str, text: str) -> Limit:
    return Limit(metric, text, 0.0, None, "s", "paste", "a sheet", "1", 1)


@pytest.fixture(params=NAMES)
def profile(request):
    found = EXACT[request.param]
    # peak less 5 is asked for by every run; Tc is not part of these profiles
    return found["expected"], measure(exact_recording(request.param), context(found["liquidus_C"]))


def test_peak(profile):
    expected, metrics = profile
    assert value_of(metrics, "peak_c").value == pytest.approx(expected["peak_C"], abs=1e-6)


def test_time_above_liquidus_total_and_longest(profile):
    expected, metrics = profile
    assert value_of(metrics, "time_above_liquidus_s").value == pytest.approx(
        expected["time_above_liquidus_s"], abs=1e-6
    )
    assert value_of(metrics, "time_above_liquidus_longest_s").value == pytest.approx(
        expected["longest_unbroken_time_above_liquidus_s"], abs=1e-6
    )


def test_profile_with_two_humps_counts_two_intervals_the_others_one():
    for name in NAMES:
        metrics = measure(exact_recording(name), context(EXACT[name]["liquidus_C"]))
        assert value_of(metrics, "time_above_liquidus_intervals").value == (2 if name.startswith("D") else 1)


def test_soak_between_the_two_temperatures(profile):
    expected, metrics = profile
    assert value_of(metrics, "soak_time_s").value == pytest.approx(expected["soak_tsmin_to_tsmax_s"], abs=1e-6)


def test_steepest_ramps_over_20_s(profile):
    expected, metrics = profile
    up = value_of(metrics, "ramp_up_max_c_per_s")
    down = value_of(metrics, "cooling_rate_max_c_per_s")
    assert up.value == pytest.approx(expected["max_ramp_up_C_per_s"], abs=1e-6)
    assert down.value == pytest.approx(expected["max_ramp_down_C_per_s"], abs=1e-6)


def test_mean_ramp_from_liquidus_to_peak(profile):
    expected, metrics = profile
    ramps = [m for m in metrics if m.metric == "ramp_up_mean_c_per_s"]
    at_liquidus = min(ramps, key=lambda m: -float(m.parameters.split('"from_c":')[1].split(",")[0]))
    assert at_liquidus.value == pytest.approx(expected["ramp_liquidus_to_peak_C_per_s"], abs=1e-6)


def test_time_to_peak_and_near_peak(profile):
    expected, metrics = profile
    assert value_of(metrics, "time_to_peak_s").value == pytest.approx(expected["time_25C_to_peak_s"], abs=1e-6)
    near = value_of(metrics, "time_near_peak_s", below_k=5, reference="peak")
    assert near.value == pytest.approx(expected["time_within_5C_of_peak_s"], abs=1e-6)


@pytest.mark.parametrize("step_s", [0.05, 0.1, 0.25, 1.0])
def test_sampling_interval_does_not_move_what_interpolation_makes_exact(step_s):
    # own construction: the vertices stay on the grid, so only the crossings fall between samples
    expected = EXACT["A_pbfree_in_window"]["expected"]
    metrics = measure(exact_recording("A_pbfree_in_window", step_s), context())
    assert value_of(metrics, "time_above_liquidus_s").value == pytest.approx(
        expected["time_above_liquidus_s"], abs=1e-6
    )
    assert value_of(metrics, "soak_time_s").value == pytest.approx(75.0, abs=1e-6)


def test_a_segment_exactly_on_liquidus_counts_in_full():
    # by hand: 200 -> 217 in 17 s, 217 for 30 s, 217 -> 200: at or above for exactly 30 s
    t, v = lines([(0, 25), (175, 200), (192, 217), (222, 217), (239, 200), (300, 100)])
    metrics = measure(recording(t, temperature("tc1", v)), context())
    assert value_of(metrics, "time_above_liquidus_s").value == pytest.approx(30.0, abs=1e-9)


def test_the_same_metric_under_two_definitions_stands_side_by_side():
    # by hand on profile A: 150 -> 200 in 75 s; 150 -> 190 in 60 s; 200 -> 217 at 1.5 °C/s; above 220 for 225 - ...
    asked = (
        limit("soak_time_s", parameters(low_c=150, high_c=200)),
        limit("soak_time_s", parameters(low_c=150.0, high_c=190.0)),
        limit("ramp_up_mean_c_per_s", parameters(from_c=150, to_c=200)),
        limit("ramp_up_mean_c_per_s", parameters(from_c=200, to_c="peak")),
        limit("time_above_liquidus_s", parameters(liquidus_c=220)),
        limit("time_near_peak_s", parameters(reference=245, below_k=10)),
        limit("cooling_rate_mean_c_per_s", parameters(to_c=150)),
        limit("ramp_up_max_c_per_s", parameters(window_s=10)),
    )
    metrics = measure(exact_recording("A_pbfree_in_window"), Context(liquidus_c=217.0, limits=asked))
    got = {(m.metric, m.parameters): m.value for m in metrics}
    assert got["soak_time_s", '{"high_c":200,"low_c":150}'] == pytest.approx(75.0)
    assert got["soak_time_s", '{"high_c":190,"low_c":150}'] == pytest.approx(60.0)
    assert got["ramp_up_mean_c_per_s", '{"from_c":150,"to_c":200}'] == pytest.approx(50 / 75)
    assert got["ramp_up_mean_c_per_s", '{"from_c":200,"to_c":"peak"}'] == pytest.approx(1.5)
    above_220 = 35 + 25 / 1.5 + 25 / 2.5
    assert got["time_above_liquidus_s", '{"liquidus_c":220}'] == pytest.approx(above_220)
    assert got["time_above_liquidus_s", '{"liquidus_c":217}'] == pytest.approx(64.866666667)
    assert got["time_near_peak_s", '{"below_k":10,"reference":245}'] == pytest.approx(35 + 10 / 1.5 + 10 / 2.5)
    assert got["cooling_rate_mean_c_per_s", '{"to_c":150}'] == pytest.approx(2.5)
    assert got["ramp_up_max_c_per_s", '{"window_s":10}'] == pytest.approx(1.5)


def test_ramp_by_least_squares_holds_where_sample_differences_would_double_it():
    # domain brief 2.2 [M]: true 1.0 °C/s, 1 s samples, 0.25 °C steps, 0.3 °C noise: differences give about 2.1, 20 s 1.02
    rng = np.random.default_rng(20)
    t = np.arange(0.0, 200.0)
    got, differences = [], []
    for _ in range(50):
        v = np.round((25 + t + rng.normal(0, 0.3, len(t))) / 0.25) * 0.25
        tail = v[-1] - np.arange(1, 30) * 2.0
        r = recording(np.arange(len(t) + 29.0), temperature("tc1", np.concatenate((v, tail))))
        got.append(value_of(measure(r, context()), "ramp_up_max_c_per_s").value)
        differences.append(np.diff(v).max())
    assert np.mean(differences) > 1.8
    assert np.mean(got) == pytest.approx(1.02, abs=0.02)


def test_median_of_three_keeps_a_lone_spike_out_of_the_peak():
    t, v = lines([(0, 25), (200, 240), (230, 240), (300, 100)])
    v[100] += 120.0  # 132.5 + 120
    assert value_of(measure(recording(t, temperature("tc1", v)), context()), "peak_c").value == pytest.approx(240.0)


def test_spread_melt_lag_and_end_of_soak_between_channels():
    # by hand: tc2 is tc1 five seconds later and 4 K cooler at the top
    t, v = lines([(0, 30), (120, 150), (200, 200), (230, 245), (260, 245), (320, 100)], end_s=340)
    late = np.interp(t - 5, [0, 120, 200, 230, 260, 320], [30, 150, 200, 241, 241, 100])
    metrics = measure(recording(t, temperature("tc1", v), temperature("tc2", late)), context())
    assert value_of(metrics, "spread_at_peak_c", None).value == pytest.approx(4.0)
    melts = (200 + 17 / 1.5, 205 + 17 / (41 / 30))
    assert value_of(metrics, "melt_lag_s", None).value == pytest.approx(melts[1] - melts[0])
    # when tc2 ends its soak (205 s) tc1 is 5 s into its 1.5 °C/s ramp
    assert value_of(metrics, "spread_end_of_soak_c", None).value == pytest.approx(7.5)


def test_averages_and_air_sensors_are_measured_but_take_no_part_in_spreads():
    t, v = lines([(0, 30), (120, 150), (200, 200), (230, 245), (260, 245), (320, 100)])
    channels = (
        temperature("tc1", v),
        temperature("tc2", v - 3),
        temperature("mean", v - 40, judged=False),
        temperature("tc air", v + 30),
    )
    metrics = measure(recording(t, *channels), context(placements={"tc air": ("air, above the rack", None)}))
    assert value_of(metrics, "peak_c", 2).value == pytest.approx(205.0)
    assert value_of(metrics, "peak_c", 3).value == pytest.approx(275.0)
    assert value_of(metrics, "spread_at_peak_c", None).value == pytest.approx(3.0)


def test_identities_shift_stretch_and_order_of_channels():
    # what must hold whatever the curve: no outside value needed
    t, v = lines([(0, 30), (120, 150), (200, 200), (230, 245), (260, 245), (320, 100), (400, 60)])
    two = temperature("tc1", v), temperature("tc2", np.maximum(v - 6, 20))
    base = measure(recording(t, *two), context())
    raised = measure(
        recording(t, temperature("tc1", v + 10), temperature("tc2", np.maximum(v - 6, 20) + 10)), context(227.0)
    )
    slow = measure(recording(t * 2, *two), context())
    turned = measure(recording(t, *two[::-1]), context())
    above = value_of(base, "time_above_liquidus_s").value
    assert value_of(raised, "time_above_liquidus_s").value == pytest.approx(above)
    assert value_of(slow, "time_above_liquidus_s").value == pytest.approx(2 * above)
    assert value_of(slow, "ramp_up_max_c_per_s").value == pytest.approx(0.75)
    for m in base:
        if m.channel is not None:
            twin = next(
                x for x in turned if (x.metric, x.parameters, x.channel) == (m.metric, m.parameters, 1 - m.channel)
            )
            assert (twin.value, twin.uncertainty, twin.status) == (m.value, m.uncertainty, m.status)
