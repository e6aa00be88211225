"""`defects` and what hangs on it: counts by hand, the exact keys of the contract, questions, sizes and a whole trial.

The invented shop: 24 runs of one board from one jar. The second channel lags by 1 K in the first half of each dozen and by
6 K in the second; tombstones are found only on runs of the second kind.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

KEYS = {
    *("defect", "factor", "kind", "contrast", "effect", "interval", "p", "q", "n_runs", "n_defective", "grade"),
    *("direction_known", "confounded_with", "next_step"),
}
GRADES = {"consistent with chance", "a hint", "worth a trial", "shown by trial"}
RUNS = 24


def is_bad(run: int) -> bool:
    return run % 4 == 0


@pytest.fixture(scope="module")
def inspected(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """Runs 1 to 24 inspected (every fourth with two tombstones on the right), run 25 not. Nothing here changes it."""
    shop = Shop(tmp_path_factory.mktemp("shop"))
    shop.quick("board", "add", "Blinker", "--joints", "212")
    for run in range(1, RUNS + 2):
        log = shop.write(
            f"bake{run}.csv", straight_log(243 + 0.1 * run, lag=(6.0 if run % 2 == 0 else 1.0) + 0.01 * run)
        )
        said = shop.quick(
            *("import", log, "--board", "Blinker", "--paste", "SAC305 (family default)"),
            *("--started-at", f"2024-05-{run:02d}T08:00"),
        )
        assert said.status == 0, said.out + said.err
    lines = ["file,defect,count,inspected,side"]
    for run in range(1, RUNS + 1):
        lines.append(f"bake{run}.csv,{'tombstone,2,212,right' if is_bad(run) else ',0,212,'}")
    assert shop.quick("inspect", "--import", shop.write("sheet.csv", "\n".join(lines))).status == 0
    return shop


@pytest.fixture
def fresh(tmp_path: Path) -> Shop:
    shop = Shop(tmp_path)
    for run in range(1, 3):
        assert shop.quick("import", shop.write(f"{run}.csv", straight_log(240 + run))).status == 0
    return shop


def test_json_has_exactly_the_keys_of_the_contract(inspected: Shop) -> None:
    items = inspected.quick("defects", "--json").json
    assert items
    for item in items:
        assert set(item) == KEYS
        assert set(item["contrast"]) == {"a", "b"}
        assert item["grade"] in GRADES
        assert (item["n_runs"], item["n_defective"]) == (24, 6)
        assert 0 < item["p"] <= item["q"] <= 1
        assert item["interval"] is None or item["interval"][0] <= item["effect"] <= item["interval"][1]
    first = items[0]
    assert (first["defect"], first["kind"]) == ("tombstone", "thermal")
    a, b = first["contrast"]["a"], first["contrast"]["b"]
    assert (a["runs"] + b["runs"], a["with_defect"] + b["with_defect"], a["defects"] + b["defects"]) == (24, 6, 12)
    assert first["effect"] == pytest.approx(a["with_defect"] / a["runs"] - b["with_defect"] / b["runs"])
    assert inspected.quick("defects", "--defect", "bridge", "--json").json == []


def test_it_says_which_where_with_what_and_what_next(inspected: Shop) -> None:
    text = inspected.quick("defects").out
    assert "24 runs inspected, 1 product runs not inspected." in text
    # 12 in 24 x 212 joints
    assert "tombstone: 12 on 6 of 24 runs" in text
    assert f"{12 / (24 * 212) * 1e6:.0f} per million joints" in text
    assert "12 of 12 with a side of the oven noted: right." in text
    assert "more on the right in 6" in text
    assert "What to record next" in text
    assert "1 were not inspected" in text
    said = inspected.quick("defects", "--defect", "bridging")
    assert (said.status, said.err) == (1, "ovenbook: No inspection found 'bridging'. Found so far: tombstone.\n")


def test_yields_by_hand(inspected: Shop) -> None:
    (row,) = inspected.quick("defects", "yield", "--by", "board", "--json").json
    assert (row["group"], row["clean"], row["inspected"], row["defects"], row["joints"]) == (
        "Blinker",
        18,
        24,
        12,
        5088,
    )
    assert row["rate"] == 0.75
    assert row["low"] < 0.75 < row["high"]
    assert "18" in inspected.quick("defects", "yield").out
    wrong = inspected.quick("defects", "yield", "--by", "moon")
    assert wrong.status == 2
    assert "Choose one of: board" in wrong.err


def test_a_limit_is_refused_below_its_minimum(inspected: Shop) -> None:
    factor = inspected.quick("defects", "--json").json[0]["factor"]
    said = inspected.quick("defects", "limit", "tombstone", factor)
    assert "40 are needed" in said.out or "needs one worth a trial" in said.err or "40 and 8 are needed" in said.out
    assert inspected.quick("defects", "limit", "tombstone", "moon").status == 1
    assert "Factors: melt_lag_s" in inspected.quick("defects", "limit", "tombstone", "moon").err


def test_sizes_are_those_of_the_exact_test(inspected: Shop) -> None:
    # exact power of Fisher's test, 10 against 50 % with 40 and 20 runs: 0.90 (recomputed in the trade brief)
    said = inspected.quick("defects", "size", "10", "50", "--runs", "40", "--runs", "20", "--json").json
    assert said["power"] == pytest.approx(0.90, abs=0.005)
    assert inspected.quick("defects", "size", "10", "50", "--json").json["runs_per_arm"] > 10
    assert inspected.quick("defects", "size", "10", "10").status == 2


def test_an_archive_without_inspections_says_how_to_begin(fresh: Shop) -> None:
    assert fresh.quick("defects", "--json").json == []
    text = fresh.quick("defects").out
    assert "0 runs inspected, 2 product runs not inspected." in text
    assert "Not inspected is not the same as clean" in text
    assert fresh.quick("defects", "yield", "--json").json == []
    assert "No run is inspected yet" in fresh.quick("defects", "yield").out


def test_a_question_asked_beforehand_waits_for_later_runs(fresh: Shop) -> None:
    assert "Question 1" in fresh.quick("defects", "ask", "tombstone", "melt lag").out
    assert "0 runs inspected since it was asked; 12 are needed" in " ".join(fresh.quick("defects").out.split())
    assert fresh.quick("defects", "ask", "tombstone", "moon").status == 1
    assert fresh.quick("defects", "withdraw", "1").status == 0
    assert "asked" not in fresh.quick("defects").out
    assert fresh.quick("defects", "withdraw", "1").status == 1


def test_a_trial_from_plan_to_shown(fresh: Shop) -> None:
    plan = ("defects", "trial", "plan", "longer soak", "--defect", "tombstone", "--change", "soak 20 s longer")
    arms = ("--now", "90 s", "--then", "110 s", "--factor", "melt_lag_s")
    assert fresh.quick(*plan, *arms, "--runs", "3").status == 1
    assert "1 planned" in fresh.quick(*plan, *arms, "--runs", "4").out
    for number in range(8):
        log = fresh.write(f"t{number}.csv", straight_log(243 + number / 10, lag=6.0 if number % 2 == 0 else 1.0))
        assert fresh.quick("import", log).status == 0
        run = str(3 + number)
        arm = "a" if number % 2 == 0 else "b"
        assert f"arm {arm}" in fresh.quick("defects", "trial", "run", "1", run).out
        state = fresh.quick("defects", "trial", "list", "--json").json[0]
        assert state["grade"] is None
        found = ("--found", "tombstone:1@R12") if arm == "a" else ()
        assert fresh.quick("inspect", run, "--looked", "200", *found).status == 0
        late = fresh.quick("defects", "trial", "run", "1", run)
        assert late.status == 1
    (state,) = fresh.quick("defects", "trial", "list", "--json").json
    assert (state["inspected"], state["with_defect"]) == ([4, 4], [4, 0])
    # Fisher: 4 of 4 against 0 of 4 is 2 / C(8, 4)
    assert state["p"] == pytest.approx(2 / 70)
    assert state["grade"] == "shown by trial"
    (item,) = fresh.quick("defects", "--json").json
    assert set(item) == KEYS
    assert (item["kind"], item["grade"], item["factor"]) == ("trial", "shown by trial", "melt_lag_s")
    assert "Shown by trial." in fresh.quick("defects").out


def test_a_machines_sheet_is_asked_about_once(fresh: Shop) -> None:
    sheet = fresh.write("machine.csv", "run,Result text,Hits\n1,tombstone,2\n2,ok,0\n")
    asked = fresh.quick("inspect", "--import", sheet)
    assert asked.status == 1
    assert "Which column names the defect?" in asked.out
    assert "--answer 'defect=Result text'" in asked.out
    assert fresh.quick("inspect", "--import", sheet, "--json").json["questions"][0]["id"] == "defect"
    answers = ("--answer", "defect=Result text", "--answer", "count=Hits", "--answer", "inspected=(no column)")
    assert fresh.quick("inspect", "--import", sheet, *answers).status == 0
    again = fresh.quick("inspect", "--import", sheet)
    assert "nothing is stored twice" in " ".join(again.out.split())
    other = fresh.write("next.csv", "run,Result text,Hits\n2,skew,1\n")
    assert fresh.quick("inspect", "--import", other).status == 0
    assert [r["defect"] for r in fresh.quick("inspect", "2", "--json").json] == [None, "skew"]


def test_the_words_of_the_command_are_those_of_the_archive() -> None:
    from dashboard.commands import defects, inspections
    from ingest.archive import quality

    assert inspections.METHODS == quality.METHODS
    assert inspections.SIDES == quality.SIDES
    from analysis.defects.overview import BY

    assert set(BY) == set(defects.BY)
