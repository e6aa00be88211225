"""Every page on a full and on an empty archive, opened headless: no error, the right words, and what a page stores."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_archives import ZONE, bake
from page_fixtures import empty, filled, forget_archives, full
from page_reading import MAIN, button, charts, field, opened, said
from streamlit.testing.v1 import AppTest

from ingest.archive import Archive

__all__ = ["empty", "filled", "forget_archives", "full"]

PAGES = ("latest", "add_logs", "held", "runs", "run", "reference_data", "about")


@pytest.mark.parametrize("page", PAGES)
def test_a_full_archive_shows_every_page(full: Archive, page: str) -> None:
    at = opened(page)
    assert not at.exception
    assert not at.error
    assert len(said(at)) > 100
    assert full.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6  # looking changes nothing


@pytest.mark.parametrize(
    ("page", "next_step"),
    [
        ("latest", "Add the log of a bake"),
        ("add_logs", "Stored so far: 0 runs"),
        ("held", "No log waits for an answer"),
        ("runs", "The list begins with the first log"),
        ("run", "once a log has been added"),
        ("reference_data", "No oven is known yet"),
        ("about", "not a safety device"),
    ],
)
def test_an_empty_archive_says_what_comes_next(empty: Archive, page: str, next_step: str) -> None:
    assert empty.change_counter() >= 0
    at = opened(page)
    assert not at.exception
    assert next_step in said(at)
    assert charts(at) == 0


@pytest.mark.parametrize("chosen", ["ovens", "pastes", "jars", "boards", "profiles", "events"])
@pytest.mark.parametrize("which", ["full", "empty"])
def test_every_list_of_reference_data_opens_by_its_link(
    request: pytest.FixtureRequest, which: str, chosen: str
) -> None:
    request.getfixturevalue(which)
    at = opened("reference_data", list=chosen)
    assert not at.exception
    assert not at.error


def test_latest_tells_the_newest_run_with_limit_margin_and_source(full: Archive) -> None:
    assert full.zone == ZONE
    text = said(opened("latest"))
    assert "Run 6 fails its window" in text
    # By hand: the peak of run 6 was set to 230 °C, the right channel reads 4.5 K less, so about 225.5, 9.5 K below 235.
    assert "Peak on right_c is 225.5 ±" in text
    assert "9.5 K outside the limit of at least 235 °C (invented sheet, revision B)" in text
    # 14:00 UTC on 4 March is 15:00 in Berlin (winter time, UTC+1).
    assert "4 Mar 2025, 15:00" in text


def test_latest_draws_the_curve_and_says_it_in_words(full: Archive) -> None:
    at = opened("latest")
    assert charts(at) == 2  # the curve, and the heater below it
    assert "2 temperature channels over 380 s" in said(at)
    assert full.path.exists()


def test_carried_over_values_are_shown_as_such(full: Archive) -> None:
    from ingest.importing import ImportOptions, import_bytes

    import_bytes(full, bake(minutes=1000), "next.csv", ImportOptions(source="page", oven="Invented oven"))
    at = opened("latest")
    labels = [e.label for e in at.selectbox]
    assert "Board (carried over)" in labels
    assert any(label.startswith("Paste jar (") and "typed" not in label for label in labels)


def test_a_log_imported_elsewhere_is_there_on_the_next_load(full: Archive) -> None:
    from analysis.store import evaluate_and_write
    from ingest.importing import ImportOptions, import_bytes

    at = opened("latest")
    assert "Run 6" in said(at)
    options = ImportOptions(source="file", oven="Invented oven", jar="jar 14")
    import_bytes(full, bake(minutes=2000), "other-terminal.csv", options, after_store=evaluate_and_write)
    assert "Run 7 meets its window" in said(at.run())


def test_one_tap_records_looked_none_found(full: Archive) -> None:
    at = opened("latest")
    assert "Not inspected yet" in said(at)
    button(at, "Looked, none found").click().run()
    assert not at.exception
    rows = full.read("SELECT * FROM defect_long WHERE run = 6")
    assert len(rows) == 1
    assert rows["defect"].isna().all()
    assert rows["method"].iloc[0] == "naked eye"
    assert "looked, none found" in said(at)


def test_choosing_a_board_is_stored_as_typed_and_shown(full: Archive) -> None:
    at = opened("latest")
    names = field(at.selectbox, "Board").options
    field(at.selectbox, "Board").select_index(names.index("Lantern, revision A")).run()
    assert not at.exception
    row = full.read("SELECT board, board_revision FROM run_overview WHERE run = 6").iloc[0]
    assert (row["board"], row["board_revision"]) == ("Lantern", "A")
    origin = full.read("SELECT origin FROM run_origin WHERE run_id = 6 AND field = 'board'")["origin"].iloc[0]
    assert origin == "typed"
    assert "Board is now Lantern, revision A" in said(at)


def test_a_run_without_paste_is_judged_as_soon_as_one_is_chosen(full: Archive) -> None:
    from analysis.store import evaluate_and_write
    from ingest.importing import ImportOptions, import_bytes

    import_bytes(
        full,
        bake(minutes=3000),
        "no-paste.csv",
        ImportOptions(source="page", carry=False),
        after_store=evaluate_and_write,
    )
    at = opened("latest")
    assert "Run 7 has no verdict" in said(at)
    names = field(at.selectbox, "Paste (").options
    field(at.selectbox, "Paste (").select_index(names.index("Invented SAC paste")).run()
    assert "Run 7 meets its window" in said(at)


def test_run_opens_by_its_link_with_margins_checks_effort_and_origins(full: Archive) -> None:
    assert full.path.exists()
    at = opened("run", run="1")
    text = said(at)
    assert not at.exception
    assert "Run 1 meets its window" in text
    assert charts(at) == 3  # curve, heater, margins
    for part in ("Margins", "Channels and checks", "Measured", "What was on the rack", "Inspection", "The log"):
        assert part in text
    assert "1 tombstone" in text
    assert "SHA-256" in text


@pytest.mark.parametrize("asked", ["999", "x", "-1", "1; DROP TABLE run", "99999999999999999999", ""])
def test_a_run_that_is_not_there_gets_one_line_and_ways_on(full: Archive, asked: str) -> None:
    at = opened("run", run=asked)
    assert not at.exception
    assert [e.value for e in at.error] == [f"There is no run {asked[:40]} in this archive."]
    assert full.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6


@pytest.mark.parametrize("page", ["latest", "runs", "run", "add_logs", "reference_data"])
def test_a_run_of_which_nothing_is_known_breaks_no_page(empty: Archive, page: str) -> None:
    from analysis.store import evaluate_and_write
    from ingest.importing import ImportOptions, import_bytes

    bare = b"seconds,temp_c\n" + b"".join(b"%d,%.1f\n" % (s, 25 + min(s, 700 - s) * 0.6) for s in range(0, 700, 2))
    result = import_bytes(empty, bare, "bare.csv", ImportOptions(source="page"), after_store=evaluate_and_write)[0]
    assert result.status == "stored", (result.reason, result.questions)
    at = opened(page)
    assert not at.exception
    assert not at.error
    if page in ("latest", "run"):
        assert "Run 1 has no verdict" in said(at)
        assert "No paste recorded" in said(at)


def test_names_from_logs_cannot_write_into_the_page(full: Archive) -> None:
    from analysis.store import evaluate_and_write
    from ingest.importing import ImportOptions, import_bytes

    nasty = "<img src=x onerror=alert(1)> $x$ **bold**"
    data = bake(minutes=6000).replace(b"left_c", nasty.encode() + b" _c")
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 14")
    result = import_bytes(full, data, f"{nasty}.csv", options, after_store=evaluate_and_write)[0]
    assert result.status == "stored", (result.reason, result.questions)
    for at in (opened("latest"), opened("run", run="7")):
        assert not at.exception
        pieces = [e.proto.body for e in at.get("html")]
        assert not any("<img" in piece for piece in pieces)
        assert not any(
            "<img" in e.value and "\\<img" not in e.value for kind in (at.markdown, at.caption) for e in kind
        )
    assert "&lt;img" in "".join(pieces)


def test_an_aborted_run_says_that_it_stopped_early(full: Archive) -> None:
    assert full.path.exists()
    assert "stopped early" in said(opened("run", run="4"))


def test_runs_lists_filters_and_sorts(full: Archive) -> None:
    assert full.path.exists()
    at = opened("runs")
    table = at.dataframe[0].value
    assert table["Run"].tolist() == [6, 5, 4, 3, 2, 1]
    assert "9.5 K outside" in table["Smallest margin"].tolist()
    failing = opened("runs", verdict="fails").dataframe[0].value
    assert failing["Run"].tolist() == [6, 5]
    oldest = opened("runs", sort="oldest first").dataframe[0].value
    assert oldest["Run"].tolist() == [1, 2, 3, 4, 5, 6]
    words = opened("runs", words="bake-2").dataframe[0].value
    assert words["Run"].tolist() == [3]
    none = opened("runs", words="no such thing")
    assert "None of the 6 runs matches" in said(none)


def test_days_are_days_in_the_archives_zone(full: Archive) -> None:
    from datetime import date

    from dashboard import page_data
    from dashboard.page_data import RunFilter

    book = page_data.current(str(full.path))
    day = RunFilter(first_day=date(2025, 3, 4), last_day=date(2025, 3, 4))
    assert page_data.run_count(book, day) == 6
    assert page_data.run_count(book, RunFilter(last_day=date(2025, 3, 3))) == 0


def test_about_finds_a_word(full: Archive) -> None:
    assert full.path.exists()
    text = said(opened("about", find="liquidus"))
    assert "fully liquid" in text
    assert "tombstone" not in text


def test_an_archive_that_is_none_gets_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "not.duckdb"
    path.write_bytes(b"this is no archive" * 100)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    at = AppTest.from_file(str(MAIN), default_timeout=60).run()
    assert not at.exception
    assert len(at.error) == 1
    assert "is not an Ovenbook archive" in at.error[0].value
