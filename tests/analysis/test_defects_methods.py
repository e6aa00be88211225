"""Tables, power, limits, sides and trials against published values and small cases worked out by hand."""

import csv
import json
from itertools import combinations
from math import comb
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.defects import counting, limits, power, sides, tables, trials
from analysis.defects.evidence import Factor
from analysis.defects.linking import CHANCE, HINT, SHOWN, link_defects

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


def test_wilson_and_exact_intervals_are_those_of_newcombe():
    # Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I
    for case in reference("newcombe_intervals.json")["one_proportion"]:
        got = counting.proportion(case["k"], case["n"])
        assert [got.low, got.high] == pytest.approx(case["wilson"], abs=6e-5)
        exact = counting.proportion(case["k"], case["n"], exact=True)
        assert [exact.low, exact.high] == pytest.approx(case["clopper_pearson"], abs=1e-6)


@pytest.mark.parametrize(
    ("a", "n_a", "b", "n_b", "low", "high"),
    # Newcombe 1998, 873-890, Table II, method 10
    [(56, 70, 48, 80, 0.0524, 0.3339), (9, 10, 3, 10, 0.1705, 0.8090), (5, 56, 0, 29, -0.0381, 0.1926)],
)
def test_differences_of_rates(a, n_a, b, n_b, low, high):
    got = counting.rate_difference(a, n_a, b, n_b)
    assert [got.low, got.high] == pytest.approx([low, high], abs=6e-5)


def test_dispersion_widens_the_interval_of_a_rate():
    plain, wide = counting.dpmo(40, 10_000), counting.dpmo(40, 10_000, spread=4.0)
    assert wide.dpmo == plain.dpmo
    # four times the variance: the interval of a quarter as many independent defects (exact Poisson, 10 events)
    ten = counting.dpmo(10, 10_000)
    assert wide.low == pytest.approx(4 * ten.low)
    assert wide.high == pytest.approx(4 * ten.high)


def test_tea_tasting():
    # Fisher, The Design of Experiments (1935), chapter 2
    tea = reference("fisher_tea.json")
    assert tables.exact_p([np.array(tea["table"], dtype=float)]) == pytest.approx(34 / 70, abs=1e-12)
    assert tea["expected"]["p_two_sided"]["value"] == pytest.approx(34 / 70, abs=1e-12)
    assert tables.exact_p([np.array([[4.0, 0.0], [0.0, 4.0]])]) == pytest.approx(2 / 70, abs=1e-12)


def test_the_stratified_exact_test_is_counting_all_orders():
    # by going through every way the defective runs could fall, stratum by stratum
    strata = [([1, 1, 1, 0, 0], 3), ([1, 1, 0, 0, 0, 0], 2)]  # side a or not; defective runs
    seen = [np.array([[3.0, 0.0], [0.0, 2.0]]), np.array([[2.0, 0.0], [0.0, 4.0]])]
    counts = {}
    for first in combinations(range(5), 3):
        for second in combinations(range(6), 2):
            total = sum(strata[0][0][i] for i in first) + sum(strata[1][0][i] for i in second)
            counts[total] = counts.get(total, 0) + 1
    everything = comb(5, 3) * comb(6, 2)
    expected = sum(n for n in counts.values() if n <= counts[5]) / everything
    assert tables.exact_p(seen) == pytest.approx(expected, abs=1e-12)


def test_mantel_haenszel_by_its_definition_and_confounding_taken_out():
    # Mantel & Haenszel 1959: sum(ad/n) / sum(bc/n). Inside each stratum nothing, together an odds ratio far from 1.
    strata = [np.array([[8.0, 2.0], [32.0, 8.0]]), np.array([[8.0, 32.0], [2.0, 8.0]])]
    got = tables.common_odds(strata)
    assert got.odds_ratio == pytest.approx((8 * 8 / 50 + 8 * 8 / 50) / (2 * 32 / 50 + 32 * 2 / 50))
    assert got.low < 1 < got.high
    assert got.p > 0.9
    uneven = [np.array([[5.0, 10.0], [2.0, 20.0]]), np.array([[4.0, 6.0], [3.0, 15.0]])]
    by_hand = (5 * 20 / 37 + 4 * 15 / 28) / (10 * 2 / 37 + 6 * 3 / 28)
    assert tables.common_odds(uneven).odds_ratio == pytest.approx(by_hand, rel=1e-9)
    none = tables.common_odds([])
    assert none.odds_ratio is None
    assert none.reason
    one_sided = tables.common_odds([np.array([[4.0, 6.0], [0.0, 10.0]])])
    assert one_sided.odds_ratio is None
    assert "no finite odds" in one_sided.reason


