"""What is written of many runs evaluated at once is, row by row, what is written of each as it comes in.

An identity, no outside source. Invented runs: one oven on many days, some with a bad channel, and every planted fault.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from planted_faults import FAULTS, plant
from test_store import START, put
from test_together import days

from analysis import store
from analysis.store import evaluating
from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive import reference as ref
from ingest.archive.runs import load_recording

TABLES = {
    "metric": "run_id, channel_no, metric, parameters, value, uncertainty, unit, status, reason, rules_version",
    "limit_result": "*",
    "finding_row": "*",
    "evaluation": "* EXCLUDE evaluated_at",
}


@pytest.fixture
def archive(tmp_path) -> Archive:
    made = open_archive(tmp_path / "book.duckdb")
    store.seed_defaults(made)
    with made.transaction() as con:
        paste = ref.add_paste(con, "Invented 305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        ovens = [ref.add_oven(con, "north", control_channel="TC left"), ref.add_oven(con, "south")]
    runs = [(recording, context.ambient_c) for recording, context in days(3, 28, tips=4, faulty=0.15)]
    cases = [plant(code, np.random.default_rng([5, 11]), 1.0) for code in FAULTS]
    runs += [(case.recording, case.context.ambient_c) for case in cases]
    for number, (recording, ambient) in enumerate(runs):
        fields = {"oven": ovens[number % 5 == 0], "setpoint_hash": "abc" if number < 28 else f"{number}"}
        if number % 3:
            fields["paste"] = paste
        if ambient is not None:
            fields["ambient_c"] = ambient
        started = replace(recording, started_at=START + timedelta(hours=5 * number), zone="UTC")
        put(made, started, **fields)
    return made


def rows(archive: Archive) -> dict:
    """Every table's rows, those of a run in the order they were written."""
    return {
        table: archive.read(f"SELECT {columns} FROM {table} ORDER BY run_id, rowid")
        for table, columns in TABLES.items()
    }


def test_evaluated_again_together_is_as_written_one_by_one(archive: Archive, monkeypatch) -> None:
    before = rows(archive)
    assert len(before["evaluation"]) == 28 + len(FAULTS)
    assert {"fails", "not evaluated"} <= set(before["evaluation"]["verdict"])
    assert store.reevaluate(archive) == 28 + len(FAULTS)
    for table, frame in rows(archive).items():
        assert frame.equals(before[table]), table
    monkeypatch.setattr(evaluating, "RUNS_PER_TRANSACTION", 7)
    store.reevaluate(archive)
    store.reevaluate(archive, [3, 9, 10, 20, 31])
    for table, frame in rows(archive).items():
        assert frame.equals(before[table]), table
    assert store.rejudge(archive).empty


def test_evaluated_together_as_they_come_in(archive: Archive) -> None:
    before = rows(archive)
    with archive.connect() as con:
        runs = [(run, load_recording(con, run)) for run in range(1, 29)]
    with archive.transaction() as con:
        found = store.evaluate_and_write.many(con, runs[::-1])
    for table, frame in rows(archive).items():
        assert frame.equals(before[table]), table
    verdicts = dict(zip(before["evaluation"]["run_id"], before["evaluation"]["verdict"], strict=True))
    assert [one.verdict for one in found] == [verdicts[run] for run, _ in runs[::-1]]


def test_a_run_that_has_lost_its_samples_or_channels_is_said_in_one_line(archive: Archive) -> None:
    for table in ("channel", "sample_values"):
        with archive.transaction() as con:
            con.execute(f"DELETE FROM {table} WHERE run_id = 5")
        with pytest.raises(ArchiveError, match="samples of run 5 are lost"):
            store.reevaluate(archive)
