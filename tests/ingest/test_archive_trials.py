"""Questions asked beforehand and planned trials in the archive."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_archive_logs import entry, recording

from ingest.archive import Archive, ArchiveError, open_archive, trials
from ingest.archive.logs import store_log
from ingest.archive.quality import add_inspection
from ingest.archive.verify import verify

GIVEN = {"defect": "tombstone", "change": "longer soak", "arm_a": "90 s", "arm_b": "110 s", "runs_per_arm": 4}


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    archive = open_archive(tmp_path / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        for number in range(1, 5):
            store_log(con, entry(number), [recording(number)])
        # the sample recordings lie in the past; these runs have no known start
        con.execute("UPDATE run SET started_at = NULL WHERE run_id > 1")
    return archive


def test_runs_join_alternately_and_only_before_they_are_inspected(archive: Archive) -> None:
    with archive.transaction() as con:
        trial = trials.plan_trial(con, "soak", **GIVEN)
        assert [trials.add_trial_run(con, trial, run) for run in (2, 3)] == ["a", "b"]
        add_inspection(con, 4, "loupe", joints_looked=9)
        for run, says in ((2, "in this trial already"), (4, "inspected already"), (1, "before the trial was planned")):
            with pytest.raises(ArchiveError, match=says):
                trials.add_trial_run(con, trial, run)
    members = trials.trial_runs
    with archive.connect() as con:
        assert members(con)[["run", "arm", "planned_arm"]].values.tolist() == [[2, "a", "a"], [3, "b", "b"]]
    assert verify(archive) == []


def test_an_arm_out_of_turn_is_kept_as_such(archive: Archive) -> None:
    with archive.transaction() as con:
        trial = trials.plan_trial(con, "soak", **GIVEN)
        assert trials.add_trial_run(con, trial, 2, "b") == "b"
        assert trials.trial_runs(con)[["arm", "planned_arm"]].values.tolist() == [["b", "a"]]
        assert trials.next_arm(con, trial) == "a"
        trials.close_trial(con, trial, "enough", "Kim")
        with pytest.raises(ArchiveError, match="closed"):
            trials.add_trial_run(con, trial, 3)
        with pytest.raises(ArchiveError, match="no open trial"):
            trials.close_trial(con, trial, None)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"runs_per_arm": 3}, "cannot show anything"),
        ({"arm_b": "90 s"}, "must differ"),
        ({"change": " "}, "needs its change"),
    ],
)
def test_a_trial_that_could_show_nothing_is_refused(archive: Archive, given: dict, says: str) -> None:
    with archive.transaction() as con, pytest.raises(ArchiveError, match=says):
        trials.plan_trial(con, "soak", **(GIVEN | given))


def test_a_question_keeps_its_date_and_is_asked_once(archive: Archive) -> None:
    with archive.transaction() as con:
        first = trials.ask_question(con, "tombstone", "melt_lag_s", None, "Kim")
        assert trials.ask_question(con, "tombstone", "melt_lag_s") == first
        assert len(trials.list_questions(con)) == 1
        trials.withdraw_question(con, first, "Kim")
        assert trials.list_questions(con).empty
        with pytest.raises(ArchiveError, match="no open question"):
            trials.withdraw_question(con, first)
        with pytest.raises(ArchiveError, match="needs a defect"):
            trials.ask_question(con, " ", "melt_lag_s")
    assert archive.read("SELECT count(*) AS n FROM question")["n"].item() == 1
