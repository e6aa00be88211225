"""J-STD-020 tables by revision, alloys, and the default windows of the families."""

from __future__ import annotations

import csv
import json

import pytest
from profiles import EXACT, REFERENCE, budget_of_nothing, exact_recording, reference

from analysis.evaluate import evaluate
from analysis.quantities import QUANTITIES
from analysis.results import Context, Limit
from analysis.windows import (
    body_limits,
    built_in_body_limits,
    classification_temperature,
    default_for,
    default_pastes,
    jstd020,
)

CELLS = list(csv.DictReader((REFERENCE / "jstd020_classification_temperatures.csv").open(encoding="utf-8")))
# A size inside each cell of the table, and the ones on its borders.
THICKNESS = {"<1.6 mm": 1.0, "1.6-2.5 mm": 2.0, ">2.5 mm": 3.0, ">=2.5 mm": 3.0, "<2.5 mm": 2.0}
VOLUME = {"<350": 100.0, "350-2000": 1000.0, ">2000": 5000.0, ">=350": 400.0}


@pytest.mark.parametrize(
    "cell", CELLS, ids=lambda c: f"{c['revision']} {c['process']} {c['package_thickness']} {c['package_volume_mm3']}"
)
def test_classification_temperature_of_every_cell(cell):
    # J-STD-020 tables 4-1 and 4-2 as reproduced by component makers
    got = classification_temperature(
        cell["process"], THICKNESS[cell["package_thickness"]], VOLUME[cell["package_volume_mm3"]], cell["revision"]
    )
    assert got == float(cell["classification_temp_C"])


def test_borders_of_the_table():
    assert classification_temperature("PbFree", 1.6, 349.9) == 260  # 1.6 belongs to 1.6-2.5, under 350 mm³
    assert classification_temperature("PbFree", 1.6, 350) == 250
    assert classification_temperature("PbFree", 2.5, 2000) == 250
    assert classification_temperature("PbFree", 2.5, 2001) == 245
    assert classification_temperature("PbFree", 2.51, 349) == 250
    assert classification_temperature("SnPb", 2.5, 100) == 220
    assert classification_temperature("SnPb", 2.4, 100, "C") == 240  # revision C is not D/E
    assert classification_temperature("BiSn", 1.0, 100) == 260  # Pb-free parts
    with pytest.raises(ValueError, match="no classification temperature"):
        classification_temperature("PbFree", 0.0, 100)


@pytest.mark.parametrize(("revision", "key"), [("D/E", "D_D1_E"), ("C", "C")])
@pytest.mark.parametrize("family", ["SnPb", "PbFree"])
def test_profile_limits_are_the_published_ones_per_revision(revision, key, family):
    published = reference("jstd020_profile_limits.json")["revisions"][key][family]
    assert jstd020(family, revision) == published
    rows = {row[0]: row for row in body_limits(family, 245.0, revision)}
    assert rows["peak_c"][2:4] == (None, 245.0)
    assert rows["time_above_liquidus_s"][1] == json.dumps({"liquidus_c": published["TL_C"]}, separators=(",", ":"))
    assert rows["time_above_liquidus_s"][3] == published["tL_s"][1]
    assert rows["cooling_rate_mean_c_per_s"][3] == published["ramp_down_max_C_per_s"]
    assert rows["time_to_peak_s"][3] == published["time_25C_to_peak_max_s"]
    ramp = json.loads(rows["ramp_up_mean_c_per_s"][1])
    assert ramp["from_c"] == published["Tsmax_C" if revision == "C" else "TL_C"]
    near = json.loads(rows["time_near_peak_s"][1])
    assert near == {"below_k": 5, "reference": "peak" if revision == "C" else 245}
    assert rows["time_near_peak_s"][3] == (published["tp_s"][1] if revision == "C" else published["tp_s"])


def test_reading_of_tc_for_a_user():
    # J-STD-020D note 2 to table 5-2: Tc 260 °C, tp 30 s: a user's peak at most 260 °C, at most 30 s above 255 °C
    rows = {row[0]: row for row in body_limits("PbFree", 260.0)}
    assert rows["peak_c"][3] == 260.0
    assert (json.loads(rows["time_near_peak_s"][1]), rows["time_near_peak_s"][3]) == (
        {"below_k": 5, "reference": 260},
        30.0,
    )


