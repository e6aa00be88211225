"""Counts, charts and Firth fits against published examples (files in tests/reference)."""

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.defects import counting, firth

REFERENCE = Path(__file__).parent.parent / "reference"


def reference(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


def test_p_chart_of_the_handbook_and_its_overdispersed_version():
    # NIST/SEMATECH e-Handbook 6.3.3.2; Laney 2002
    example = reference("nist_p_chart_laney.json")
    counts = np.array(example["data"]["defectives"], dtype=float)
    n = np.full(len(counts), 50.0)
    expected = example["expected"]
    plain = counting.p_chart(counts, n)
    assert plain.centre == pytest.approx(expected["p_bar"]["value"], abs=5e-5)
    assert plain.high[0] == pytest.approx(expected["ucl"]["value"], abs=1e-4)
    assert plain.low[0] == pytest.approx(expected["lcl"]["value"], abs=1e-4)
    assert (np.flatnonzero(plain.outside) + 1).tolist() == expected["signals_1based"]["value"]
    wide = counting.p_chart(counts, n, allow_overdispersion=True)
    # The reference rounds d2 to 1.128.
    assert wide.spread == pytest.approx(expected["laney_sigma_z"]["value"], rel=4e-4)
    assert wide.high[0] == pytest.approx(expected["laney_ucl"]["value"], abs=2e-4)
    assert wide.low[0] == 0
    assert not wide.outside.any()


def test_c_chart_of_the_wafers():
    # NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 28 and 4, only wafer 24 outside
    example = reference("nist_c_chart.json")
    counts = np.array(example["data"]["counts"], dtype=float)
    chart = counting.u_chart(counts, np.ones(len(counts)))
    assert chart.centre == pytest.approx(16)
    assert chart.high[0] == pytest.approx(28)
    assert chart.low[0] == pytest.approx(4)
    assert (np.flatnonzero(chart.outside) + 1).tolist() == [24]


def test_dpmo_is_that_of_the_scope_texts():
    # IPC-7912A / IPC-9261A scope texts: 7 defects on 120 boards of 850 opportunities
    rate = counting.dpmo(7, 120 * 850)
    assert rate.dpmo == pytest.approx(68.627, abs=1e-3)
    assert rate.low < rate.dpmo < rate.high
    none = counting.dpmo(0, 60_000)
    # exact upper end for no event is -ln(0.025) events, about 3.69
    assert none.high == pytest.approx(3.6889 / 60_000 * 1e6, rel=1e-3)
    assert counting.dpmo(3, 0).dpmo is None


def test_nothing_found_in_n_still_allows_three_over_n():
    # Eypasch et al., BMJ 311 (1995): rule of three; exact one-sided 95 %, i.e. two-sided 90 %
    assert counting.proportion(0, 100, level=0.90, exact=True).high == pytest.approx(0.0295, abs=5e-4)
    assert counting.proportion(0, 0).rate is None
    with pytest.raises(ValueError, match="count of 5"):
        counting.proportion(5, 4)


def test_newcombe_intervals():
    # Newcombe, Statistics in Medicine 17 (1998) 873-890, 56/70 against 48/80: 0.2000 (0.0524 to 0.3339)
    found = counting.rate_difference(56, 70, 48, 80)
    assert found.value == pytest.approx(0.2)
    assert found.low == pytest.approx(0.0524, abs=5e-5)
    assert found.high == pytest.approx(0.3339, abs=5e-5)


def test_yield_shows_its_denominator():
    table = counting.first_pass_yield(
        pd.DataFrame({"clean": [True, False, True], "board": ["A", "A", None]}), by="board"
    )
    assert table.loc[table.group == "A", ["clean", "inspected"]].to_numpy().tolist() == [[1, 2]]
    assert set(table.group) == {"A", "not recorded"}


def test_counts_between_defects():
    clean_then_cluster = [True] + [False] * 40 + [True] + [False] * 40 + [True, True, True]
    chart = counting.between_defects(clean_then_cluster, level=0.06)
    assert chart.between.tolist() == [40, 40, 0, 0]
    # geometric: chance of a gap of 0 is the rate itself
    assert chart.probability[2] == pytest.approx(chart.rate)
    assert chart.signal.tolist() == [False, False, True, True]
    with pytest.raises(ValueError, match="at least 3 defects"):
        counting.between_defects([True, False])


def test_firth_fit_of_the_endometrial_study():
    # Heinze & Schemper, Statistics in Medicine 21 (2002): maximum likelihood is infinite for NV
    expected = reference("firth_separation.json")["expected"]
    with (REFERENCE / "endometrial.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    y = np.array([float(r["HG"]) for r in rows])
    x = np.array([[1.0, float(r["NV"]), float(r["PI"]), float(r["EH"])] for r in rows])
    got = firth.fit(x, y)
    assert got.converged
    np.testing.assert_allclose(got.coefficients, expected["firth_const_NV_PI_EH"]["value"], atol=1e-6)
    np.testing.assert_allclose(got.standard_errors, expected["firth_se"]["value"], atol=1e-5)
    assert got.log_likelihood == pytest.approx(expected["firth_penalised_loglik"]["value"], abs=1e-6)
    # The recomputed reference drops the column; ours holds it at zero, so that p and profile interval always agree.
    dropped = 2 * (got.log_likelihood - firth.fit(x[:, [0, 2, 3]], y).log_likelihood)
    assert dropped == pytest.approx(expected["plr_chi2_NV"]["value"], abs=1e-6)
    statistic, p = firth.likelihood_ratio(x, y, 1)
    assert statistic < dropped
    assert 0 < p < 0.05  # the profile interval of NV excludes zero
    assert firth.likelihood_ratio(x, y, 2)[1] > 0.05  # that of PI does not
    for column, name in ((1, "NV"), (2, "PI"), (3, "EH")):
        low, high = firth.profile_interval(x, y, column)
        np.testing.assert_allclose([low, high], expected["firth_profile_ci95"]["value"][name], atol=1e-4)


def test_firth_of_complete_separation_and_of_a_table():
    cases = reference("firth_separation.json")["small_cases"]
    x = np.column_stack([np.ones(10), np.array(cases[0]["x"], dtype=float)])
    got = firth.fit(x, np.array(cases[0]["y"]))
    np.testing.assert_allclose(got.coefficients, cases[0]["firth"], atol=1e-5)
    np.testing.assert_allclose(got.standard_errors, cases[0]["se"], atol=1e-4)
    table_x = np.column_stack([np.ones(30), np.r_[np.zeros(20), np.ones(10)]])
    table_y = np.r_[np.zeros(20), np.ones(4), np.zeros(6)]
    # 2 x 2: adding one half to each cell, an exact identity
    assert firth.fit(table_x, table_y).coefficients[1] == pytest.approx(np.log((4.5 / 6.5) / (0.5 / 20.5)), abs=1e-8)


def test_firth_on_the_o_rings_is_near_the_published_estimate():
    # Dalal, Fowlkes & Hoadley, JASA 84 (1989): per-flight logistic fit has a slope near -0.23 per °F;
    # Firth draws it towards zero by a little.
    with (REFERENCE / "challenger_oring.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    temperature = np.array([float(r["temperature_F"]) for r in rows])
    hit = np.array([float(float(r["distressed_of_6"]) > 0) for r in rows])
    import statsmodels.api as sm

    ml = np.asarray(sm.Logit(hit, sm.add_constant(temperature)).fit(disp=0).params)
    got = firth.fit(np.column_stack([np.ones(len(hit)), temperature]), hit).coefficients
    assert ml[1] < got[1] < 0
    assert got[1] == pytest.approx(ml[1], abs=0.06)


def test_firth_refuses_what_it_cannot_fit():
    with pytest.raises(ValueError, match="more than 2 runs"):
        firth.fit(np.ones((2, 2)), np.ones(2))
    with pytest.raises(ValueError, match="not independent"):
        firth.fit(np.ones((5, 2)), np.array([0.0, 1, 0, 1, 0]))
