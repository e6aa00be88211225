"""The demo is built through the real import, holds what the simulator says it planted, and never touches another archive."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

from dashboard.demo import build, is_demo
from ingest.archive import open_archive
from sample_logs.season import write_season

RUNS = 60  # the shortest season the simulator writes


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    shop = Shop(tmp_path_factory.mktemp("demo"))
    build(shop.archive, runs=RUNS)
    return shop


def test_every_log_of_the_season_is_in_and_none_is_held(demo: Shop, tmp_path: Path) -> None:
    truth = write_season(tmp_path, seed=1, runs=RUNS)
    runs = demo.quick("runs", "--json").json
    assert len(runs) == truth.runs == RUNS
    assert demo.quick("held", "--json").json == []
    by_oven = {name: sum(run["oven"] == name for run in runs) for name in truth.runs_by_oven}
    assert by_oven == truth.runs_by_oven
    with truth.metadata.open(encoding="utf-8", newline="") as file:
        rows = {row["file"]: row for row in csv.DictReader(file)}
    for run in runs:
        row = rows[Path(run["log_file"]).name]
        assert (run["board"], run["paste"], run["kind"]) == (row["board"], row["paste"], row["kind"])
    assert {run["verdict"] for run in runs} >= {"meets"}


def test_inspections_and_events_are_those_of_the_season(demo: Shop, tmp_path: Path) -> None:
    truth = write_season(tmp_path, seed=1, runs=RUNS)
    archive = open_archive(demo.archive)
    found = archive.read(
        "SELECT defect, count(DISTINCT run)::INTEGER AS runs FROM defect_long WHERE defect IS NOT NULL GROUP BY 1"
    )
    counted = dict(zip(found["defect"], found["runs"], strict=True))
    assert counted == {defect.term: defect.runs for defect in truth.defects if defect.runs}
    inspected = int(archive.read("SELECT count(DISTINCT run) AS n FROM defect_long")["n"].iloc[0])
    assert inspected == truth.defects[0].inspected
    events = demo.quick("event", "list", "--json").json
    typed = [event for event in events if event["origin"] == "imported"]
    assert len(typed) == len(truth.maintenance)


def test_it_is_marked_as_invented_and_sound(demo: Shop) -> None:
    assert is_demo(open_archive(demo.archive))
    assert demo.quick("verify").status == 0
    assert all("invented" in (oven["note"] or "") for oven in demo.quick("oven", "list", "--json").json)


def test_a_built_demo_is_used_again(demo: Shop) -> None:
    before = demo.archive.stat().st_mtime_ns
    said = demo.quick("demo", "--build-only")
    assert said.status == 0
    assert "is at" in said.out
    assert demo.archive.stat().st_mtime_ns == before


def test_another_archive_is_never_replaced(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    shop.quick("import", shop.write("bake.csv", straight_log()))
    for arguments in (["demo", "--build-only"], ["demo", "--build-only", "--fresh"]):
        said = shop.quick(*arguments)
        assert said.status == 1
        assert "not the demo" in said.err
    assert len(shop.quick("runs", "--json").json) == 1


def test_every_thermocouple_of_the_demo_has_its_place(demo: Shop) -> None:
    archive = open_archive(demo.archive)
    unplaced = archive.read(
        "SELECT DISTINCT name FROM channel_overview WHERE role = 'temperature' AND placement IS NULL"
    )
    assert unplaced["name"].tolist() == []
    for oven in demo.quick("oven", "list", "--json").json:
        assert oven["control_channel"] in oven["placements"]
