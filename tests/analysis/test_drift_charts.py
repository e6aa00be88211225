"""Charts and run lengths against the NIST/SEMATECH e-Handbook and published tables (files in tests/reference)."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from analysis.drift import charts, run_length

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


def test_individuals_and_moving_range_of_the_flow_rate_example():
    # NIST/SEMATECH e-Handbook 6.3.2.2
    example = reference("nist_individuals_flowrate.json")
    expected = example["expected"]
    limits = charts.individuals_limits(np.array(example["data"]["x"]))
    assert limits.centre == pytest.approx(expected["mean"]["value"], abs=1e-9)
    assert limits.moving_range_mean == pytest.approx(expected["mr_bar"]["value"], abs=5e-5)
    # The handbook rounds d2 to 1.128, which moves the limits by 0.0017.
    assert limits.high == pytest.approx(expected["ucl_x_d2_1.128"]["value"], abs=0.0018)
    assert limits.low == pytest.approx(expected["lcl_x_d2_1.128"]["value"], abs=0.0018)
    assert limits.moving_range_high == pytest.approx(expected["mr_ucl_D4_3.267"]["value"], abs=1e-3)


def test_constants_agree_with_the_published_table():
    row = next(csv.DictReader((REFERENCE / "control_chart_constants.csv").open(encoding="utf-8")))
    assert row["n"] == "2"
    assert pytest.approx(float(row["d2"]), abs=1e-6) == charts.D2_PAIR
    assert pytest.approx(float(row["D4"]), abs=1e-6) == charts.D4_PAIR
    median = reference("moving_range_median_constant.json")["value"]
    assert pytest.approx(median, abs=1e-6) == charts.MEDIAN_RANGE_PAIR


def test_ewma_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4
    example = reference("nist_ewma.json")
    p, expected = example["params"], example["expected"]
    values = np.array(example["data"]["x"])
    got = charts.ewma(values, p["lambda"], p["target"])
    np.testing.assert_allclose(got, expected["ewma_2dp"]["value"], atol=0.0051)
    half = charts.ewma_half_width(p["lambda"], p["L"], p["sigma"])
    assert p["target"] + half == pytest.approx(expected["ucl_asymptotic"]["value"], abs=1e-4)
    exact = p["target"] + charts.ewma_half_width(p["lambda"], p["L"], p["sigma"], np.arange(1, 21))
    np.testing.assert_allclose(exact, expected["ucl_time_varying"]["value"], atol=1e-9)


def test_tabular_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3: first signal at the 14th value, change after the 12th
    example = reference("nist_cusum_tabular.json")
    p = example["params"]
    got = charts.cusum(np.array(example["data"]["x"]), p["target"], p["k"])
    np.testing.assert_allclose(got.high, example["expected"]["s_hi_2dp"]["value"], atol=0.0055)
    first = int(np.argmax(got.high > p["h"]))
    assert first + 1 == 14
    assert got.high_since[first] == 12  # 0-based: the 13th value is the first of the run


def test_hotelling_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.5.4.1, and the identity that the values sum to (n - 1) p
    example = reference("nist_covariance_hotelling.json")
    got = charts.hotelling_t2(np.array(example["data"]["X"]))
    np.testing.assert_allclose(got, example["expected"]["t2_individuals"]["value"], atol=1e-8)
    assert got.sum() == pytest.approx(12, abs=1e-8)


@pytest.mark.parametrize("limit", ["h4", "h5"])
def test_cusum_run_lengths(limit):
    # Montgomery ch. 9 / Hawkins 1993 / e-Handbook 6.3.2.3.1
    table = reference("cusum_arl_k05.json")
    for shift, one, two in zip(
        table["shifts_sigma"], table["one_sided"][limit], table["two_sided"][limit], strict=True
    ):
        h = float(limit[1:])
        assert run_length.cusum_run_length_one_sided(0.5, h, shift) == pytest.approx(one, rel=0.005)
        assert run_length.cusum_run_length(0.5, h, shift) == pytest.approx(two, rel=0.005)


def test_ewma_run_lengths():
    # Lucas & Saccucci 1990, table 3
    table = reference("ewma_arl.json")
    for key, row in table["arl"].items():
        weight, width = (float(part.split("=")[1]) for part in key.split(","))
        for shift, expected in zip(table["shifts_sigma"], row, strict=True):
            assert run_length.ewma_run_length(weight, width, shift) == pytest.approx(expected, rel=0.005)


def test_designs_are_the_inverse_of_run_lengths():
    assert run_length.ewma_width(0.1, 500.0) == pytest.approx(2.814, abs=0.002)  # Lucas & Saccucci 1990
    assert run_length.cusum_run_length(0.5, run_length.cusum_limit(0.5, 1000.0)) == pytest.approx(1000, rel=1e-4)
    assert run_length.individuals_run_length(3.0) == pytest.approx(370.4, abs=0.05)  # e-Handbook 6.3.2
    assert run_length.individuals_width(370.398) == pytest.approx(3.0, abs=1e-5)


def test_missing_values_move_nothing_and_never_signal():
    gap = np.array([1.0, np.nan, 1.0])
    assert charts.ewma(gap, 0.5, 0.0).tolist() == [0.5, 0.5, 0.75]
    assert charts.cusum(gap, 0.0, 0.5).high.tolist() == [0.5, 0.5, 1.0]
    assert charts.moving_range(gap).tolist() == [0.0]


def test_too_little_is_refused_with_the_reason():
    with pytest.raises(ValueError, match="at least 2 values, got 1"):
        charts.individuals_limits(np.array([1.0, np.nan]))
    with pytest.raises(ValueError, match="at least 3 values"):
        charts.robust_centre_and_sigma(np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="more than 2 rows"):
        charts.hotelling_t2(np.ones((2, 2)))
    with pytest.raises(ValueError, match="weight"):
        charts.ewma(gap := np.array([1.0]), 0.0, gap[0])


def test_autocorrelation_of_the_nile():
    # statsmodels acf on the Nile volumes
    rows = csv.DictReader((REFERENCE / "nile.csv").open(encoding="utf-8"))
    flow = np.array([float(row["volume_1e8_m3"]) for row in rows])
    expected = reference("nile_changepoint_trend.json")["expected"]["acf1_statsmodels"]["value"]
    assert charts.autocorrelation(flow) == pytest.approx(expected, abs=1e-9)