def test_counts_of_a_run_that_scatter_widen_the_ratio():
    rng = np.random.default_rng(3)
    inside = np.r_[np.ones(60), np.zeros(60)].astype(bool)
    strata = np.zeros(120, dtype=np.int64)
    joints = np.full(120, 500.0)
    even = rng.poisson(np.where(inside, 2.0, 1.0)).astype(float)
    lumpy = rng.poisson(np.where(inside, 2.0, 1.0) * rng.gamma(0.5, 2.0, 120)).astype(float)
    a = tables.count_ratio(inside, ~inside, even, joints, strata)
    b = tables.count_ratio(inside, ~inside, lumpy, joints, strata)
    # without strata the quasi-Poisson ratio is the plain ratio of the means
    assert a.ratio == pytest.approx(even[inside].mean() / even[~inside].mean(), rel=1e-6)
    assert a.per == "joint"
    assert b.spread > 1.5 > a.spread * 0.99
    assert np.log(b.high / b.low) > 1.3 * np.log(a.high / a.low)
    assert tables.count_ratio(inside, ~inside, np.zeros(120), joints, strata) is None


@pytest.mark.parametrize(
    ("a", "b", "n_a", "n_b", "expected"),
    # exact power at 5 %, recomputed in the trade brief from Fisher's test with other code
    [(0.10, 0.50, 40, 20, 0.90), (0.05, 0.25, 80, 20, 0.69), (0.05, 0.15, 150, 50, 0.56), (0.02, 0.08, 200, 100, 0.65)],
)
def test_power_of_the_exact_test(a, b, n_a, n_b, expected):
    assert power.exact_power(a, b, n_a, n_b) == pytest.approx(expected, abs=0.005)


def test_power_is_going_through_all_outcomes_of_fishers_test():
    # scipy's fisher_exact over all 8 x 7 outcomes
    from scipy.stats import binom, fisher_exact

    total = sum(
        binom.pmf(x, 7, 0.2) * binom.pmf(y, 6, 0.9)
        for x in range(8)
        for y in range(7)
        if fisher_exact([[x, 7 - x], [y, 6 - y]])[1] <= 0.05
    )
    assert power.exact_power(0.2, 0.9, 7, 6) == pytest.approx(total, abs=1e-12)


def test_the_runs_needed_have_the_power_and_fewer_have_not():
    needed = power.runs_needed(0.10, 0.50)
    n = needed.runs_per_arm
    assert power.exact_power(0.1, 0.5, n, n) >= 0.8
    assert all(power.exact_power(0.1, 0.5, m, m) >= 0.8 for m in range(n, n + 4))
    assert power.exact_power(0.1, 0.5, n - 1, n - 1) < 0.8
    assert power.runs_needed(0.02, 0.03).runs_per_arm is None
    with pytest.raises(ValueError, match="two equal rates"):
        power.runs_needed(0.2, 0.2)


def test_o_rings_by_permuting_flights():
    # Mann-Whitney on the same 23 flights: p = 0.0376 (Dalal, Fowlkes & Hoadley data; recomputed, tests/reference)
    with (REFERENCE / "challenger_oring.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    flights = pd.DataFrame(
        {
            "run": range(len(rows)),
            "board": "joint",
            "lot": "one",
            "jar_age_days": np.nan,
            "temperature": [float(r["temperature_F"]) for r in rows],
        }
    )
    distress = pd.DataFrame(
        [
            (i, "distress", int(float(r["distressed_of_6"])))
            for i, r in enumerate(rows)
            if float(r["distressed_of_6"]) > 0
        ],
        columns=["run", "defect", "count"],
    )
    temperature = Factor("temperature", "temperature", "°F", "room")
    (link,) = link_defects(flights, distress, [temperature], permutations=19_999)
    assert link.p == pytest.approx(reference("challenger_oring.json")["expected"]["mann_whitney_p"]["value"], abs=0.012)
    assert link.z < 0  # colder goes with more
    assert (link.n_runs, link.n_defective) == (23, 7)


