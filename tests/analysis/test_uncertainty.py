"""The budget and its propagation: GUM worked example, tolerance tables, and Monte Carlo after JCGM 101."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from profiles import (
    REFERENCE,
    budget_of_nothing,
    context,
    exact_recording,
    lines,
    recording,
    reference,
    temperature,
    value_of,
)

from analysis.metrics import measure
from analysis.uncertainty import (
    TERMS,
    TOLERANCE_CLASSES,
    budget_table,
    combine,
    errors,
    problems_of,
    tolerance_k,
    usable_budget,
)


def test_combination_of_the_gum_end_gauge():
    # JCGM 100:2008, annex H.1: l = lS + d - lS (dalpha theta + alphaS dtheta), uc = 32 nm
    example = reference("gum_h1_end_gauge.json")
    x = {name: value for name, (value, _, _) in example["inputs"].items()}
    u = {name: value for name, (_, value, _) in example["inputs"].items()}
    length = x["lS_mm"]
    sensitivity = {
        "lS_mm": 1.0,
        "d_mm": 1.0,
        "alphaS": -length * x["dtheta_C"],
        "theta_C": -length * x["dalpha"],
        "dalpha": -length * x["theta_C"],
        "dtheta_C": -length * x["alphaS"],
    }
    names = list(u)
    uc_mm = combine(np.array([u[n] for n in names]), np.array([sensitivity[n] for n in names]))
    assert uc_mm * 1e6 == pytest.approx(example["expected"]["uc_nm"]["value"], abs=example["expected"]["uc_nm"]["tol"])


def test_tolerances_are_those_of_the_standards():
    # tests/reference/thermocouple_tolerances.csv: IEC 60584-1 and ASTM E230, type K above 0 °C
    rows = list(csv.DictReader((REFERENCE / "thermocouple_tolerances.csv").open(encoding="utf-8")))
    names = {
        "1": "IEC 60584-1 class 1",
        "2": "IEC 60584-1 class 2",
        "special": "ASTM E230 special",
        "standard": "ASTM E230 standard",
    }
    seen = set()
    for row in rows:
        if row["type"] != "K" or not row["tol_at_217C"]:
            continue
        name = names[row["class"]]
        seen.add(name)
        width, fraction = TOLERANCE_CLASSES[name]
        assert row["tolerance_C_greater_of"].replace("|", "") == f"{width:g} or {fraction:g}*t"
        for at in (183.0, 217.0, 250.0):
            assert tolerance_k(at, width, fraction) == pytest.approx(float(row[f"tol_at_{at:.0f}C"]))
    assert seen == set(TOLERANCE_CLASSES)
    # README of the reference values: 2.5 °C up to 333 °C, 1.5 °C up to 375 °C
    assert tolerance_k(333.0) == 2.5
    assert tolerance_k(400.0) == pytest.approx(3.0)
    assert tolerance_k(400.0, 1.5, 0.004) == pytest.approx(1.6)


def test_budget_example_of_the_trade_gives_five_kelvin():
    # class 2 2.5/√3, input 2/√3, attachment 3/√3: u 2.5, U 5 (k = 2); trade knowledge, no publication
    rows, expanded = budget_table({}, noise_k=0.0, step_k=0.0, interval_s=0.0)
    assert expanded == pytest.approx(2 * ((2.5**2 + 2**2 + 3**2) / 3) ** 0.5)
    assert expanded == pytest.approx(5.0, abs=0.1)
    assert [row.name for row in rows if row.common == "yes"] == ["input_k"]
    assert all(row.source for row in rows)


def test_a_metric_carries_the_budgets_figure():
    rec = exact_recording("A_pbfree_in_window")
    metrics = measure(rec, context(budget={"resolution_k": 0.25, "noise_k": 0.3}))
    _, expanded = budget_table({"resolution_k": 0.25, "noise_k": 0.3}, interval_s=0.5)
    assert value_of(metrics, "peak_c").uncertainty == pytest.approx(expanded, rel=1e-9)


def test_a_spread_has_a_smaller_uncertainty_than_a_peak():
    t, v = lines([(0, 25), (125, 150), (200, 200), (230, 245), (265, 245), (355, 45)])
    metrics = measure(recording(t, temperature("tc1", v), temperature("tc2", v - 4)), context())
    spread, peak = value_of(metrics, "spread_at_peak_c", None), value_of(metrics, "peak_c")
    assert spread.uncertainty < peak.uncertainty
    # what all channels share moves no spread at all
    shared = {**budget_of_nothing(), "input_k": 10.0}
    metrics = measure(recording(t, temperature("tc1", v), temperature("tc2", v - 4)), context(budget=shared))
    assert value_of(metrics, "spread_at_peak_c", None).uncertainty == pytest.approx(0.0, abs=1e-9)
    assert value_of(metrics, "peak_c").uncertainty == pytest.approx(2 * 10 / 3**0.5)


def test_a_degree_is_worth_the_seconds_of_both_slopes():
    # domain brief 2.4 [M]: 1/1.5 + 1/2.5 = 1.07 s a degree; 1/0.6 + 1/0.8 = 2.92 s a degree
    only = {**budget_of_nothing(), "input_k": 3**0.5}  # an offset of u = 1 K, U = 2 K
    for up, down, worth in ((1.5, 2.5, 1.1), (0.6, 0.8, 2.9)):
        corners = [(0, 25), (175 / up, 200), (220 / up, 245), (220 / up + 30, 245), (220 / up + 30 + 150 / down, 95)]
        t, v = lines(corners, 0.5)
        found = value_of(measure(recording(t, temperature("tc1", v)), context(budget=only)), "time_above_liquidus_s")
        assert found.uncertainty == pytest.approx(2 * (1 / up + 1 / down), rel=1e-6)
        assert found.uncertainty / 2 == pytest.approx(worth, abs=0.05)


def test_offsets_move_no_ramp_and_growing_errors_move_it_in_proportion():
    t, v = lines([(0, 25), (125, 150), (200, 200), (230, 245), (265, 245), (355, 45)], 0.5)
    offset = {**budget_of_nothing(), "input_k": 3.0}
    found = value_of(
        measure(recording(t, temperature("tc1", v)), context(budget=offset, ambient_c=25.0)), "ramp_up_max_c_per_s"
    )
    assert found.uncertainty == pytest.approx(0.0, abs=1e-9)
    growing = {**budget_of_nothing(), "attachment_k": 3.0}
    found = value_of(
        measure(recording(t, temperature("tc1", v)), context(budget=growing, ambient_c=25.0)), "ramp_up_max_c_per_s"
    )
    assert found.uncertainty == pytest.approx(2 * 1.5 * (3.0 / 3**0.5) / 220.0)


# Monte Carlo after JCGM 101: errors of the budget are drawn, added to the readings, and the metrics taken again. --------

MC_RUNS = 3000
SMOOTH = [
    (0, 25),
    (20, 27),
    (60, 66),
    (110, 128),
    (125, 146),
    (140, 160),
    (185, 190),
    (200, 201),
    (212, 217),
    (228, 238),
]
SMOOTH += [(240, 246), (252, 248), (264, 246), (278, 236), (296, 212), (330, 160), (370, 110), (420, 70)]


def _smooth(t):
    from scipy.interpolate import PchipInterpolator

    c = np.array(SMOOTH, dtype=float)
    return PchipInterpolator(c[:, 0], c[:, 1])(t)


@pytest.fixture(scope="module")
def monte_carlo():
    """Metrics of MC_RUNS readings of one curve under the default budget's systematic terms, a channel a draw."""
    rng = np.random.default_rng(101)
    t = np.arange(0.0, 420.0, 1.0)
    v = _smooth(t)
    peak, room = v.max(), 25.0
    e = errors({}, np.array([peak]), np.array([room]), np.array([0.3]), np.array([0.0]), 0.0)
    a = rng.normal(0, e.offset[0], MC_RUNS)
    b = rng.normal(0, e.grow[0], MC_RUNS)
    noise = rng.normal(0, 0.3, (MC_RUNS, len(t)))
    read = v + a[:, None] + b[:, None] * ((v - room) / (peak - room)) + noise
    drawn = []
    for start in range(0, MC_RUNS, 100):
        part = [temperature(f"tc{i}", row) for i, row in enumerate(read[start : start + 100])]
        drawn += measure(recording(t, *part), context(ambient_c=room, classification_c=260.0))
    budget = {"noise_k": 0.3, "resolution_k": 0.0, "sampling_k_per_s": 0.0}
    stated = measure(
        recording(t, temperature("tc1", v)), context(budget=budget, ambient_c=room, classification_c=260.0)
    )
    return stated, drawn


