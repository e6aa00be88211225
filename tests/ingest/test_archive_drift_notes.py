"""Answers to calls, choices about comparison and settings in the archive: kept, taken back, never edited."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from archive_bakes import entry, recording

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive import drift_notes as notes
from ingest.archive.changes import changes_of
from ingest.archive.logs import store_log
from ingest.archive.reference import add_oven
from ingest.archive.verify import verify

CALL = {"id": "abc123", "series": "hold_duty", "channel": None, "since_run_interval": [3, 9]}


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = open_archive(tmp_path / "a.duckdb")
    with made.transaction() as con:
        add_oven(con, "Oven A")
        store_log(con, entry(), [recording()], [{}])
    return made


def test_answers_are_kept_with_the_call_as_it_was_shown(archive: Archive) -> None:
    with archive.transaction() as con:
        first = notes.answer_call(con, 1, CALL, "watch", who="me")
        notes.answer_call(con, 1, CALL, "fixed", note="new element")
        rows = notes.list_answers(con)
    assert rows["answer"].tolist() == ["watch", "fixed"]
    assert json.loads(rows["call"].iloc[0]) == CALL
    with archive.transaction() as con:
        notes.withdraw_answer(con, first, "me")
        assert notes.list_answers(con, 1)["answer"].tolist() == ["fixed"]
        assert changes_of(con, "drift_answer")["who"].tolist() == ["me"]
        with pytest.raises(ArchiveError, match="no open answer"):
            notes.withdraw_answer(con, first)
    assert archive.read("SELECT count(*) AS n FROM drift_answer")["n"].iloc[0] == 2  # nothing is ever removed
    assert verify(archive) == []


def test_nonsense_is_refused_in_one_line(archive: Archive) -> None:
    refused = (
        (lambda con: notes.answer_call(con, 1, CALL, "maybe"), "is no answer"),
        (lambda con: notes.answer_call(con, 9, CALL, "false"), "there is no oven 9"),
        (lambda con: notes.answer_call(con, 1, CALL, "false", event_id=5), "there is no event 5"),
        (lambda con: notes.choose_run(con, 1, "hidden", "x"), "is no choice"),
        (lambda con: notes.choose_run(con, 1, "left out", "  "), "say why"),
        (lambda con: notes.choose_run(con, 77, "left out", "x"), "there is no run 77"),
        (lambda con: notes.withdraw_choice(con, 1), "nobody left run 1 out"),
        (lambda con: notes.set_drift(con, 1, reference_every_days=-1, false_calls_per_100_runs=None), "makes no sense"),
        (lambda con: notes.set_drift(con, 1, reference_every_days=None, false_calls_per_100_runs=50), "at most 10"),
    )
    for act, text in refused:
        with archive.connect() as con, pytest.raises(ArchiveError, match=text) as problem:
            act(con)
        assert "\n" not in str(problem.value)


def test_the_last_choice_about_a_run_counts_until_it_is_taken_back(archive: Archive) -> None:
    with archive.transaction() as con:
        notes.choose_run(con, 1, "left out", "door opened", "me")
        notes.choose_run(con, 1, "taken in", "it was not")
        assert notes.list_choices(con)[["run", "choice", "why"]].values.tolist() == [[1, "taken in", "it was not"]]
        notes.withdraw_choice(con, 1)
        assert notes.list_choices(con).empty
    assert archive.read("SELECT count(*) AS n FROM comparison_choice")["n"].iloc[0] == 2


def test_the_newest_setting_of_an_oven_counts(archive: Archive) -> None:
    with archive.transaction() as con:
        notes.set_drift(con, 1, reference_every_days=7, false_calls_per_100_runs=0.5)
        notes.set_drift(con, 1, reference_every_days=14, false_calls_per_100_runs=None)
        rows = notes.drift_settings(con)
    assert rows["reference_every_days"].tolist() == [14]
    assert rows["false_calls_per_100_runs"].isna().all()
