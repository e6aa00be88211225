"""Windows, budgets and events on the page Reference data, and the model and shape on Run, on a real archive."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from page_archives import bake, full_archive
from page_reading import button, field, opened, said
from streamlit.testing.v1 import AppTest

from analysis.store import evaluate_and_write
from ingest.archive import Archive
from ingest.importing import ImportOptions, import_bytes


@pytest.fixture
def full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    archive = full_archive(tmp_path / "archive.duckdb")
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(archive.path))
    return archive


def chosen(at: AppTest, label: str, value: str) -> None:
    next(g for g in at.get("button_group") if g.proto.label == label).set_value(value)
    at.run()


def test_a_house_window_changes_no_verdict_until_asked(full: Archive) -> None:
    def verdicts() -> list:
        return full.read("SELECT run, verdict, limiting_metric FROM run_overview ORDER BY run").to_numpy().tolist()

    before = verdicts()
    at = opened("reference_data", list="pastes")
    chosen(at, "Limits from", "the house")
    field(at.selectbox, "For").set_value("runs of the oven Invented oven")
    field(at.text_input, "Where the limits stand").set_value("shop rule 4")
    field(at.number_input, "Peak, at most").set_value(231.0)
    button(at, "Add window").click().run()
    assert not at.exception
    assert not [e.value for e in at.error]
    assert "shop rule 4" in said(at)
    assert verdicts() == before
    assert "6 runs were judged without a window that is in force now" in " ".join(e.label for e in at.expander)
    button(at, "Show what would change").click().run()
    assert "fails" in said(at)
    assert verdicts() == before
    button(at, "Judge by the windows of today").click().run()
    # bake 5 peaks at 230 °C less 1 K on its left channel; bake 0 at 245 - 1 = 244 °C, over 231 by more than its U of 5 K
    assert verdicts()[0][1:] == ["fails", "peak_c"]


def test_a_body_window_asks_for_its_board_and_takes_only_ceilings(full: Archive) -> None:
    at = opened("reference_data", list="pastes")
    chosen(at, "Limits from", "component bodies of a board")
    assert not [n.label for n in at.number_input if "at least" in n.label]
    field(at.text_input, "Where the limits stand").set_value("connector sheet")
    field(at.number_input, "Time above liquidus, at most").set_value(60.0)
    button(at, "Add window").click().run()
    assert "choose it" in at.error[0].value
    field(at.selectbox, "Board").set_value(1)
    button(at, "Add window").click().run()
    assert "liquidus it counts from" in at.error[0].value
    field(at.number_input, "Time above: from which").set_value(217.0)
    button(at, "Add window").click().run()
    assert not at.error
    rows = full.read(
        "SELECT l.metric, l.parameters, l.high FROM limit_window JOIN window_limit l USING (window_id) WHERE scope = 'body'"
    )
    assert rows.to_numpy().tolist() == [["time_above_liquidus_s", '{"liquidus_c":217}', 60.0]]


def test_the_budget_is_shown_with_sources_and_reaches_the_runs(full: Archive) -> None:
    def peak_u() -> float:
        return full.read(
            "SELECT uncertainty FROM metric_long WHERE run = 1 AND metric = 'peak_c' AND channel = 'left_c'"
        )["uncertainty"].iloc[0]

    before = peak_u()
    at = opened("reference_data", list="ovens")
    assert "IEC 60584-1" in said(at)
    field(at.selectbox, "Change a term").set_value("input_k").run()
    field(at.text_input, "Size of the term").set_value("-3").run()
    button(at, "Set and judge its runs again").click().run()
    assert "0 or more" in at.error[0].value
    field(at.text_input, "Size of the term").set_value("0").run()
    button(at, "Set and judge its runs again").click().run()
    assert not at.exception
    assert "6 runs judged again" in said(at)
    # JCGM 100 (10): a rectangular half-width of 2 K less leaves U² smaller by (2 x 2 / sqrt(3))²
    assert before**2 - peak_u() ** 2 == pytest.approx((2 * 2.0 / 3**0.5) ** 2, rel=1e-5)


def test_an_event_is_corrected_and_the_old_value_kept(full: Archive) -> None:
    at = opened("reference_data", list="events")
    form = [t for t in at.text_input if t.label == "Note"][-1]
    form.set_value("new seal, upper edge")
    [t for t in at.toggle if t.label == "Start a new baseline after it"][-1].set_value(False)
    button(at, "Correct event").click().run()
    assert not at.exception
    assert not [e.value for e in at.error]
    event = full.read("SELECT note, restarts_baseline, happened_at, at_precision FROM event").iloc[0]
    assert (event["note"], bool(event["restarts_baseline"]), str(event["happened_at"])[:10]) == (
        *("new seal, upper edge", False, "2025-03-03"),
    )
    assert full.read("SELECT old_value FROM change WHERE field = 'note'")["old_value"].tolist() == ["new seal"]


def test_model_and_shape_are_worked_out_on_demand_or_say_why_not(full: Archive) -> None:
    assert full.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6
    at = opened("run", run="1")
    assert "time constant, s" not in said(at)
    for label in ("Compare the curves", "Work out the oven"):
        field(at.toggle, label).set_value(True)
    at.run()
    assert not at.exception
    # every bake of this archive has set points of its own, so none is comparable with another
    assert "0 comparable runs with the same channels and span, 12 needed" in said(at)
    assert "no model, because" in said(at) or "time constant, s" in said(at)


def changed(number: int, by: Callable[[int], float]) -> bytes:
    """A bake, `number` hours on, whose right channel is off by so many K at each second."""
    lines = bake(minutes=60 * number).decode().split("\n")
    for second, line in enumerate(lines[1:]):
        cells = line.split(",")
        cells[3] = f"{float(cells[3]) + by(second):.2f}"
        lines[second + 1] = ",".join(cells)
    return "\n".join(lines).encode()


def test_a_curve_unlike_its_group_names_the_stretch(full: Archive) -> None:
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 14", board="Heron C", kind="product")
    for number in range(6, 20):
        data = changed(number, lambda second, number=number: (number % 5 - 2) * second / 300)
        assert (
            import_bytes(full, data, f"bake-{number}.csv", options, after_store=evaluate_and_write)[0].status
            == "stored"
        )
    # the right channel 15 K colder from 200 to 260 s of the run: planted by hand
    data = changed(30, lambda second: -15.0 if 200 <= second <= 260 else 0.0)
    (odd,) = import_bytes(full, data, "odd.csv", options, after_store=evaluate_and_write)
    at = opened("run", run=str(odd.runs[0].run))
    field(at.toggle, "Compare the curves").set_value(True).run()
    text = said(at).replace("\\", "")
    assert "unlike those of" in text
    assert "right_c: 15.0 K colder than their median, from 201 to 259 s" in text  # on the 2 s grid of the comparison