@pytest.mark.parametrize(
    ("metric", "parameters", "least", "most"),
    [
        # stated / drawn. 10 % is the resolution of 3000 draws and of a first-order law on a curved profile.
        ("peak_c", {}, 0.9, 1.1),
        ("time_above_liquidus_s", {"liquidus_c": 217}, 0.9, 1.1),
        ("soak_time_s", {"low_c": 150, "high_c": 200}, 0.9, 1.1),
        ("ramp_up_max_c_per_s", {"window_s": 20}, 0.9, 1.1),
        ("cooling_rate_max_c_per_s", {"window_s": 20}, 0.9, 1.1),
        ("start_temperature_c", {}, 0.9, 1.1),
        # the edge of a dome under noise is no normal quantity: the stated figure must not be the smaller one
        ("ramp_up_mean_c_per_s", {"from_c": 217, "to_c": "peak"}, 0.9, 2.0),
        ("cooling_rate_mean_c_per_s", {"to_c": 217}, 0.9, 2.0),
        ("time_near_peak_s", {"below_k": 5, "reference": "peak"}, 0.9, 2.5),
        # the draws know the room; the stated figure counts 1 K for it
        ("cooling_time_constant_s", {"from_fraction": 0.7, "to_fraction": 0.35}, 0.9, 1.6),
        # a start at 25 °C makes the crossing of 25 °C lie anywhere in the first slow seconds
        ("time_to_peak_s", {"from_c": 25}, 0.8, 1.2),
    ],
)
def test_stated_uncertainty_agrees_with_monte_carlo(monte_carlo, metric, parameters, least, most):
    stated, drawn = monte_carlo
    text = value_of(stated, metric, 0, **parameters)
    same = [m for m in drawn if m.channel is not None and (m.metric, m.parameters) == (metric, text.parameters)]
    values = np.array([m.value for m in same if m.value is not None])
    assert len(values) > 0.95 * MC_RUNS
    # half of the central 95.45 % interval, which k = 2 stands for (JCGM 101, 7.7)
    low, high = np.quantile(values, [0.02275, 0.97725])
    assert least < text.uncertainty / ((high - low) / 2) < most


