"""House limits, body ceilings, uncertainty budgets and corrections on the command line, on a real archive.

The straight-piece log of archive_helpers: 59 s above 217 °C and a peak of 243 °C on channel 0, channel 1 lower by
1.5 K at 225 °C in proportion to its rise: 1.5 x 218 / 200 = 1.635 K at the peak. Everything named is invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

PASTE = "SAC305 (family default)"


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    shop = Shop(tmp_path)
    shop.quick("oven", "add", "Oven A")
    shop.quick("board", "add", "Blinker")
    log = shop.write("bake.csv", straight_log())
    assert shop.quick("import", log, "--paste", PASTE, "--oven", "Oven A", "--board", "Blinker").status == 0
    return shop


def limits(shop: Shop) -> list[dict]:
    return shop.quick("show", "1", "--json").json["limits"]


def test_house_and_body_limits_are_judged_beside_the_paste_s(shop: Shop) -> None:
    before = shop.quick("show", "1", "--json").json
    assert shop.quick("window", "house", "--source", "shop rule 4", "--revision", "2", "--spread", ":40").status == 0
    assert (
        shop.quick("window", "house", "--oven", "oven a", "--source", "shop rule 5", "--above", "217::70").status == 0
    )
    assert shop.quick("window", "body", "Blinker", "--source", "connector sheet", "--peak", ":230").status == 0
    assert shop.quick("show", "1", "--json").json == before  # entering a window changes no verdict
    (change,) = shop.quick("reevaluate", "--dry-run", "--json").json
    assert (change["run"], change["new_verdict"], change["new_limiting_metric"]) == (1, "fails", "peak_c")
    assert change["new_limiting_margin"] == pytest.approx(230 - 243, abs=0.01)
    assert shop.quick("show", "1", "--json").json == before  # nor does asking what would change
    assert shop.quick("reevaluate").status == 0
    judged = {(limit["metric"], limit["source"]): limit for limit in limits(shop)}
    assert judged["spread_at_peak_c", "shop rule 4"]["margin"] == pytest.approx(40 - 1.635, abs=0.02)
    assert judged["time_above_liquidus_s", "shop rule 5"]["margin"] == pytest.approx(70 - 59, abs=0.1)
    assert judged["peak_c", "connector sheet"]["verdict"] == "fails"
    assert judged["time_above_liquidus_s", "shop rule 5"]["parameters"] == {"liquidus_c": 217}
    assert judged["spread_at_peak_c", "shop rule 4"]["unit"] == "K"
    text = " ".join(shop.quick("show", "1").out.split())
    assert "connector sheet" in text
    assert shop.quick("reevaluate", "--dry-run").out == "No verdict and no limiting metric would change.\n"


def test_a_window_is_followed_by_its_next_revision_and_set_keeps_the_one_judged_by(shop: Shop) -> None:
    shop.quick("window", "house", "--source", "shop rule 4", "--revision", "1", "--peak", ":260")
    shop.quick("reevaluate")
    shop.quick("window", "house", "--source", "shop rule 4", "--revision", "2", "--peak", ":230")
    assert shop.quick("set", "1", "note=seen").status == 0
    assert [x["revision"] for x in limits(shop) if x["source"] == "shop rule 4"] == ["1"]
    own = [w for w in shop.quick("window", "list", "--all", "--json").json if not w["is_default"]]
    assert [(w["revision"], w["runs"], w["superseded_at"] is None) for w in own] == [("1", 1, False), ("2", 0, True)]
    assert "Followed by another" in shop.quick("window", "list", "--all").out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["window", "house", "--source", "x"], "at least one limit"),
        (
            ["window", "house", "--source", "x", "--oven", "Oven A", "--board", "Blinker", "--peak", ":240"],
            "not for both",
        ),
        (["window", "body", "Blinker", "--source", "x", "--peak", "235:"], "ceilings"),
        (["window", "house", "--source", "x", "--above", "60"], "C:LOW:HIGH"),
        (["oven", "set", "Oven A", "budget.input_k=-1"], "0 or more"),
        (["oven", "set", "Oven A", "budget.input_k=much"], "not a number"),
        (["oven", "set", "Oven A", "budget.inptu_k=1"], "tolerance_k"),
        (["oven", "set", "Oven A", "budget.tolerance_common=2"], "between 0 and 1"),
        (["event", "correct", "1", "colour=red"], "no field"),
        (["paste", "set", "SAC305", "colour=red"], "no field"),
        (["reevaluate", "--json"], "--dry-run"),
    ],
    ids=lambda x: "-".join(x[:3]) if isinstance(x, list) else "",
)
def test_what_cannot_be_is_said_in_one_line(shop: Shop, arguments: list[str], said: str) -> None:
    answer = shop.quick(*arguments)
    assert answer.status == 2
    assert said in answer.err
    assert answer.err.count("\n") == 1


def test_the_budget_is_read_edited_and_reaches_the_runs(shop: Shop) -> None:
    def peak() -> float:
        metrics = shop.quick("show", "1", "--json").json["metrics"]
        return next(
            m["uncertainty"] for m in metrics if m["metric"] == "peak_c" and str(m["channel"]).startswith("TC1")
        )

    def budget() -> dict:
        return shop.quick("oven", "budget", "Oven A", "--json").json

    before, told = peak(), budget()
    # JCGM 100 equation (10) and 4.3.7: U is twice the root of the squares; a half-width a counts as a / sqrt(3)
    for row in told["terms"]:
        if row["distribution"] == "rectangular":
            assert row["u"] == pytest.approx(row["half_width"] / 3**0.5)
    assert told["expanded_uncertainty_k"] == pytest.approx(2 * sum(row["u"] ** 2 for row in told["terms"]) ** 0.5)
    said = shop.quick("oven", "set", "Oven A", "budget.input_k=0", "--why", "input calibrated")
    assert "1 run judged again" in " ".join(said.out.split())
    # the input circuit of half-width 2 K is an offset, so U² of a peak shrinks by (2 x 2 / sqrt(3))²
    assert before**2 - peak() ** 2 == pytest.approx((2 * 2.0 / 3**0.5) ** 2, rel=1e-6)
    assert [row["overridden"] for row in budget()["terms"] if row["name"] == "input_k"] == [True]
    assert shop.quick("oven", "set", "Oven A", "budget.input_k=").status == 0
    assert (peak(), budget()) == (before, told)
    assert "IEC 60584-1" in shop.quick("oven", "budget", "Oven A").out


def test_jars_pastes_and_events_are_corrected(shop: Shop) -> None:
    shop.quick("jar", "open", "J1", "--paste", PASTE, "--opened", "2025-03-01")
    assert shop.quick("jar", "set", "J1", "lot=L7", "expiry=2026-06-30").status == 0
    assert "before it was opened" in shop.quick("jar", "set", "J1", "finished_at=2024-01-01").err
    (jar,) = shop.quick("jar", "list", "--json").json
    assert (jar["lot"], jar["expiry"][:10], jar["finished_at"]) == ("L7", "2026-06-30", None)

    shop.quick("event", "add", "Oven A", "seal", "--on", "2025-03-14")
    assert shop.quick("event", "correct", "1", "on=2025-02", "restarts_baseline=no", "note=new seal").status == 0
    (event,) = shop.quick("event", "list", "--json").json
    assert (event["happened_at"][:7], event["at_precision"], event["restarts_baseline"]) == ("2025-02", "month", False)
    assert "no event 9" in shop.quick("event", "correct", "9", "note=x").err

    # 59 s above 217 °C; counted from 227 °C it is (243 - 227) / 1 + 20 + (243 - 227) / 2 = 44 s, worked by hand
    said = shop.quick("paste", "set", PASTE, "liquidus_c=227")
    assert "1 run judged again" in " ".join(said.out.split())
    metrics = shop.quick("show", "1", "--json").json["metrics"]
    above = {
        m["parameters"]["liquidus_c"]: m["value"]
        for m in metrics
        if m["metric"] == "time_above_liquidus_s" and str(m["channel"]).startswith("TC1")
    }
    assert above[227] == pytest.approx(44.0, abs=0.1)


def test_times_have_one_form_everywhere(shop: Shop) -> None:
    log = shop.write("timed.csv", straight_log(244))
    (item,) = shop.quick("import", log, "--started-at", "2024-05-01T08:00", "--json").json
    start = "2024-05-01T08:00:00+00:00"
    assert item["runs"][0]["started_at"] == start
    assert shop.quick("show", "2", "--json").json["metadata"]["started_at"]["value"] == start
    assert {run["run"]: run["started_at"] for run in shop.quick("runs", "--json").json} == {1: None, 2: start}


def test_an_answer_may_be_typed_with_hyphens(shop: Shop) -> None:
    lines = ["Date,T1,T2"] + [
        f"03/04/2025 08:{s // 60:02d}:{s % 60:02d},{25 + min(s, 400) * 0.5:.1f},{23 + min(s, 400) * 0.49:.1f}"
        for s in range(0, 600, 2)
    ]
    assert shop.quick("import", shop.write("unclear.csv", "\n".join(lines))).status == 1
    (held,) = shop.quick("held", "--json").json
    assert shop.quick("answer", str(held["log"]), "date_order=DAY-first").status == 0
    assert shop.quick("show", "2", "--json").json["metadata"]["started_at"]["value"] == "2025-04-03T08:00:00+00:00"


def test_model_and_shape_are_given_on_demand_or_refused_with_the_reason(shop: Shop) -> None:
    plain = shop.quick("show", "1", "--json").json
    asked = shop.quick("show", "1", "--model", "--shape", "--json").json
    assert {k: v for k, v in asked.items() if k not in ("model", "shape")} == plain
    assert asked["model"]["reason"] == "no duty in the log: what the heater got is not known"
    assert asked["shape"]["status"] == "not evaluated"
    text = " ".join(shop.quick("show", "1", "--model", "--shape").out.split())
    assert "No model of the oven, because no duty in the log" in text
    assert "0 comparable runs" in text
    assert "as a model" not in shop.quick("show", "1").out
