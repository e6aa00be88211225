"""What the archive knows about defects, for analysis.defects."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from analysis.defects.records import METRICS, DefectRecords, assemble
from analysis.store.frames import metric_values
from analysis.verdict import CREDIBILITY

if TYPE_CHECKING:
    import pandas as pd

    from ingest.archive import Archive

# The jar gives the paste where the run itself names none. The range lets DuckDB skip whole row groups, the list picks within.
_AMONG = "BETWEEN $low AND $high AND {run} IN (SELECT unnest($runs::INTEGER[]))"
_RUNS = f"""
SELECT o.run, o.started_at, o.kind, o.board, o.board_revision, o.oven, o.profile, o.operator, o.orientation, o.ambient_c,
       o.jar, o.lot, o.complete, o.verdict, p.name AS paste, j.opened_at, b.joints AS board_joints
FROM run_overview o JOIN run r ON r.run_id = o.run LEFT JOIN jar j USING (jar_id)
LEFT JOIN paste p ON p.paste_id = coalesce(r.paste_id, j.paste_id) LEFT JOIN board b USING (board_id)
WHERE o.run {_AMONG.format(run="o.run")} ORDER BY o.started_at NULLS LAST, o.run
"""
_INSPECTED = """
SELECT run_id FROM run SEMI JOIN inspection USING (run_id) ORDER BY started_at DESC NULLS FIRST, run_id DESC
"""
_COUNTS = """
SELECT count(*) AS runs, count(*) FILTER ((kind IS NULL OR kind = 'product') AND run_id NOT IN (SELECT run_id FROM inspection))
       AS waiting FROM run
"""


def defect_records(archive: Archive, runs: Sequence[int] | None = None, *, newest: int | None = None) -> DefectRecords:
    """Everything inspected, with its factors. `runs`: only these (a trial's, say), else all, or the `newest` inspected."""
    with archive.connect() as con:
        inspected = [int(row[0]) for row in con.execute(_INSPECTED).fetchall()]
        counts: tuple[Any, ...] = con.execute(_COUNTS).fetchone() or (0, 0)
    chosen = inspected if runs is None else sorted(set(runs) & set(inspected))
    if newest is not None:
        chosen = chosen[:newest]
    frame = archive.read(_RUNS, _among(chosen))
    looked = archive.read(f"SELECT * FROM defect_long WHERE run {_AMONG.format(run='run')}", _among(chosen))
    metrics = metric_values(archive, METRICS, chosen)
    return assemble(
        frame,
        looked,
        metrics,
        _doubted(archive, chosen),
        archive.zone,
        not_inspected=int(counts[1]),
        all_runs=int(counts[0]),
        all_inspected=len(inspected),
    )


def factors_of_run(archive: Archive, run: int) -> pd.DataFrame:
    """One row with the factors of a run, inspected or not; empty when there is no such run."""
    from analysis.defects.records import with_factors

    frame = archive.read(_RUNS, _among([run]))
    return with_factors(frame, metric_values(archive, METRICS, [run]), _doubted(archive, [run]), archive.zone)


def _among(runs: Sequence[int]) -> dict[str, Any]:
    return {"low": min(runs, default=0), "high": max(runs, default=-1), "runs": list(runs)}


def _doubted(archive: Archive, runs: Sequence[int]) -> pd.DataFrame:
    return archive.read(
        f"SELECT DISTINCT run, channel FROM finding WHERE run {_AMONG.format(run='run')} AND state = 'fail' "
        "AND channel IS NOT NULL AND code IN (SELECT unnest($codes::VARCHAR[]))",
        {**_among(runs), "codes": sorted(CREDIBILITY)},
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
