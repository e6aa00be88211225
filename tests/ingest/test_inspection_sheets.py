"""Sheets of inspections of many kinds: read, asked about once, remembered, and never counted twice. All invented."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from test_archive_logs import entry, recording

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive.logs import store_log
from ingest.archive.runs import set_run_field
from ingest.archive.verify import verify
from ingest.defect_terms import canonical, is_nothing
from ingest.inspection_rows import inspections_of, serial_within, store_sheet
from ingest.inspection_sheets import read_sheet, read_with_memory


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Three runs, of files 1 to 3 as test_archive_logs names them; run 2 carried the boards 0101 to 0112."""
    archive = open_archive(tmp_path / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        for number in (1, 2, 3):
            store_log(con, entry(number), [recording(number)])
        set_run_field(con, 2, "serials", "0101-0112, 0120", "typed", None, None)
    return archive


def take_in(archive: Archive, text: str, name: str = "sheet.csv", **answers: str):
    sheet = read_with_memory(archive, text.encode(), name, answers)
    assert sheet.questions == ()
    found, problems = inspections_of(archive, sheet)
    assert problems == []
    return store_sheet(archive, sheet, found, "Kim")


def rows(archive: Archive) -> list[tuple]:
    frame = archive.read(
        "SELECT run, method, joints_looked, defect, count, ref_des, side FROM defect_long ORDER BY ALL"
    )
    return [tuple(None if pd.isna(v) else v for v in row) for row in frame.astype(object).itertuples(index=False)]


def test_the_sheet_of_the_contract(archive: Archive) -> None:
    got = take_in(
        archive, "run,defect,count,inspected,ref_des,side\n1,bridge,2,212,U4,left\n1,skew,1,212,,\n2,,0,212,,\n"
    )
    assert (got.inspections, got.clean, got.defects) == (2, 1, 3)
    assert rows(archive) == [
        (1, "naked eye", 212, "bridge", 2, "U4", "left"),
        (1, "naked eye", 212, "skew", 1, None, None),
        (2, "naked eye", 212, None, 0, None, None),
    ]


def test_a_german_spreadsheet_needs_no_question(archive: Archive) -> None:
    take_in(archive, "Lauf;Fehlerart;Anzahl;Geprüfte Lötstellen;Bauteil\n3;Lötbrücke;2;480;R12\n")
    assert rows(archive) == [(3, "naked eye", 480, "Lötbrücke", 2, "R12", None)]
    assert canonical("Lötbrücke") == "bridge"


def test_a_machine_that_writes_serials_under_its_own_preamble(archive: Archive) -> None:
    text = (
        "Inspection export\nMachine: invented optical bench\n\nBoard serial\tDefect code\tComponent\tMethod\n"
        "0104\tTombstoned\tR12\tAOI\n0104\tTombstoned\tR13\tAOI\n0120\tPASS\t\tAOI\n"
    )
    got = take_in(archive, text)
    assert (got.inspections, got.clean) == (2, 1)  # two boards of run 2, looked at one by one
    assert [r[:2] + r[3:6] for r in rows(archive)] == [
        (2, "automated optical", "Tombstoned", 1, "R12"),
        (2, "automated optical", "Tombstoned", 1, "R13"),
        (2, "automated optical", None, 0, None),
    ]
    assert archive.read("SELECT DISTINCT serial FROM defect_long ORDER BY 1")["serial"].tolist() == ["0104", "0120"]


UNKNOWN = "run,Result text,Hits,Pins\n1,tombstone,2,300\n2,ok,0,300\n"


def test_unknown_headers_are_asked_for_once_and_remembered(archive: Archive) -> None:
    sheet = read_with_memory(archive, UNKNOWN.encode(), "a.csv")
    asked = {q.id: q for q in sheet.questions}
    assert set(asked) == {"defect", "count", "inspected"}
    assert asked["defect"].guess == "Result text"
    assert set(asked["count"].choices) == {"Hits", "Pins", "(no column)"}
    take_in(archive, UNKNOWN, "a.csv", defect="Result text", count="Hits", inspected="Pins")
    assert rows(archive)[0] == (1, "naked eye", 300, "tombstone", 2, None, None)
    # the next sheet of this kind needs no answer, also where one answer was that there is no such column
    take_in(archive, "run,Result text,Hits,Pins\n3,skew,1,300\n", "b.csv")
    assert rows(archive)[-1] == (3, "naked eye", 300, "skew", 1, None, None)


def test_no_column_is_an_answer_too(archive: Archive) -> None:
    text = "run,defect,Pins\n1,tombstone,300\n1,tombstone,300\n2,none,300\n"
    answers = {"count": "(no column)", "inspected": "Pins"}
    assert {q.id for q in read_with_memory(archive, text.encode(), "c.csv").questions} == set(answers)
    got = take_in(archive, text, "c.csv", **answers)
    assert (got.clean, got.defects) == (1, 2)
    assert read_with_memory(archive, b"run,defect,Pins\n3,skew,300\n", "d.csv").questions == ()


def test_the_same_sheet_and_a_sheet_that_grew_count_nothing_twice(archive: Archive) -> None:
    text = "run,defect,count,inspected\n1,bridge,2,212\n2,,0,212\n"
    take_in(archive, text)
    before = rows(archive)
    again = take_in(archive, text)
    assert again.duplicate_of is not None
    assert rows(archive) == before
    grown = take_in(archive, text + "3,skew,1,212\n")
    assert (grown.inspections, grown.already_there) == (1, 2)
    assert len(rows(archive)) == 3
    assert verify(archive) == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("run,defect,count,inspected\n9,bridge,1,10\n", "line 2: there is no run '9'"),
        ("run,defect,count,inspected\n1,,2,10\n", "line 2: counts 2 but names no defect"),
        ("run,defect,count,inspected\n1,bridge,some,10\n", "'some' under count is not a whole number"),
        ("run,defect,count,inspected\n1,bridge,1,\n", "says nothing of how much was looked at"),
        ("run,defect,count,inspected\n1,bridge,1,0\n", "nothing was looked at"),
        ("run,defect,count,inspected,side\n1,bridge,1,10,top\n", "'top' is not a side of the oven"),
        ("serial,defect,count\n0999,bridge,1\n", "no run carried a board with the serial '0999'"),
        ("file,defect,count\nother.csv,bridge,1\n", "no run came from a file 'other.csv'"),
    ],
)
def test_every_wrong_line_is_named(archive: Archive, text: str, says: str) -> None:
    sheet = read_with_memory(archive, text.encode(), "sheet.csv")
    found, problems = inspections_of(archive, sheet)
    assert len(problems) == 1
    assert says in problems[0]
    assert all(not one.defects for one in found)


@pytest.mark.parametrize(
    ("data", "says"),
    [(b"", "it is empty"), (b"\x89PNG\r\n\x1a\n\x00\x00", "not a text file"), (b"one word\n", "has no table")],
)
def test_what_is_no_sheet_is_refused_in_one_line(data: bytes, says: str) -> None:
    with pytest.raises(ArchiveError, match=says) as caught:
        read_sheet(data, "x.csv")
    assert "\n" not in str(caught.value)


def test_an_answer_must_name_a_column() -> None:
    with pytest.raises(ArchiveError, match="has no column 'Fault'; its columns are: run, Result text"):
        read_sheet(UNKNOWN.encode(), "a.csv", {"defect": "Fault"})


def test_serials_and_words() -> None:
    assert serial_within("0104", "0101-0112, 0120")
    assert serial_within("0120", "0101-0112, 0120")
    assert serial_within("A7", "A5-A9")
    assert not serial_within("B7", "A5-A9")
    assert not serial_within("0113", "0101-0112, 0120")
    assert canonical("Solder-Balls") == canonical("solder ball") == "solder ball"
    assert canonical("Our  own Thing") == "our own thing"
    assert is_nothing("PASS")
    assert not is_nothing("bridge")
