"""The pages *Inspect* and *Defects*, opened headless on small archives and on one with enough runs to say something."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from page_archives import bake, empty_archive, full_archive
from streamlit.testing.v1 import AppTest

import dashboard
from analysis.store import evaluate_and_write
from ingest.archive import Archive, open_archive
from ingest.archive.quality import add_inspection
from ingest.importing import ImportOptions, import_bytes

MAIN = Path(dashboard.__file__).parent / "main.py"
MANY = 26  # runs of the larger archive


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return full_archive(tmp_path_factory.mktemp("filled") / "archive.duckdb").path


@pytest.fixture
def full(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    """Six runs, run 1 inspected. A copy of the test's own, made while nothing has it open."""
    path = tmp_path / "archive.duckdb"
    shutil.copy(filled, path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return open_archive(path)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    path = tmp_path / "empty.duckdb"
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return empty_archive(path)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """26 runs with falling peaks; nonwetting on the coldest of them, always at U4 on the right; every run inspected."""
    archive = full_archive(tmp_path_factory.mktemp("shop") / "archive.duckdb")
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 14", board="Heron C", kind="product")
    for number in range(6, MANY):
        data = bake(minutes=60 * number, peak_c=248.0 - 0.7 * number)
        assert (
            import_bytes(archive, data, f"more-{number}.csv", options, after_store=evaluate_and_write)[0].status
            == "stored"
        )
    with archive.transaction() as con:
        for run in range(2, MANY + 1):
            cold = run in (5, 6) or run > MANY - 6
            found = [{"term": "nonwetting", "count": 2, "ref_des": "U4", "side": "right"}] if cold else []
            add_inspection(con, run, "microscope", boards_looked=1, joints_looked=450, defects=found)
    return archive.path


def opened(page: str, **parameters: str) -> AppTest:
    at = AppTest.from_file(str(MAIN), default_timeout=120)
    at.run()
    for name, value in parameters.items():
        at.query_params[name] = value
    return at.switch_page(f"pages/{page}.py").run()


def said(at: AppTest) -> str:
    kinds = ("title", "subheader", "markdown", "caption", "error", "success")
    text = [element.value for kind in kinds for element in getattr(at, kind)]
    return "\n".join(text + [element.proto.body for element in at.get("html")]).replace("\\", "")


def button(at: AppTest, label: str):
    return next(b for b in at.button if b.label == label)


def keyed(elements, start: str):
    return next(e for e in elements if e.key and e.key.startswith(start))


def rows(archive: Archive, run: int) -> list[dict]:
    return archive.read("SELECT * FROM defect_long WHERE run = ? ORDER BY inspection, defect", (run,)).to_dict(
        "records"
    )


@pytest.mark.parametrize(
    ("page", "words"),
    [("inspect", "the first log comes first"), ("defects", "Not inspected is not the same as clean")],
)
def test_an_empty_archive_says_what_comes_next(empty: Archive, page: str, words: str) -> None:
    at = opened(page)
    assert not at.exception
    assert words in said(at)
    assert empty.change_counter() >= 0


def test_one_tap_stores_looked_none_found_with_what_is_carried_over(full: Archive) -> None:
    at = opened("inspect")
    assert "Run 6" in said(at)  # the newest one nobody has looked at
    assert "2 boards, loupe (carried over from run 1)" in said(at)
    button(at, "Looked, none found").click().run()
    assert not at.exception
    (row,) = rows(full, 6)
    assert (row["method"], row["boards_looked"]) == ("loupe", 2)
    assert row["defect"] is None or row["defect"] != row["defect"]
    origin = full.read("SELECT origin FROM inspection WHERE run_id = 6")["origin"].item()
    assert origin == "carried over"
    assert "Run 6: 2 boards, loupe: none found." in said(at)
    assert "Run 5" in said(at)  # the next one that waits


def test_what_was_found_is_listed_then_stored_at_once(full: Archive) -> None:
    at = opened("inspect", run="4")
    keyed(at.selectbox, "i-other").set_value("graping").run()
    keyed(at.number_input, "i-count").set_value(3)
    keyed(at.text_input, "i-place").set_value("R12").run()
    button(at, "Add to the list").click().run()
    assert "3 graping (R12)" in said(at)
    assert rows(full, 4) == []  # not stored yet
    keyed(at.number_input, "i-joints").set_value(450).run()
    button(at, "Store with 1 defect line").click().run()
    assert not at.exception
    (row,) = rows(full, 4)
    assert (row["defect"], row["count"], row["ref_des"], row["joints_looked"]) == ("graping", 3, "R12", 450)
    assert full.read("SELECT origin FROM inspection WHERE run_id = 4")["origin"].item() == "typed"


def test_an_inspection_can_be_withdrawn_and_the_record_keeps_it(full: Archive) -> None:
    at = opened("inspect", run="1")
    assert "1 tombstone (C14)" in said(at)
    button(at, "Withdraw").click().run()
    assert rows(full, 1) == []
    kept = full.read("SELECT old_value FROM change WHERE table_name = 'inspection'")["old_value"].item()
    assert "tombstone" in kept
    assert "That is not the same as no defects" in said(at)


def test_a_run_that_is_not_there_is_one_line(full: Archive) -> None:
    assert full.path.exists()
    at = opened("inspect", run="999")
    assert not at.exception
    assert "There is no run 999" in said(at)


def test_few_runs_get_what_can_be_said_and_what_not(full: Archive) -> None:
    with full.transaction() as con:
        add_inspection(con, 2, "loupe", boards_looked=2)
    at = opened("defects")
    assert not at.exception
    text = said(at)
    assert "2 runs inspected, 1 of them clean; 4 product runs not inspected" in text
    assert "1 on **1 of 2" in text.replace("**1** on", "1 on")
    assert "12 inspected runs are needed, there are 2" in text
    assert "4 were not inspected" in text


def test_the_question_comes_before_the_evidence_and_the_next_step_after(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(shop))
    at = opened("defects", defect="nonwetting")
    assert not at.exception
    assert not at.error
    heads = [h.value for h in at.subheader]
    order = ["Which defects", "Nonwetting: where", "Nonwetting: with what", "Next step", "Yield"]
    assert [h for h in heads if h in order] == order
    text = said(at)
    # by hand: two on each of the runs 5, 6 and 21 to 26, 25 x 450 joints
    assert "**16** on **8 of 26** inspected runs" in text
    assert f"{16 / (25 * 450) * 1e6:.0f} per million" in text
    assert "16 of the 16 with a side of the oven noted: right." in text
    assert "more on the right in 8" in text
    assert any(grade in text for grade in ("Worth a trial", "A hint"))
    assert "What to record next" in heads
    charts = at.get("vega_lite_chart")
    assert len(charts) >= 4


def test_several_factors_say_why_not(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(shop))
    at = opened("defects", defect="nonwetting")
    keyed(at.toggle, "several").set_value(True).run()
    assert not at.exception
    assert "Not evaluated, because 26 inspected runs, 8 with nonwetting; 60 are needed" in said(at)
    at = opened("run", run="26")
    keyed(at.toggle, "expected").set_value(True).run()
    assert not at.exception
    assert "nonwetting: no expectation, because 26 inspected runs" in said(at)


def test_questions_and_trials_are_asked_and_planned_on_the_page(full: Archive) -> None:
    at = opened("defects")
    keyed(at.selectbox, "q-factor").set_value("melt_lag_s")
    button(at, "Ask").click().run()
    assert not at.exception
    asked = full.read("SELECT defect, factor FROM question")
    assert asked.values.tolist() == [["tombstone", "melt_lag_s"]]
    assert "12 are needed for an answer" in said(at)
    for key, value in (("t-name", "soak"), ("t-change", "longer soak"), ("t-now", "90 s"), ("t-then", "110 s")):
        keyed(at.text_input, key).set_value(value)
    button(at, "Plan it").click().run()
    assert not at.exception
    assert full.read("SELECT runs_per_arm FROM trial")["runs_per_arm"].item() == 20
    assert "Next run: 90 s, board turned by 0°" in said(at)
    number = int(full.read("SELECT max(run_id) AS n FROM run")["n"].item())
    assert number == 6
    assert full.read("SELECT planned_at FROM trial")["planned_at"].item() > datetime(2025, 3, 4, tzinfo=UTC).replace(
        tzinfo=None
    )