@pytest.mark.parametrize("name", sorted(EXACT))
def test_verdict_per_clause_of_the_exact_profiles(name):
    # tests/reference/profile_piecewise_exact.json: the clauses of revision D/E on each profile, without uncertainty
    profile = EXACT[name]
    family = "SnPb" if profile["liquidus_C"] == 183 else "PbFree"
    p = jstd020(family)
    rows = {
        "ts_60_120": ("soak_time_s", {"low_c": p["Tsmin_C"], "high_c": p["Tsmax_C"]}, *p["ts_s"]),
        "ramp_TL_to_Tp_max3": (
            "ramp_up_mean_c_per_s",
            {"from_c": p["TL_C"], "to_c": "peak"},
            None,
            p["ramp_up_max_C_per_s"],
        ),
        "tL_60_150": ("time_above_liquidus_s", {"liquidus_c": p["TL_C"]}, *p["tL_s"]),
        "ramp_down_max6": ("cooling_rate_mean_c_per_s", {"to_c": p["TL_C"]}, None, p["ramp_down_max_C_per_s"]),
        "t25_to_peak": ("time_to_peak_s", {"from_c": 25}, None, p["time_25C_to_peak_max_s"]),
    }
    assert set(rows) == set(profile["jstd020_DE_verdict"])
    limits = tuple(
        Limit(
            metric,
            json.dumps(parameters, sort_keys=True),
            low,
            high,
            QUANTITIES[metric].unit,
            "body",
            "J-STD-020",
            "D/E",
            1,
        )
        for metric, parameters, low, high in rows.values()
    )
    context = Context(liquidus_c=profile["liquidus_C"], limits=limits, budget=budget_of_nothing())
    results = evaluate(exact_recording(name), context).limit_results
    got = {clause: r.verdict == "meets" for clause, r in zip(rows, results, strict=True)}
    assert got == profile["jstd020_DE_verdict"]


def test_alloys_of_the_default_pastes_melt_where_the_tables_say():
    # tests/reference/solder_alloys.csv (J-STD-006 alloy numbers); SAC near the eutectic is counted from 217 °C, J-STD-020
    table = {row["alloy"]: row for row in csv.DictReader((REFERENCE / "solder_alloys.csv").open(encoding="utf-8"))}
    for paste in default_pastes():
        row = table[paste.alloy.name]
        assert paste.alloy.solidus_c == float(row["solidus_C"])
        if paste.alloy.name in ("SAC305", "SAC405", "SAC387"):
            assert paste.alloy.liquidus_c == 217 == jstd020("PbFree")["TL_C"]
            assert float(row["solidus_C"]) <= 217 <= float(row["liquidus_C"])
        else:
            assert paste.alloy.liquidus_c == float(row["liquidus_C"])


def test_default_windows_name_known_metrics_units_and_a_source_each():
    for paste in default_pastes():
        assert len(paste.sources) == len(paste.limits) >= 4
        assert all(paste.sources)
        for metric, parameters, low, high, unit in paste.limits:
            assert unit == QUANTITIES[metric].unit
            assert set(json.loads(parameters)) <= set(QUANTITIES[metric].parameters)
            assert low is None or high is None or low < high


def test_lead_free_default_lies_within_the_published_windows():
    # tests/reference/paste_and_module_windows.csv, W1 and W2: peak 235..245, soak 150..200 in 60..120 s, above 217 for 40..90 s
    rows = {
        row["id"]: row for row in csv.DictReader((REFERENCE / "paste_and_module_windows.csv").open(encoding="utf-8"))
    }
    window = {row[0]: row for row in default_for("SAC305", "PbFree").limits}
    assert (
        f"{window['time_above_liquidus_s'][2]:g}..{window['time_above_liquidus_s'][3]:g}"
        == rows["W2"]["time_above_liquidus_s"]
    )
    assert f"{window['soak_time_s'][2]:g}..{window['soak_time_s'][3]:g}" == rows["W2"]["soak_s"]
    assert window["soak_time_s"][1] == '{"high_c":200,"low_c":150}'
    assert window["peak_c"][2] == float(rows["W2"]["peak_C"].split("..")[0])
    assert f"<={window['ramp_up_max_c_per_s'][3]:g}" == rows["W2"]["ramp_up_C_per_s"]


def test_stand_in_is_of_the_same_alloy_else_of_the_family():
    assert default_for("SnCu0.7", "PbFree").alloy.name == "SnCu0.7"
    assert default_for("an alloy of our own", "SnPb").alloy.name == "Sn63Pb37"
    assert default_for("an alloy of our own", "BiSn").alloy.name == "BiSn"
    assert default_for("an alloy of our own", "none") is None


def test_built_in_ceiling_carries_its_source_and_revision():
    found = built_in_body_limits("PbFree", 2.0, 1000.0)
    assert {limit.scope for limit in found} == {"body"}
    assert all(limit.is_default and limit.revision == "D/E" and "Tc 250 °C" in limit.source for limit in found)