def test_benjamini_hochberg_decides_what_was_stumbled_on():
    # Benjamini & Hochberg 1995, section 4: 15 p-values, 4 rejected at 0.05
    from dataclasses import replace

    from analysis.defects.linking import Link, _graded

    example = reference("benjamini_hochberg_1995.json")
    factor = Factor("f", "f", "", "thermal")
    nothing = (None, None, None)
    blank = Link("x", factor, *nothing, 3.0, 1.0, np.nan, 60, 10, CHANCE, None, None, (), "", False, (), "")
    graded = _graded([replace(blank, p=p) for p in example["data"]["p"]])
    assert sum(link.q < 0.05 for link in graded) == example["expected"]["rejected_bh_q05"]["value"] == 4
    # stricter than the usual 0.05: the fourth, with an adjusted p of 0.036, stays a hint
    assert sum(link.grade == "worth a trial" for link in graded) == 3
    assert any("such find by chance is likely" in text for k in graded for text in k.reservations)
    np.testing.assert_allclose(sorted(k.q for k in graded), example["expected"]["adjusted_bh"]["value"], atol=1e-9)
    # a question asked beforehand is not corrected, and does not cost the others anything
    both = _graded([replace(blank, p=0.04, asked=True), *(replace(blank, p=p) for p in example["data"]["p"])])
    asked = next(k for k in both if k.asked)
    assert (asked.q, asked.grade) == (0.04, "worth a trial")
    assert sorted(k.q for k in both if not k.asked) == sorted(k.q for k in graded)


def test_a_planted_limit_is_found_with_its_cost():
    rng = np.random.default_rng(5)
    x = rng.uniform(0, 10, 200)
    y = (rng.random(200) < np.where(x > 7, 0.6, 0.02)).astype(float)
    got = limits.suggest_limit(x, y, np.repeat(["P", "Q"], 100), is_upper=True)
    assert got.limit == pytest.approx(7, abs=0.3)
    assert got.low <= 7 <= got.high
    assert got.rejected == int((x > got.limit).sum())
    assert got.prevented == int(y[x > got.limit].sum())
    low, high = got.rejected_share[1:]
    assert low <= 0.3 <= high
    # a lower limit is the mirror image
    mirror = limits.suggest_limit(-x, y, np.repeat(["P", "Q"], 100), is_upper=False)
    assert mirror.limit == pytest.approx(-got.limit)
    assert "at most" in got.sentence("lag", "s")
    assert "at least" in mirror.sentence("lag", "s")


def test_a_limit_is_refused_from_too_few_runs():
    x = np.arange(50, dtype=float)
    few = limits.suggest_limit(x, (x > 44).astype(float), np.repeat("P", 50), is_upper=True)
    assert few.limit is None
    assert "8 are needed" in few.reason
    assert "No limit" in few.sentence("lag", "s")
    short = limits.suggest_limit(x[:30], (x[:30] > 15).astype(float), np.repeat("P", 30), is_upper=True)
    assert short.limit is None


def side_rows(*given):
    rows = [(i, "tombstone", side, None, 1, way) for i, (side, way) in enumerate(given)]
    return pd.DataFrame(rows, columns=["run", "defect", "side", "ref_des", "count", "orientation"])


def test_left_against_right_in_the_same_run():
    six = sides.paired_sides(side_rows(*[("right", "0")] * 6), "tombstone")[0]
    assert six.p == pytest.approx(2 / 2**6)  # exact sign test by hand
    assert (six.more_a, six.more_b) == (0, 6)
    assert six.follows == ""
    assert "cannot be told" in six.reading
    five = sides.paired_sides(side_rows(*[("right", "0")] * 5), "tombstone")[0]
    assert five.p is None
    assert sides.paired_sides(side_rows((None, "0")), "tombstone") == []


def test_oven_or_board_by_turning_the_board():
    oven = sides.paired_sides(side_rows(*[("right", "0")] * 6, *[("right", "180")] * 6), "tombstone")[0]
    assert oven.follows == "oven"
    board = sides.paired_sides(side_rows(*[("right", "0")] * 6, *[("left", "180")] * 6), "tombstone")[0]
    assert board.follows == "board"
    assert board.p == pytest.approx(1.0)  # six and six: no side of the oven leads
    unclear = sides.paired_sides(side_rows(*[("right", "0")] * 6, *[("right", "180")] * 3), "tombstone")[0]
    assert unclear.follows == ""
    assert "3 at 180°" in unclear.reading


