"""Thinning, label placing and the heater's mean: small cases worked by hand, and properties that must hold for any curve."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.figures.heater import mean_over
from dashboard.figures.theme import CHANNEL_COLOURS, VERDICT_COLOURS, channel_style
from dashboard.figures.thinning import spread_apart, thin_keeping_extremes


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(2, 5000),
    columns=st.integers(1, 200),
    missing=st.floats(0, 0.3),
)
def test_no_extreme_of_any_pixel_column_is_lost(seed: int, n: int, columns: int, missing: float) -> None:
    random = np.random.default_rng(seed)
    elapsed = np.cumsum(random.uniform(0.01, 3.0, n))
    values = random.normal(150, 60, n)
    values[random.random(n) < missing] = np.nan
    thin_t, thin_v = thin_keeping_extremes(elapsed, values, columns)
    assert len(thin_t) <= max(5 * columns, min(n, 5 * columns))
    assert np.all(np.diff(thin_t) > 0)
    place = np.minimum(((elapsed - elapsed[0]) / (elapsed[-1] - elapsed[0]) * columns).astype(int), columns - 1)
    thin_place = np.minimum(((thin_t - elapsed[0]) / (elapsed[-1] - elapsed[0]) * columns).astype(int), columns - 1)
    for column in np.unique(place):
        whole, kept = values[place == column], thin_v[thin_place == column]
        if np.isfinite(whole).any():
            assert np.nanmax(kept) == np.nanmax(whole)
            assert np.nanmin(kept) == np.nanmin(whole)
        assert np.isnan(whole).any() == np.isnan(kept).any()


def test_a_single_spike_in_100_000_samples_is_drawn() -> None:
    elapsed = np.arange(100_000) * 0.1
    values = np.full(100_000, 25.0)
    values[61_803] = 400.0
    thin_t, thin_v = thin_keeping_extremes(elapsed, values, 700)
    assert len(thin_t) <= 3500
    assert thin_t[np.argmax(thin_v)] == elapsed[61_803]


def test_a_short_curve_stays_as_it_is() -> None:
    elapsed, values = np.array([0.0, 1.0, 2.0]), np.array([25.0, np.nan, 30.0])
    thin_t, thin_v = thin_keeping_extremes(elapsed, values, 700)
    np.testing.assert_array_equal(thin_t, elapsed)
    np.testing.assert_array_equal(thin_v, values)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-500, 500), st.floats(1, 40)), min_size=1, max_size=12),
)
def test_labels_never_cover_each_other_and_keep_their_order(labels: list[tuple[float, float]]) -> None:
    positions, heights = [p for p, _ in labels], [h for _, h in labels]
    placed = spread_apart(positions, heights)
    order = sorted(range(len(labels)), key=lambda i: placed[i])
    for below, above in itertools.pairwise(order):
        assert placed[above] - placed[below] >= (heights[above] + heights[below]) / 2 - 1e-9
        assert positions[below] <= positions[above] + 1e-9


def test_labels_that_are_apart_do_not_move() -> None:
    assert spread_apart([0.0, 50.0, 25.0], [10.0, 10.0, 10.0]) == [0.0, 50.0, 25.0]


def test_two_labels_on_one_spot_move_by_half_a_line_each() -> None:
    assert spread_apart([20.0, 20.0], [10.0, 10.0]) == [15.0, 25.0]


def test_mean_of_a_switching_heater() -> None:
    # On for the first 5 s of every 10 s, 1 s samples: by hand, any whole 10 s window holds 5 s on.
    elapsed = np.arange(0.0, 60.0)
    duty = (elapsed % 10 < 5).astype(float)
    mean = mean_over(elapsed, duty, 10.0)
    np.testing.assert_allclose(mean[5:-6], 0.5, atol=1e-12)
    # At the start only half the window exists, 0 to 5 s, all of it on.
    assert mean[0] == pytest.approx(1.0)


def test_missing_heater_values_count_neither_as_on_nor_as_off() -> None:
    elapsed = np.arange(0.0, 10.0)
    duty = np.array([1.0, 1.0, np.nan, np.nan, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    np.testing.assert_allclose(mean_over(elapsed, duty, 4.0), 1.0)
    assert np.isnan(mean_over(elapsed, np.full(10, np.nan), 4.0)).all()


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", [*CHANNEL_COLOURS, *VERDICT_COLOURS.values()])
def test_lines_and_their_labels_stand_out_from_the_paper(colour: str) -> None:
    # WCAG 2.2: contrast ratio (L1 + 0.05) / (L2 + 0.05); 4.5 for text (1.4.3), which the labels at line ends are.
    assert 1.05 / (_luminance(colour) + 0.05) >= 4.5


def test_no_two_channels_share_both_colour_and_dash() -> None:
    styles = [channel_style(i) for i in range(49)]
    assert len({(colour, tuple(dash)) for colour, dash in styles}) == 49
