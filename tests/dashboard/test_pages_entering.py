"""What is entered on the pages: logs dropped, questions answered, reference data added and corrected, windows."""

from __future__ import annotations

import pytest
from page_archives import bake
from page_fixtures import empty, filled, forget_archives, full
from page_reading import button, field, opened, said

from ingest.archive import Archive

__all__ = ["empty", "filled", "forget_archives", "full"]


def test_a_dropped_log_is_shown_before_it_is_stored_and_judged_after(full: Archive) -> None:
    at = opened("add_logs")
    at.file_uploader[0].set_value([("new.csv", bake(minutes=5000), "text/csv")]).run()
    text = said(at)
    assert not at.exception
    for word in ("left_c", "temperature", "set point", "heater duty", "°C"):
        assert word in text
    assert full.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6  # nothing stored yet
    field(at.selectbox, "Oven").select("Invented oven").run()
    field(at.selectbox, "Paste jar").select("jar 14").run()
    button(at, "Store").click().run()
    text = said(at)
    assert "stored as run 7" in text
    assert "Run 7 meets its window" in text


def test_the_same_log_twice_is_said_and_not_stored(full: Archive) -> None:
    at = opened("add_logs")
    at.file_uploader[0].set_value([("again.csv", bake(), "text/csv")]).run()
    assert "already in the archive as run 1" in said(at)
    assert not [b for b in at.button if b.label == "Store"]
    assert full.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6


@pytest.mark.parametrize(
    "data", [b"", b"\x00\x01\x02" * 500, b"time,left_c\n", b"date;amount\n2025-01-01;-12,50\n2025-01-02;99,00\n"]
)
def test_what_is_no_log_is_refused_in_words(empty: Archive, data: bytes) -> None:
    at = opened("add_logs")
    at.file_uploader[0].set_value([("odd.csv", data, "text/csv")]).run()
    assert not at.exception
    assert any("rejected" in e.value for e in at.error)
    assert empty.read("SELECT count(*) AS n FROM log")["n"].iloc[0] == 0


def test_a_held_log_is_answered_and_stored(full: Archive) -> None:
    at = opened("held")
    assert "unclear.csv" in said(at)
    assert button(at, "Answer and store").disabled
    question = at.selectbox[0]
    question.select("day first").run()
    button(at, "Answer and store").click().run()
    assert not at.exception
    assert "stored as run 7" in said(at)
    started = full.read("SELECT started_at FROM run WHERE run_id = 7")["started_at"].iloc[0]
    assert (started.month, started.day) == (4, 3)


def test_reference_data_is_added_and_corrected_with_the_old_value_kept(full: Archive) -> None:
    at = opened("reference_data", list="boards")
    field(at.text_input, "Name").input("Magpie")
    field(at.text_input, "Revision").input("D")
    button(at, "Add board").click().run()
    assert not at.exception
    assert "Magpie" in full.read("SELECT name FROM board")["name"].tolist()
    at = opened("reference_data", list="ovens")
    field(at.selectbox, "Which").select_index(0)
    field(at.selectbox, "Value").select("note").run()
    field(at.text_input, "New value").input("by the window")
    field(at.text_input, "Why").input("moved")
    button(at, "Correct").click().run()
    change = full.read("SELECT * FROM change WHERE table_name = 'oven'").iloc[-1]
    assert (change["field"], change["new_value"], change["why"]) == ("note", "by the window", "moved")


def test_where_a_thermocouple_sits_is_noted_and_taken_over(full: Archive) -> None:
    from ingest.importing import ImportOptions, import_bytes

    at = opened("reference_data", list="ovens")
    field(at.selectbox, "Channel").select("left_c")
    field(at.text_input, "Place").input("left rear corner of the board")
    field(at.selectbox, "Fixed by").select("aluminium tape")
    button(at, "Note the place").click().run()
    assert not at.exception
    assert "left_c sits at left rear corner of the board" in said(at).replace("\\", "")
    import_bytes(full, bake(minutes=7000), "placed.csv", ImportOptions(source="page", oven="Invented oven"))
    places = full.read("SELECT placement, attachment FROM channel_overview WHERE run = 7 AND name = 'left_c'").iloc[0]
    assert tuple(places) == ("left rear corner of the board", "aluminium tape")


def test_a_name_is_asked_for_and_a_known_one_refused_in_one_line(full: Archive) -> None:
    assert full.path.exists()
    at = opened("reference_data", list="ovens")
    button(at, "Add oven").click().run()
    assert [e.value for e in at.error] == ["The oven needs a name."]
    field(at.text_input, "Name").input("Invented oven")
    button(at, "Add oven").click().run()
    assert len(at.error) == 1
    assert not at.exception


def test_a_new_window_leaves_earlier_verdicts_until_asked(full: Archive) -> None:
    at = opened("reference_data", list="pastes")
    names = field(at.selectbox, "Paste").options
    field(at.selectbox, "Paste").select_index(names.index("Invented SAC paste"))
    field(at.text_input, "Where the limits stand").input("invented sheet")
    field(at.text_input, "Revision or date").input("C")
    field(at.number_input, "Peak at the joint, at least").set_value(200.0)
    button(at, "Add window").click().run()
    assert not at.exception
    assert not at.error
    before = full.read("SELECT verdict FROM run_overview WHERE run = 6")["verdict"].iloc[0]
    assert before == "fails"
    button(at, "Show what would change").click().run()
    assert "fails" in said(at)
    assert full.read("SELECT verdict FROM run_overview WHERE run = 6")["verdict"].iloc[0] == "fails"
    button(at, "Judge by the windows of today").click().run()
    after = full.read("SELECT verdict FROM run_overview WHERE run = 6")["verdict"].iloc[0]
    assert after == "meets"  # 225.5 °C is far above the new limit of 200 °C