def test_uncertainty_of_time_above_liquidus_holds_where_the_peak_barely_clears_it():
    # a peak 3 K above liquidus under an offset of U = 5 K: the slopes at liquidus say nothing, the curve does
    t = np.arange(0.0, 420.0, 1.0)
    v = _smooth(t) - 28.0
    only = {**budget_of_nothing(), "input_k": 2.5 * 3**0.5}
    found = value_of(measure(recording(t, temperature("tc1", v)), context(budget=only)), "time_above_liquidus_s")
    rng = np.random.default_rng(5)
    drawn = []
    for offset in rng.normal(0, 2.5, 400):
        m = value_of(measure(recording(t, temperature("tc1", v + offset)), context()), "time_above_liquidus_s")
        drawn.append(m.value or 0.0)
    low, high = np.quantile(drawn, [0.02275, 0.97725])
    assert found.uncertainty == pytest.approx((high - low) / 2, rel=0.1)


def test_overrides_are_checked_and_only_usable_ones_count():
    assert problems_of({"tolerance_k": 1.5, "attachment_common": 0.3}) == []
    found = problems_of({"tolerance": 1.5, "input_k": -1, "attachment_common": 2.0, "noise_k": "much"})
    assert len(found) == 4
    assert "the budget has no term tolerance: there are tolerance_k" in found[0]
    assert usable_budget({"input_k": 1, "tolerance": 3, "noise_k": None}) == {"input_k": 1.0}
    assert all(len(entry) == 4 and entry[2] and entry[3] for entry in TERMS.values())


def test_way_of_fixing_changes_the_attachment_term_unless_the_oven_says_otherwise():
    t, v = lines([(0, 25), (230, 245), (265, 245), (355, 45)])
    taped = {"tc1": ("centre", "polyimide tape"), "tc2": ("edge", "high-temperature solder")}
    rec = recording(t, temperature("tc1", v), temperature("tc2", v))
    metrics = measure(rec, context(placements=taped))
    assert value_of(metrics, "peak_c", 0).uncertainty > value_of(metrics, "peak_c", 1).uncertainty
    metrics = measure(rec, context(placements=taped, budget={"attachment_k": 1.0}))
    assert value_of(metrics, "peak_c", 0).uncertainty == value_of(metrics, "peak_c", 1).uncertainty
