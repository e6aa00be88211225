"""Evaluating stored runs: one as it comes in, all of them when the rules or the windows change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from analysis.checks.history import MINIMUM_RUNS
from analysis.evaluate import RULES_VERSION, batches, conclude, evaluate
from analysis.metrics.measuring import Measured
from analysis.results import Context, Evaluation
from analysis.store.comparable import (
    Key,
    Memory,
    Values,
    groups,
    history_before,
    ids_before,
    stored_values,
    usual_of,
    values_of,
)
from analysis.store.contexts import context_for, contexts_for
from analysis.store.metric_columns import metric_table

if TYPE_CHECKING:
    import pandas as pd

    from analysis.checks.history import History
    from ingest.archive import Archive
    from ingest.archive.connection import Connection
    from ingest.archive.derived import Tables
    from ingest.recording import Recording

RUNS_PER_TRANSACTION = 500  # about a second of work: other processes get their turn in between


class _EvaluateAndWrite:
    """Evaluates runs that come in and stores the result, inside the caller's transaction.

    By the windows of today the first time; later, when a value of the run was corrected, by the windows it was judged by
    as far as these still belong to it.
    """

    def __call__(self, con: Connection, run_id: int, recording: Recording) -> Evaluation:
        from ingest.archive.derived import write_evaluation

        evaluation = evaluate(recording, context_for(con, run_id, keep_windows=True), history_before(con, run_id))
        write_evaluation(con, run_id, evaluation)
        return evaluation

    def many(self, con: Connection, runs: Sequence[tuple[int, Recording]]) -> list[Evaluation]:
        """Several runs at once, all of them in the archive but for their evaluation; what comes back lacks most metrics.

        In the order of their starts, so that each is compared with those before it, of the same import too.
        """
        from ingest.archive.derived import tables_of, write_tables

        ids = [run_id for run_id, _ in runs]
        contexts = dict(contexts_for(con, ids, keep_windows=True))
        recordings = dict(runs)
        made = list(batches([recordings[run] for run in ids], [contexts[run] for run in ids]))
        batch_of = {ids[place]: (batch, run) for batch in made for run, place in enumerate(batch.measured.places)}
        found: dict[int, Evaluation] = {}
        values: dict[int, Values] = {}
        for run_id, key in groups(con, ids):
            before = ids_before(con, run_id) if key is not None else []
            values |= stored_values(con, [run for run in before if run not in values])
            history = usual_of([values[run] for run in before]) if len(before) >= MINIMUM_RUNS else None
            batch, place = batch_of[run_id]
            evaluation = conclude(batch, place, recordings[run_id], contexts[run_id], history, whole=False)
            values[run_id] = values_of(recordings[run_id], evaluation)
            found[run_id] = evaluation
        channels = {run: {no: channel.name for no, channel in enumerate(recordings[run].channels)} for run in ids}
        metrics = metric_table([batch.measured for batch in made], ids, RULES_VERSION)
        write_tables(con, ids, tables_of(list(found.items()), channels, metrics))
        return [found[run] for run in ids]


evaluate_and_write = _EvaluateAndWrite()


def reevaluate(
    archive: Archive,
    run_ids: Sequence[int] | None = None,
    *,
    keep_windows: bool = False,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> int:
    """Evaluate stored runs again (None: all), by the rules of today; returns how many.

    By the windows of today too, unless `keep_windows`. Runs are taken in the order they were made, as each is compared
    with the comparable runs before it. Groups of comparable runs are independent: `workers` processes share them;
    reading and writing stay in this one. `progress(done, total)` is called after each transaction.
    """
    from ingest.archive.derived import write_tables

    with archive.connect() as con:
        every = groups(con)
    wanted = every if run_ids is None else [item for item in every if item[0] in {int(x) for x in run_ids}]
    whole = len(wanted) == len(every)  # then every run's predecessors pass by here before it
    done = 0
    with _Pool(workers) as pool:
        for start in range(0, len(wanted), RUNS_PER_TRANSACTION):
            part = wanted[start : start + RUNS_PER_TRANSACTION]
            with archive.connect() as con:
                work = _load(con, part, keep_windows, whole)
            results = pool.evaluate(work)
            with archive.transaction() as con:
                for run_numbers, tables in results:
                    write_tables(con, run_numbers, tables)
            done += len(part)
            if progress is not None:
                progress(done, len(wanted))
    return done


def refresh(archive: Archive, *, workers: int = 1, progress: Callable[[int, int], None] | None = None) -> int:
    """Evaluate again what is not up to date; returns how many runs.

    They are judged by the windows they were judged by before, as far as these still belong to the run's paste, board and
    oven: neither new rules nor a corrected value bring new limits. Only runs of a window added with `rejudge` are judged
    by the windows of today.
    """
    from ingest.archive.derived import stale_runs

    with archive.connect() as con:
        stale = stale_runs(con, RULES_VERSION)
        marks = con.execute("SELECT run_id, stale FROM evaluation WHERE stale IS NOT NULL").fetchall()
    asked = {run for run, why in marks if "window" in why}  # the archive's words for a new revision to be judged by
    kept = [run for run in stale if run not in asked]
    done = reevaluate(archive, kept, keep_windows=True, workers=workers, progress=progress)
    return done + reevaluate(archive, [run for run in stale if run in asked], workers=workers, progress=progress)


def rejudge(archive: Archive, run_ids: Sequence[int] | None = None) -> pd.DataFrame:
    """What judging by the windows of today would change, without changing anything.

    One row a run whose verdict or limiting metric would differ: `run`, `verdict`, `limiting_metric`, `limiting_margin`
    as stored, and `new_verdict`, `new_limiting_metric`, `new_limiting_margin`, `new_reason`. `reevaluate` makes it so.
    """
    import pandas as pd

    rows = []
    with archive.connect() as con:
        every = groups(con)
        stored = {
            row[0]: row[1:]
            for row in con.execute(
                "SELECT run_id, verdict, limiting_metric, limiting_margin FROM evaluation"
            ).fetchall()
        }
    wanted = every if run_ids is None else [item for item in every if item[0] in {int(x) for x in run_ids}]
    memory = Memory()
    for start in range(0, len(wanted), RUNS_PER_TRANSACTION):
        with archive.connect() as con:
            work = _load(con, wanted[start : start + RUNS_PER_TRANSACTION], False, len(wanted) == len(every))
        for run_id, new in _evaluated(work, memory)[0]:
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


# run number, recording, context, group, and the usual of the runs before where it comes from the archive
Item = tuple[int, "Recording", Context, "Key | None", "History | None"]


def _load(con: Connection, part: Sequence[tuple[int, Key | None]], keep_windows: bool, whole: bool) -> list[Item]:
    """What evaluating these runs takes. Unless `whole`, what was usual before each run is read from the archive."""
    from ingest.archive.runs import load_recordings

    ids = [run for run, _ in part]
    contexts = dict(contexts_for(con, ids, keep_windows=keep_windows))
    recordings = dict(load_recordings(con, ids))
    return [
        (run, recordings[run], contexts[run], key if whole else None, None if whole else history_before(con, run))
        for run, key in part
    ]


def _evaluated(work: list[Item], memory: Memory) -> tuple[list[tuple[int, Evaluation]], list[Measured]]:
    """Evaluates in the order given. The evaluations lack most metrics: these are in what was measured."""
    made = list(batches([item[1] for item in work], [item[2] for item in work]))
    batch_of = {place: (batch, run) for batch in made for run, place in enumerate(batch.measured.places)}
    results = []
    for place, (run_id, recording, context, key, history) in enumerate(work):
        batch, run = batch_of[place]
        evaluation = conclude(batch, run, recording, context, history or memory.history(key), whole=False)
        memory.add(key, values_of(recording, evaluation))
        results.append((run_id, evaluation))
    return results, [batch.measured for batch in made]


def _evaluate_part(work: list[Item], memory: Memory) -> tuple[list[int], Tables, Memory]:
    """Run numbers, the rows to write about them, and the memory, as it may have been filled in another process."""
    from ingest.archive.derived import tables_of

    if not work:
        return [], {}, memory
    results, measured = _evaluated(work, memory)
    numbers = [run_id for run_id, _ in results]
    channels = {item[0]: {no: channel.name for no, channel in enumerate(item[1].channels)} for item in work}
    return numbers, tables_of(results, channels, metric_table(measured, numbers, RULES_VERSION)), memory


class _Pool:
    """Evaluates in this process, or shares groups between several started afresh (a fork would copy open locks)."""

    def __init__(self, workers: int) -> None:
        self._memories = [Memory() for _ in range(max(workers, 1))]
        self._share: dict[Key, int] = {}  # group -> the worker's share it belongs to
        self._pool = None

    def __enter__(self) -> _Pool:
        if len(self._memories) > 1:
            import multiprocessing
            from concurrent.futures import ProcessPoolExecutor

            self._pool = ProcessPoolExecutor(len(self._memories), mp_context=multiprocessing.get_context("spawn"))
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown()

    def evaluate(self, work: list[Item]) -> list[tuple[list[int], Tables]]:
        """Run numbers and the rows to write about them, a share each; those of one group in its order."""
        shares: list[list[Item]] = [[] for _ in self._memories]
        for item in work:
            # a group stays with the share it was first given, the emptiest one; runs without a group go anywhere
            key = item[3]
            emptiest = min(range(len(shares)), key=lambda i: len(shares[i]))
            shares[emptiest if key is None else self._share.setdefault(key, emptiest)].append(item)
        run = map if self._pool is None else self._pool.map
        done = list(run(_evaluate_part, shares, self._memories))
        self._memories = [memory for _, _, memory in done]
        return [(numbers, tables) for numbers, tables, _ in done if numbers]
