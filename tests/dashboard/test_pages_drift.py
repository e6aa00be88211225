"""Pages Ovens, Drift and Reference runs: on the demo, on a few runs, on an empty archive; and what their forms keep."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from demo_season import demo_archive
from page_archives import empty_archive, full_archive
from streamlit.testing.v1 import AppTest

import dashboard
from ingest.archive import Archive, open_archive

MAIN = Path(dashboard.__file__).parent / "main.py"
PAGES = ("ovens", "drift", "reference_runs")


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    path = tmp_path / "demo.duckdb"
    shutil.copy(demo_archive(), path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return open_archive(path)


def opened(page: str) -> AppTest:
    at = AppTest.from_file(str(MAIN), default_timeout=120)
    at.run()
    return at.switch_page(f"pages/{page}.py").run()


def said(at: AppTest) -> str:
    kinds = ("title", "header", "subheader", "markdown", "caption", "info", "warning", "error", "success")
    text = [element.value for kind in kinds for element in getattr(at, kind)]
    return "\n".join(text + [element.proto.body for element in at.get("html")])


@pytest.mark.parametrize("page", PAGES)
def test_an_empty_archive_says_the_next_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    path = tmp_path / "empty.duckdb"
    empty_archive(path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    at = opened(page)
    assert not at.exception
    assert "No run names its oven yet" in said(at)


@pytest.mark.parametrize("page", PAGES)
def test_six_runs_are_too_few_and_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    path = tmp_path / "few.duckdb"
    full_archive(path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    at = opened(page)
    assert not at.exception
    wanted = "no reference run yet" if page == "reference_runs" else "5 comparable runs, 8 needed"
    assert wanted in said(at).lower().replace("nothing can be said yet: ", "")


def test_ovens_show_calls_effort_reference_and_events(demo: Archive) -> None:
    at = opened("ovens")
    text = said(at)
    assert not at.exception
    assert "most like: less heating power" in text
    assert "against the baseline" in text
    assert "because no heater duty in the log" in text
    assert "Last reference run" in text
    assert "as expected" in text
    assert demo.read("SELECT count(*) AS n FROM drift_answer")["n"].iloc[0] == 0  # looking changes nothing


def test_drift_draws_series_sums_groups_and_season(demo: Archive) -> None:
    del demo
    at = opened("drift")
    text = said(at)
    assert not at.exception
    assert len(at.get("vega_lite_chart")) >= 6  # series, CUSUM, three groups at least, season
    assert "It is frozen; only a named event starts a new one" in text
    assert "false calls per 100 runs" in text
    at.selectbox(key="drift-key-North bench").select_index(2).run()
    assert not at.exception


def test_reference_runs_are_listed_with_their_verdict(demo: Archive) -> None:
    del demo
    text = said(opened("reference_runs"))
    assert "the next was due on" in text
    assert "Reference plate" in text
    assert "verdict" in text


def test_an_answer_given_on_the_page_is_kept_and_closes_the_call(demo: Archive) -> None:
    at = opened("drift")
    what = next(r for r in at.radio if str(r.key).startswith("what-"))
    what.set_value("explained")
    next(t for t in at.text_input if str(t.key).startswith("note-")).set_value("supply was low")
    next(b for b in at.button if b.label == "Keep the answer").click().run()
    assert not at.exception
    kept = demo.read("SELECT answer, note FROM drift_answer")
    assert kept.values.tolist() == [["explained", "supply was low"]]
    assert "No open call." in said(at)
    assert "1 were real and 0 false" in said(at)


def test_a_run_left_out_on_the_page_is_left_out(demo: Archive) -> None:
    at = opened("drift")
    products = demo.read("SELECT run FROM run_overview WHERE oven = 'North bench' AND kind = 'product' ORDER BY run")
    run = int(products["run"].iloc[0])
    at.number_input(key="choose-run-North bench").set_value(run)
    at.text_input(key="choose-why-North bench").set_value("door opened")
    next(b for b in at.button if b.label == "Keep" and "choose" in str(b.form_id)).click().run()
    assert not at.exception
    assert demo.read("SELECT run_id, choice, why FROM comparison_choice").values.tolist() == [
        [run, "left out", "door opened"]
    ]
