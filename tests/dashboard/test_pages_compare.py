"""What changed between two runs, on the page and on the command line. Runs are invented; expected values by hand."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from page_archives import bake, full_archive
from page_fixtures import empty, filled, full  # noqa: F401  (fixtures)
from page_reading import charts, opened, said

from analysis.store import evaluate_and_write
from analysis.store.comparing import compare_runs, last_good_before
from dashboard.words import comparing as words
from ingest.archive import Archive, ArchiveError
from ingest.importing import ImportOptions, import_bytes


def test_two_runs_are_laid_side_by_side_with_their_difference(full: Archive) -> None:  # noqa: F811
    assert full.path.exists()
    at = opened("compare", run="6", **{"with": "1"})
    text = said(at)
    assert not at.exception
    assert charts(at) == 2
    # The made-up logs peak at 245 - 3 (n - 1) °C, by their set points too: run 6 stays 15 K below run 1, and no other run
    # has its set points.
    pieces = "".join(piece.proto.body for piece in at.get("html"))
    assert "−15.0 K" in pieces
    assert "0 comparable runs beside these two, 5 needed" in pieces
    assert any("not the same set points" in e.value for e in at.warning)
    assert "aligned where the middle of the channels passes 60 °C" in text


def test_left_open_the_newest_run_is_compared_with_the_last_good_one_by_rule(full: Archive) -> None:  # noqa: F811
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 14", board="Heron C", kind="product")
    import_bytes(full, bake(minutes=1000), "again.csv", options, after_store=evaluate_and_write)
    assert last_good_before(full, 7).run is None  # run 1 alone has the same set points, and a tombstone was found in it
    import_bytes(full, bake(minutes=1100), "once-more.csv", options, after_store=evaluate_and_write)
    assert last_good_before(full, 8).run == 7
    at = opened("compare")
    assert not at.exception
    assert "Run 7 is the latest earlier run that meets its window" in said(at)


def test_a_run_without_a_good_one_before_says_so(full: Archive) -> None:  # noqa: F811
    assert full.path.exists()
    at = opened("compare", run="1")
    assert not at.exception
    assert any("There is no good run to compare run 1 with" in e.value for e in at.info)


@pytest.mark.parametrize(
    ("run", "other", "line"),
    [("999", "1", "There is no run 999"), ("1", "999", "There is no run 999"), ("2", "2", "compared with itself")],
)
def test_runs_that_cannot_be_compared_get_one_line(full: Archive, run: str, other: str, line: str) -> None:  # noqa: F811
    assert full.path.exists()
    at = opened("compare", run=run, **{"with": other})
    assert not at.exception
    assert any(line in e.value for e in [*at.error, *at.info])


def test_an_empty_archive_says_what_comes_next(empty: Archive) -> None:  # noqa: F811
    assert empty.path.exists()
    at = opened("compare")
    assert not at.exception
    assert "Two runs are needed" in said(at)


def test_a_comparison_in_the_other_direction_turns_every_sign(full: Archive) -> None:  # noqa: F811
    there, back = compare_runs(full, 1, 6), compare_runs(full, 6, 1)
    keys = ["metric", "channel", "parameters"]
    a = there.metrics.dropna(subset=["difference"]).set_index(keys)["difference"]
    b = back.metrics.dropna(subset=["difference"]).set_index(keys)["difference"]
    assert len(a) > 20
    assert (a + b.reindex(a.index)).abs().max() == 0
    assert there.alike == "not the same set points"


def test_differences_carry_sign_and_unit() -> None:
    assert words.difference_text("peak_c", -15.04, "°C") == "−15.0 K"
    assert words.difference_text("peak_c", 0.01, "°C") == "0.0 K"
    assert words.difference_text("hold_duty", 0.1, "1") == "+10.0 %"


def test_the_command_says_the_same_as_the_page_and_gives_json(tmp_path: Path) -> None:
    path = full_archive(tmp_path / "archive.duckdb").path

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "dashboard.cli", "--archive", str(path), "compare", *arguments],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    done = run("1", "6", "--json")
    answer = json.loads(done.stdout, parse_constant=lambda word: (_ for _ in ()).throw(ValueError(word)))
    assert (answer["first"], answer["second"]) == (1, 6)
    peak = next(m for m in answer["metrics"] if m["metric"] == "peak_c" and m["channel"] == "left_c")
    assert peak["difference"] == pytest.approx(-15.0, abs=0.35)  # the made-up sensor wanders by 0.3 K
    assert answer["metadata"] is not None
    assert "Run 1 and run 6" in run("1", "6").stdout
    refused = run("2", "2")
    assert refused.returncode == 2
    assert refused.stderr.count("\n") == 1


def test_comparing_refuses_unknown_runs(full: Archive) -> None:  # noqa: F811
    with pytest.raises(ArchiveError, match="there is no run 77"):
        compare_runs(full, 77, 1)
    with pytest.raises(ArchiveError, match="itself"):
        compare_runs(full, 1, 1)
