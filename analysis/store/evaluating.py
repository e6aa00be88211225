"""Evaluating stored runs: one as it comes in, all of them when the rules or the windows change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from analysis.evaluate import RULES_VERSION, evaluate
from analysis.results import Context, Evaluation
from analysis.store.contexts import context_for, contexts_for

if TYPE_CHECKING:
    import pandas as pd

    from ingest.archive import Archive
    from ingest.archive.connection import Connection
    from ingest.recording import Recording

RUNS_PER_TRANSACTION = 500  # about a second of work: other processes get their turn in between


def evaluate_and_write(con: Connection, run_id: int, recording: Recording) -> Evaluation:
    """Evaluate a run by the windows of today and store the result, inside the caller's transaction."""
    from ingest.archive.derived import write_evaluation

    evaluation = evaluate(recording, context_for(con, run_id))
    write_evaluation(con, run_id, evaluation)
    return evaluation


def reevaluate(
    archive: Archive,
    run_ids: Sequence[int] | None = None,
    *,
    keep_windows: bool = False,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> int:
    """Evaluate stored runs again (None: all), by the rules of today; returns how many.

    By the windows of today too, unless `keep_windows`. `workers` processes share the work; writing stays in this one.
    `progress(done, total)` is called after each transaction.
    """
    from ingest.archive.derived import write_evaluations
    from ingest.archive.runs import run_ids as every_run

    with archive.connect() as con:
        wanted = every_run(con) if run_ids is None else sorted({int(x) for x in run_ids})
    done = 0
    with _Pool(workers) as pool:
        for start in range(0, len(wanted), RUNS_PER_TRANSACTION):
            part = wanted[start : start + RUNS_PER_TRANSACTION]
            with archive.connect() as con:
                work = _load(con, part, keep_windows)
            results = pool.evaluate(work)
            with archive.transaction() as con:
                write_evaluations(con, results)
            done += len(part)
            if progress is not None:
                progress(done, len(wanted))
    return done


def refresh(archive: Archive, *, workers: int = 1, progress: Callable[[int, int], None] | None = None) -> int:
    """Evaluate again what is not up to date; returns how many runs.

    Runs evaluated under earlier rules are judged by the windows they were judged by; runs whose paste, board, oven or
    window changed since are judged by the windows of today.
    """
    from ingest.archive.derived import stale_runs

    with archive.connect() as con:
        stale = stale_runs(con, RULES_VERSION)
        changed = {row[0] for row in con.execute("SELECT run_id FROM evaluation WHERE stale IS NOT NULL").fetchall()}
    old_rules = [run for run in stale if run not in changed]
    done = reevaluate(archive, old_rules, keep_windows=True, workers=workers, progress=progress)
    return done + reevaluate(archive, [run for run in stale if run in changed], workers=workers, progress=progress)


def rejudge(archive: Archive, run_ids: Sequence[int] | None = None) -> pd.DataFrame:
    """What judging by the windows of today would change, without changing anything.

    One row a run whose verdict or limiting metric would differ: `run`, `verdict`, `limiting_metric`, `limiting_margin`
    as stored, and `new_verdict`, `new_limiting_metric`, `new_limiting_margin`, `new_reason`. `reevaluate` makes it so.
    """
    import pandas as pd

    from ingest.archive.runs import run_ids as every_run

    rows = []
    with archive.connect() as con:
        wanted = every_run(con) if run_ids is None else sorted({int(x) for x in run_ids})
        stored = {
            row[0]: row[1:]
            for row in con.execute(
                "SELECT run_id, verdict, limiting_metric, limiting_margin FROM evaluation"
            ).fetchall()
        }
    for start in range(0, len(wanted), RUNS_PER_TRANSACTION):
        with archive.connect() as con:
            work = _load(con, wanted[start : start + RUNS_PER_TRANSACTION], keep_windows=False)
        for run_id, recording, context in work:
            new = evaluate(recording, context)
            verdict, metric, margin = stored.get(run_id, (None, None, None))
            new_metric = new.limiting.limit.metric if new.limiting else None
            if (verdict, metric) != (new.verdict, new_metric):
                new_margin = new.limiting.margin if new.limiting else None
                rows.append((run_id, verdict, metric, margin, new.verdict, new_metric, new_margin, new.reason))
    return pd.DataFrame(
        rows,
        columns=[
            "run",
            "verdict",
            "limiting_metric",
            "limiting_margin",
            "new_verdict",
            "new_limiting_metric",
            "new_limiting_margin",
            "new_reason",
        ],
    )


Work = list[tuple[int, "Recording", Context]]


def _load(con: Connection, run_ids: Sequence[int], keep_windows: bool) -> Work:
    from ingest.archive.runs import load_recordings

    contexts = dict(contexts_for(con, run_ids, keep_windows=keep_windows))
    return [(run_id, recording, contexts[run_id]) for run_id, recording in load_recordings(con, run_ids)]


def _evaluate_part(work: Work) -> list[tuple[int, Evaluation]]:
    return [(run_id, evaluate(recording, context)) for run_id, recording, context in work]


class _Pool:
    """Evaluates in this process, or shares the work between several started afresh (a fork would copy open locks)."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool = None

    def __enter__(self) -> _Pool:
        if self._workers > 1:
            import multiprocessing
            from concurrent.futures import ProcessPoolExecutor

            self._pool = ProcessPoolExecutor(self._workers, mp_context=multiprocessing.get_context("spawn"))
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown()

    def evaluate(self, work: Work) -> list[tuple[int, Evaluation]]:
        """Results in the order of the work."""
        if self._pool is None:
            return _evaluate_part(work)
        size = max(len(work) // (self._workers * 4), 1)
        parts = [work[i : i + size] for i in range(0, len(work), size)]
        return [result for part in self._pool.map(_evaluate_part, parts) for result in part]
