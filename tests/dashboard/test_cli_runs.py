"""`runs`, `show`, `set`, `inspect` and the care of the archive, on logs whose figures are worked out by hand.

The straight-piece log: peak 243 °C, 59 s above 217 °C, 90 s from 150 to 200 °C, 1.25 °C/s at the steepest on the way up.
The keys of the JSON are written out from the project's contract.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

PASTE = "SAC305 (family default)"
SUMMARY = {"run", "verdict", "limiting", "metrics", "limits", "findings", "metadata"}
LIMITING = {"metric", "channel", "margin", "unit"}
METRIC = {"metric", "channel", "value", "uncertainty", "unit", "status", "reason", "parameters"}
LIMIT = {"metric", "low", "high", "source", "revision", "verdict", "margin", "unit", "parameters"}
FINDING = {"code", "channel", "state", "evidence", "meaning", "check_first", "danger"}


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """Three runs of two ovens; nothing in this file changes them."""
    shop = Shop(tmp_path_factory.mktemp("shop"))
    for oven in ("Oven A", "Oven B"):
        shop.quick("oven", "add", oven)
    shop.quick("board", "add", "Blinker", "--joints", "212")
    for n, (oven, peak) in enumerate((("Oven A", 243), ("Oven A", 262), ("Oven B", 244))):
        log = shop.write(f"bake{n}.csv", straight_log(peak, lag=1.5 + n))
        said = shop.quick(
            *("import", log, "--oven", oven, "--board", "Blinker", "--paste", PASTE),
            *("--started-at", f"2024-05-0{n + 1}T08:00"),
        )
        assert said.status == 0, said.out + said.err
    return shop


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    """One run, to be changed at will."""
    shop = Shop(tmp_path)
    shop.quick("board", "add", "Blinker", "--joints", "212")
    assert shop.quick("import", shop.write("bake.csv", straight_log()), "--paste", PASTE).status == 0
    return shop


def test_runs_are_listed_newest_first(stored: Shop) -> None:
    runs = stored.quick("runs", "--json").json
    assert [run["run"] for run in runs] == [3, 2, 1]
    assert {"run", "started_at", "oven", "board", "verdict", "limiting_metric", "limiting_margin", "danger"} <= set(
        runs[0]
    )
    text = stored.quick("runs").out
    assert text.splitlines()[0].split()[:2] == ["run", "started"]
    assert "3 runs." in text


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        (["--oven", "oven a"], [2, 1]),
        (["--board", "Blinker", "--last", "1"], [3]),
        (["--since", "2024-05-02"], [3, 2]),
        (["--verdict", "fails"], [2]),
        (["--since", "2030-01-01"], []),
    ],
    ids=str,
)
def test_runs_can_be_filtered(stored: Shop, filters: list[str], expected: list[int]) -> None:
    assert [run["run"] for run in stored.quick("runs", *filters, "--json").json] == expected


@pytest.mark.parametrize(
    ("filters", "status"),
    [(["--oven", "Oven Z"], 1), (["--verdict", "great"], 2), (["--since", "yesterday"], 2), (["--last", "0"], 2)],
    ids=str,
)
def test_a_filter_that_cannot_be_is_said(stored: Shop, filters: list[str], status: int) -> None:
    said = stored.quick("runs", *filters)
    assert said.status == status
    assert said.err.count("\n") == 1


def test_the_table_fits_80_columns(stored: Shop) -> None:
    said = stored("runs", COLUMNS="80")
    assert max(map(len, said.out.splitlines())) <= 80
    assert not set(said.out) & set("─│┃━\x1b")


def test_show_has_exactly_the_promised_keys(stored: Shop) -> None:
    summary = stored.quick("show", "1", "--json").json
    assert set(summary) - {"reason"} == SUMMARY
    assert set(summary["limiting"]) == LIMITING
    assert all(set(metric) == METRIC for metric in summary["metrics"])
    assert all(set(limit) == LIMIT for limit in summary["limits"])
    assert all(set(finding) == FINDING for finding in summary["findings"])
    for metric in summary["metrics"]:
        assert metric["status"] in ("ok", "not reached", "not evaluated", "incomplete")
        assert metric["value"] is not None or metric["reason"], metric["metric"]
    assert all(limit["source"] for limit in summary["limits"])


def test_the_figures_worked_out_by_hand_come_back(stored: Shop) -> None:
    metrics = {(m["metric"], m["channel"]): m for m in stored.quick("show", "1", "--json").json["metrics"]}
    channel = next(name for metric, name in metrics if metric == "peak_c")
    assert metrics["peak_c", channel]["value"] == pytest.approx(243.0, abs=0.01)
    assert metrics["time_above_liquidus_s", channel]["value"] == pytest.approx(59.0, abs=0.1)
    assert metrics["soak_time_s", channel]["value"] == pytest.approx(90.0, abs=0.1)
    assert metrics["ramp_up_max_c_per_s", channel]["value"] == pytest.approx(1.25, abs=0.01)


def test_the_verdict_comes_first_and_in_words(stored: Shop) -> None:
    lines = stored.quick("show", "2").out.splitlines()
    assert lines[0].startswith("Run 2. Fails the window: peak on ")
    assert "12.0 K outside" in " ".join(lines[:3])  # 262 against at most 250
    order = [lines.index(heading) for heading in ("Limits", "Findings", "Profile", "Recorded with it")]
    assert order == sorted(order)
    assert "Oven A" in stored.quick("show", "2").out


def test_latest_is_the_newest(stored: Shop) -> None:
    assert stored.quick("show", "latest", "--json").json["run"] == 3


@pytest.mark.parametrize(("run", "status"), [("99", 1), ("nine", 2)])
def test_a_run_that_is_not_there(stored: Shop, run: str, status: int) -> None:
    said = stored.quick("show", run)
    assert said.status == status
    assert "ovenbook runs" in said.err
    assert said.err.count("\n") == 1


def test_danger_leads_everything(tmp_path: Path) -> None:
    """Heat with the command at zero: the duty is 0 from 250 s on, and the temperature goes on rising."""
    shop = Shop(tmp_path)
    rows = ["time_s,setpoint_c,TC1 [°C],TC2 [°C],duty_%"]
    for t in range(600):
        set_c = min(25 + t, 200) if t < 250 else 25
        heat = 25 + 0.35 * t + 0.02 * ((t * 7919) % 13)
        rows.append(f"{t},{set_c},{heat:.2f},{heat - 3 - 0.03 * ((t * 104729) % 11):.2f},{80 if t < 250 else 0}")
    log = shop.write("runaway.csv", "\n".join(rows) + "\n")
    said = shop.quick("import", log)
    assert said.out.splitlines()[0].startswith("Run 1: STOP. ")
    shown = shop.quick("show", "1").out.splitlines()
    assert shown[0].startswith("STOP. ")
    assert shop.quick("runs", "--json").json[0]["danger"] is True
    assert "STOP" in shop.quick("runs").out


def test_a_correction_keeps_the_old_value_and_judges_again(shop: Shop) -> None:
    said = shop.quick("set", "1", "board=Blinker", "orientation=180", "load_count=4", "--why", "read off the photo")
    assert said.status == 0, said.err
    metadata = shop.quick("show", "1", "--json").json["metadata"]
    assert metadata["board"] == {"value": "Blinker", "origin": "typed"}
    assert metadata["load_count"] == {"value": 4, "origin": "typed"}
    assert shop.quick("set", "1", "orientation=0").status == 0
    from ingest.archive import open_archive

    changes = open_archive(shop.archive).read(
        "SELECT field, old_value, new_value, why FROM change WHERE field = 'orientation' ORDER BY change_id"
    )
    assert changes["new_value"].tolist() == ["180", "0"]
    assert changes["old_value"].tolist()[1] == "180"
    assert changes["why"].tolist()[0] == "read off the photo"


def test_several_runs_are_set_at_once(shop: Shop) -> None:
    for n in range(3):
        said = shop.quick("import", shop.write(f"more{n}.csv", straight_log(241 + n / 10)))
        assert "ovenbook set" in said.out  # no paste: the way out is named
    assert shop.quick("set", "2-3,4", "paste=SAC305").status == 0
    pastes = {run["run"]: run["paste"] for run in shop.quick("runs", "--json").json}
    assert pastes == dict.fromkeys((1, 2, 3, 4), PASTE)
    assert shop.quick("set", "20-30", "paste=SAC305").status == 1


def test_taking_the_paste_away_takes_the_verdict_away(shop: Shop) -> None:
    said = shop.quick("set", "1", "paste=")
    assert said.status == 0
    summary = shop.quick("show", "1", "--json").json
    assert summary["verdict"] == "not evaluated"
    assert "no paste" in summary["reason"]


@pytest.mark.parametrize(
    ("change", "status"),
    [("colour=red", 2), ("board=Nowhere", 1), ("orientation=45", 2), ("load_count=many", 2), ("started_at=soon", 2)],
)
def test_a_correction_that_cannot_be_is_refused(shop: Shop, change: str, status: int) -> None:
    said = shop.quick("set", "1", change)
    assert said.status == status
    assert said.err.count("\n") == 1


# Inspections ---------------------------------------------------------------------------------------------------------


def test_not_inspected_is_not_clean(shop: Shop) -> None:
    assert shop.quick("inspect", "1", "--json").json == []
    assert "not inspected" in shop.quick("inspect", "1").out
    assert shop.quick("inspect", "1", "--looked", "848", "--boards", "4").status == 0
    (row,) = shop.quick("inspect", "1", "--json").json
    assert (row["joints_looked"], row["boards_looked"], row["defect"], row["count"]) == (848, 4, None, 0)
    assert "none found" in shop.quick("inspect", "1").out


def test_defects_with_places_and_sides(shop: Shop) -> None:
    said = shop.quick(
        *("inspect", "1", "--looked", "848", "--method", "microscope"),
        *("--found", "tombstone:2@R12+left", "--found", "solder balls"),
    )
    assert said.status == 0, said.err
    rows = shop.quick("inspect", "1", "--json").json
    assert {(r["defect"], r["count"], r["ref_des"], r["side"]) for r in rows} == {
        ("tombstone", 2, "R12", "left"),
        ("solder balls", 1, None, None),
    }
    assert {r["method"] for r in rows} == {"microscope"}


@pytest.mark.parametrize(
    "arguments",
    [
        ["--found", "tombstone"],
        ["--looked", "10", "--found", "tombstone:0"],
        ["--looked", "10", "--method", "sniffing"],
    ],
    ids=" ".join,
)
def test_an_inspection_without_a_denominator_or_sense_is_refused(shop: Shop, arguments: list[str]) -> None:
    said = shop.quick("inspect", "1", *arguments)
    assert said.status == 2
    assert shop.quick("inspect", "1", "--json").json == []


def test_a_sheet_of_inspections(stored: Shop, tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    stored_copy = shop.archive
    stored.quick("backup", stored_copy)
    sheet = shop.write(
        "inspections.csv",
        "file,defect,count,inspected,side\nbake0.csv,bridge,2,212,left\nbake0.csv,solder ball,1,212,\nbake1.csv,,0,212,\n",
    )
    said = shop.quick("inspect", "--import", sheet)
    assert said.status == 0, said.err
    assert "2 inspections stored, 1 of them clean; 3 defects." in said.out
    assert [(r["defect"], r["count"]) for r in shop.quick("inspect", "1", "--json").json] == [
        ("bridge", 2),
        ("solder ball", 1),
    ]
    assert shop.quick("inspect", "2", "--json").json[0]["defect"] is None
    assert shop.quick("inspect", "3", "--json").json == []  # no row: not inspected


def test_a_sheet_with_a_wrong_line_stores_nothing_and_lists_every_one(shop: Shop) -> None:
    sheet = shop.write(
        "bad.csv", "run;defect;count;inspected\n1;bridge;1;200\n7;bridge;1;200\n1;bridge;x;200\n1;;2;200\n1;bridge;1;\n"
    )
    said = shop.quick("inspect", "--import", sheet)
    assert said.status == 1
    assert [line.split(":")[1].strip() for line in said.err.splitlines()[:3]] == ["line 3", "line 4", "line 5"]
    assert "nothing was stored" in said.err
    assert shop.quick("inspect", "1", "--json").json == []


def test_an_inspection_entered_by_mistake_is_taken_back(shop: Shop) -> None:
    shop.quick("inspect", "1", "--looked", "848", "--found", "bridge:3")
    number = shop.quick("inspect", "1", "--json").json[0]["inspection"]
    assert shop.quick("inspect", "--withdraw", str(number), "--why", "wrong run").status == 0
    assert shop.quick("inspect", "1", "--json").json == []
    assert shop.quick("inspect", "--withdraw", str(number)).status == 1


def test_a_profile_seen_in_a_log_is_named(shop: Shop) -> None:
    rows = ["time_s,setpoint_c,TC1 [°C],TC2 [°C]"]
    for t in range(500):
        set_c = 150 if t < 150 else 240 if t < 300 else 25
        heat = 25 + min(t, 320) * 0.66 - max(t - 320, 0) * 0.9 + 0.01 * ((t * 7919) % 13)
        rows.append(f"{t},{set_c},{heat:.2f},{heat - 2 - 0.02 * ((t * 104729) % 11):.2f}")
    said = shop.quick("import", shop.write("set.csv", "\n".join(rows) + "\n"))
    assert said.status == 0, said.out
    (profile,) = shop.quick("profile", "list", "--json").json
    assert profile["runs"] == 1
    assert {150, 240} <= {c for _, c in profile["setpoint_table"]}
    assert shop.quick("profile", "name", str(profile["profile"]), "two steps").status == 0
    assert shop.quick("show", "2", "--json").json["metadata"]["profile"]["value"] == "two steps"
    assert shop.quick("profile", "name", "99", "x").status == 1


# Care ----------------------------------------------------------------------------------------------------------------


def test_backup_and_restore_give_the_same_archive(shop: Shop, tmp_path: Path) -> None:
    assert shop.quick("verify").status == 0
    assert shop.quick("verify", "--json").json == []
    copy = tmp_path / "copy.duckdb"
    assert shop.quick("backup", copy).status == 0
    assert shop.quick("backup", copy).status == 1  # never over an existing file
    restored = tmp_path / "restored.duckdb"
    assert shop.quick("restore", copy, "--to", restored).status == 0
    assert shop.quick("show", "1", "--json").out == shop.quick("show", "1", "--json", "--archive", restored).out
    assert shop.quick("restore", copy).status == 1  # the archive itself is there


def test_rebuilding_changes_nothing_that_was_right(shop: Shop) -> None:
    shop.quick("set", "1", "note=typed by hand")
    before = shop.quick("show", "1", "--json").json
    said = shop.quick("rebuild")
    assert said.status == 0, said.err
    assert shop.quick("show", "1", "--json").json == before


def test_judging_again_after_a_new_window(shop: Shop) -> None:
    shop.quick("paste", "add", "P", "--alloy", "SAC305", "--peak", "235:250", "--source", "sheet", "--revision", "1")
    shop.quick("set", "1", "paste=P")
    assert shop.quick("show", "1", "--json").json["verdict"] in ("meets", "too close to call")
    shop.quick("paste", "window", "P", "--peak", "200:210", "--source", "sheet", "--revision", "2")
    assert shop.quick("show", "1", "--json").json["limits"][0]["revision"] == "1"
    said = shop.quick("reevaluate", "1")
    assert "1 verdict changed" in said.out
    summary = shop.quick("show", "1", "--json").json
    assert (summary["verdict"], summary["limits"][0]["revision"]) == ("fails", "2")