def a_trial(runs_per_arm=10, closed=False):
    at = pd.Timestamp("2025-03-01")
    return trials.Trial(
        1, "soak", "tombstone", "melt_lag_s", "longer soak", "90 s", "110 s", None, runs_per_arm, True, at,
        at if closed else None, None,
    )  # fmt: skip


def members(n, first=0, out_of_turn=0):
    arms = ["a" if i % 2 == 0 else "b" for i in range(2 * n)]
    turn = ["b" if i < out_of_turn and arms[i] == "a" else arm for i, arm in enumerate(arms)]
    return pd.DataFrame({"run": range(first, first + 2 * n), "arm": arms, "planned_arm": turn})


def outcome(n, bad_a, bad_b):
    """Defects on the first `bad_a` runs of arm a and the first `bad_b` of arm b."""
    return pd.Series([int(i // 2 < (bad_a if i % 2 == 0 else bad_b)) for i in range(2 * n)], index=range(2 * n))


def frame(n):
    return pd.DataFrame(
        {"run": range(2 * n), "board": "P", "melt_lag_s": [8.0 - 4 * (i % 2) + i / 100 for i in range(2 * n)]}
    )


def test_only_a_complete_trial_shows():
    done = trials.evaluate(a_trial(), members(10), outcome(10, 7, 0), frame(10))
    # Fisher's exact test of 7 of 10 against 0 of 10: 2 x C(10,7) C(10,0) / C(20,7)
    assert done.p == pytest.approx(2 * comb(10, 7) / comb(20, 7))
    assert done.grade == SHOWN
    assert "moved it" in done.factor_moved
    assert done.next_step == "Keep the change."
    assert trials.shown_by([done]) == {("tombstone", "melt_lag_s")}
    worse = trials.evaluate(a_trial(), members(10), outcome(10, 0, 7), frame(10))
    assert "worse" in worse.next_step


def test_a_trial_is_not_judged_before_its_end():
    running = trials.evaluate(a_trial(20), members(10), outcome(10, 7, 0), frame(10))
    assert (running.grade, running.p, running.effect) == (None, None, None)
    assert "10 and 10 of 20" in running.reading
    assert "Next run: 90 s, board turned by 0°" in running.next_step
    assert trials.shown_by([running]) == set()
    early = trials.evaluate(a_trial(20, closed=True), members(10), outcome(10, 7, 0), frame(10))
    assert early.grade == HINT
    chance = trials.evaluate(a_trial(), members(10), outcome(10, 2, 1), frame(10))
    assert chance.grade == CHANCE


def test_runs_beyond_the_planned_number_do_not_count_and_a_broken_order_is_no_proof():
    more = trials.evaluate(a_trial(10), members(15), outcome(15, 7, 0), frame(15))
    assert more.inspected == (10, 10)
    broken = trials.evaluate(a_trial(), members(10, out_of_turn=12), outcome(10, 7, 0), frame(10))
    assert broken.grade == HINT
    assert "not in the planned order" in broken.reading


def test_many_runs_take_the_limit_of_the_same_permutations(monkeypatch):
    # the normal limit against the permutations themselves, on the same invented runs
    from analysis.defects import evidence

    rng = np.random.default_rng(8)
    n = 400
    table = pd.DataFrame({"x": rng.normal(size=n), "far": rng.normal(size=n), "who": rng.choice(["p", "q", "r"], n)})
    table.loc[rng.random(n) < 0.1, "far"] = np.nan
    hit = (rng.random(n) < 1 / (1 + np.exp(2 - 0.35 * table["x"]))).to_numpy(dtype=float)
    strata = rng.integers(0, 9, n)
    factors = [
        Factor("x", "x", "", "thermal"),
        Factor("far", "far", "", "thermal"),
        Factor("who", "who", "", "person", False),
    ]
    permuted = evidence.stratified(hit, table, factors, strata, np.random.default_rng(1), 19_999)
    monkeypatch.setattr(evidence, "LARGE", 100)
    limit = evidence.stratified(hit, table, factors, strata, np.random.default_rng(1), 19_999)
    assert set(limit) == set(permuted) == {"x", "far", "who"}
    for name in ("x", "far"):
        assert limit[name][0] == pytest.approx(permuted[name][0], abs=0.03)
        assert limit[name][1] == pytest.approx(permuted[name][1], abs=0.01)
    assert limit["who"][0] == pytest.approx(permuted["who"][0], abs=0.03)
    assert limit["who"][1] >= permuted["who"][1] - 0.01  # each level is paid for
