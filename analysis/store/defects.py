"""What the archive knows about defects, for analysis.defects."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.defects.records import METRICS, DefectRecords, assemble
from analysis.store.frames import metric_values
from analysis.verdict import CREDIBILITY

if TYPE_CHECKING:
    import pandas as pd

    from ingest.archive import Archive

# The jar gives the paste where the run itself names none.
_RUNS = """
SELECT o.run, o.started_at, o.kind, o.board, o.board_revision, o.oven, o.profile, o.operator, o.orientation, o.ambient_c,
       o.jar, o.lot, o.complete, o.verdict, p.name AS paste, j.opened_at, b.joints AS board_joints
FROM run_overview o JOIN run r ON r.run_id = o.run LEFT JOIN jar j USING (jar_id)
LEFT JOIN paste p ON p.paste_id = coalesce(r.paste_id, j.paste_id) LEFT JOIN board b USING (board_id)
ORDER BY o.started_at NULLS LAST, o.run
"""


def defect_records(archive: Archive, runs: list[int] | None = None) -> DefectRecords:
    """Everything inspected, with its factors. `runs`: only these (for one run's expected defects), else all."""
    frame = archive.read(_RUNS)
    inspections = archive.read("SELECT * FROM defect_long")
    wanted = inspections["run"].unique().tolist() if runs is None else runs
    metrics = metric_values(archive, METRICS, wanted) if len(wanted) else metric_values(archive, METRICS, [])
    return assemble(frame, inspections, metrics, _doubted(archive), archive.zone)


def factors_of_run(archive: Archive, run: int) -> pd.DataFrame:
    """One row with the factors of a run, inspected or not; empty when there is no such run."""
    from analysis.defects.records import with_factors

    frame = archive.read(_RUNS)
    return with_factors(
        frame[frame["run"] == run], metric_values(archive, METRICS, [run]), _doubted(archive), archive.zone
    )


def _doubted(archive: Archive) -> pd.DataFrame:
    return archive.read(
        "SELECT DISTINCT run, channel FROM finding WHERE state = 'fail' AND channel IS NOT NULL "
        "AND code IN (SELECT unnest(?::VARCHAR[]))",
        (sorted(CREDIBILITY),),
    )


def open_questions(archive: Archive) -> list[dict[str, Any]]:
    """Questions asked beforehand and not withdrawn: question_id, defect, factor, text, asked_at (UTC)."""
    from ingest.archive.trials import list_questions

    with archive.connect() as con:
        return [{str(k): v for k, v in row.items()} for row in list_questions(con).to_dict("records")]


def trial_frames(archive: Archive) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All trials, and their runs."""
    from ingest.archive.trials import list_trials, trial_runs

    with archive.connect() as con:
        return list_trials(con), trial_runs(con)
