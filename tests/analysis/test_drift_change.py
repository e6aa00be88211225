"""Change point and slope against the Nile volumes (statsmodels data; break after 1898) and planted series."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from analysis.drift import change

REFERENCE = Path(__file__).parent.parent / "reference"
NILE = json.loads((REFERENCE / "nile_changepoint_trend.json").read_text(encoding="utf-8"))["expected"]


@pytest.fixture(scope="module")
def nile():
    with (REFERENCE / "nile.csv").open(encoding="utf-8") as file:
        return np.array([float(row["volume_1e8_m3"]) for row in csv.DictReader(file)])


def test_nile_changes_after_1898(nile):
    found = change.change_point(nile)
    assert found.index == NILE["last_index_of_first_segment"]["value"]
    assert found.before == pytest.approx(NILE["mean_to_1898"]["value"], abs=1e-9)
    assert found.after == pytest.approx(NILE["mean_after"]["value"], abs=1e-9)
    assert found.low <= 28 <= found.high
    assert found.high - found.low <= 8
    assert found.statistic > change.penalty(len(nile))


def test_nile_by_the_exact_search(nile):
    assert change.change_points(nile) == [28]  # ruptures 1.1.10 finds the same with Dynp, Binseg and Pelt
    assert change.change_points(nile[:50]) == [28]


def test_nile_is_a_step_although_trend_tests_pass(nile):
    assert stats.kendalltau(np.arange(100), nile).pvalue < 1e-4
    shape, by = change.step_or_trend(nile)
    assert shape == "step"
    assert by > 5


def test_slope_of_the_nile_agrees_with_scipy(nile):
    trend = change.slope(nile)
    assert trend.slope == pytest.approx(NILE["sen_slope"]["value"], abs=1e-9)
    assert trend.slope == pytest.approx(stats.theilslopes(nile).slope, abs=1e-9)
    assert trend.low < trend.slope < trend.high


def test_a_planted_slope_is_a_trend_with_an_interval_that_holds_it():
    held = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        values = 0.05 * np.arange(80) + rng.normal(0, 1, 80)
        trend = change.slope(values, seed=seed, resamples=200)
        held += trend.low <= 0.05 <= trend.high
        if seed < 20:
            assert change.step_or_trend(0.1 * np.arange(80) + rng.normal(0, 1, 80))[0] == "trend"
    # 90 % nominal; a moving-block bootstrap of 80 values runs a little narrow. 46 of 60 is 3 sd below nominal.
    assert held >= 46


def test_pure_noise_seldom_passes_the_penalty():
    passed = sum(
        change.change_point(np.random.default_rng(seed).normal(size=100), sigma=1.0).statistic > change.penalty(100)
        for seed in range(500)
    )
    assert passed <= 20  # nominal below 10; 20 is the upper 99.9 % point


def test_interval_of_the_index_holds_the_truth():
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        values = rng.normal(size=60)
        values[30:] += 1.5
        found = change.change_point(values, level=0.9)
        held += found.low <= 30 <= found.high
    assert held >= 165  # 90 % nominal, 3 sd below


def test_shift_and_scale_move_nothing():
    values = np.r_[np.random.default_rng(3).normal(size=30), np.random.default_rng(4).normal(2, 1, 30)]
    a, b = change.change_point(values), change.change_point(10 * values + 500)
    assert (a.index, a.low, a.high) == (b.index, b.low, b.high)
    assert b.size == pytest.approx(10 * a.size)


def test_too_few_values_are_refused():
    with pytest.raises(ValueError, match="at least 10 values, got 6"):
        change.change_point(np.arange(6.0))
    with pytest.raises(ValueError, match="at least 8 values, got 3"):
        change.slope(np.arange(3.0))
    assert change.change_points(np.arange(4.0)) == []


def test_a_constant_series_has_no_change():
    assert change.change_points(np.full(30, 5.0)) == []
    assert change.change_point(np.full(30, 5.0)).size == 0


def part(values, positions=None, sigma=1.0):
    """A series of one group without covariates."""
    at = np.arange(len(values)) if positions is None else positions
    return change.Part(at, values, np.ones((len(values), 1)), np.zeros(1), sigma)


def test_a_slope_is_dated_with_an_interval_that_holds_its_start():
    held = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        values = rng.normal(0, 1, 120) + 0.08 * np.maximum(0, np.arange(120) - 60)
        found = change.onset([part(values)], "trend", 0.9)
        held += found.low <= 61 <= found.high
    assert held >= 47  # 90 % nominal, 3 sd below


def test_a_slope_that_came_to_rest_is_not_dated_too_early():
    early = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        values = rng.normal(0, 1, 200) + 0.15 * np.clip(np.arange(200) - 60, 0, 40)
        early.append(change.onset([part(values)], "trend", 0.9).index - 61)
    assert abs(np.median(early)) <= 4


def test_a_second_series_sharpens_the_date_only_as_far_as_it_is_independent():
    rng = np.random.default_rng(5)
    slope = 0.05 * np.maximum(0, np.arange(120) - 60)
    first, second = rng.normal(0, 1, 120) + slope, rng.normal(0, 1, 120) + slope
    alone = change.onset([part(first)], "trend", 0.9)
    twice = change.onset([part(first), part(first)], "trend", 0.9)
    both = change.onset([part(first), part(second)], "trend", 0.9)
    assert (twice.low, twice.high) == (alone.low, alone.high)  # the same evidence twice is no more evidence
    assert both.high - both.low < alone.high - alone.low


def test_shape_is_judged_together():
    for seed in range(10):
        rng = np.random.default_rng(seed)
        ramp = 0.1 * np.maximum(0, np.arange(100) - 50)
        step = 3.0 * (np.arange(100) >= 50)
        noise = rng.normal(0, 1, (2, 100))
        assert change.better_shape([part(noise[0] + ramp), part(noise[1] + ramp)])[0] == "trend"
        assert change.better_shape([part(noise[0] + step), part(noise[1] - step)])[0] == "step"
