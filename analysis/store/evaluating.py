"""Evaluating stored runs: one as it comes in, all of them when the rules or the windows change."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from analysis.evaluate import RULES_VERSION, evaluate
from analysis.results import Evaluation
from analysis.store.comparable import history_before, order_of
from analysis.store.contexts import context_for, contexts_for

if TYPE_CHECKING:
    import pandas as pd

    from analysis.store.parts import Make, Part, T
    from analysis.together import Concluded
    from ingest.archive import Archive
    from ingest.archive.connection import Connection
    from ingest.archive.derived import Tables
    from ingest.recording import Recording

# Closing a connection writes a checkpoint, which costs nearly the same for few rows and for many: 0.1 to 0.3 ms of CPU a run
# at 500 runs, a tenth of that at 4000. The file is held for some tenths of a second each time.
RUNS_PER_TRANSACTION = 4000


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
        from analysis.metrics.stack import stacks_of
        from analysis.store.parts import Memory, Part, evaluate_part, settled_before

        order = order_of(con, [run_id for run_id, _ in runs])
        contexts = dict(contexts_for(con, order.runs, keep_windows=True))
        recordings = dict(runs)
        given = [recordings[run] for run in order.runs]
        stacks, alone = stacks_of(given)
        part = Part(
            order.runs,
            order.keys,
            order.before,
            [contexts[run] for run in order.runs],
            stacks,
            [(place, given[place]) for place in alone],
            settled_before(con, order.before, set(order.runs)),
        )
        found = evaluate_part(part, Memory())
        _write(con, _tables(part, found))
        place = {run: place for place, run in enumerate(order.runs)}
        return [found.evaluation(place[run]) for run, _ in runs]


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
    with the comparable runs before it. Reading and writing stay in this thread; one worker evaluates beside it in another,
    several are processes that share the groups of comparable runs. `progress(done, total)` is called after each transaction.
    """
    done = 0
    for written, total in _in_parts(archive, run_ids, keep_windows, workers, _tables, _write):
        done += sum(written)
        if progress is not None:
            progress(done, total)
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

    with archive.connect() as con:
        stored = {
            row[0]: row[1:]
            for row in con.execute(
                "SELECT run_id, verdict, limiting_metric, limiting_margin FROM evaluation"
            ).fetchall()
        }
    rows = []
    for found, _ in _in_parts(archive, run_ids, False, 1, _verdicts, None):
        for run_id, new_verdict, new_metric, new_margin, new_reason in (row for share in found for row in share):
            verdict, metric, margin = stored.get(run_id, (None, None, None))
            if (verdict, metric) != (new_verdict, new_metric):
                rows.append((run_id, verdict, metric, margin, new_verdict, new_metric, new_margin, new_reason))
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


def _in_parts(
    archive: Archive,
    run_ids: Sequence[int] | None,
    keep_windows: bool,
    workers: int,
    make: Make[T],
    write: Callable[[Connection, T], Any] | None,
) -> Iterator[tuple[list, int]]:
    """Evaluates runs part by part: what was made of each part, share by share (what `write` gives back, where there is
    one), and how many runs there are in all. The next part is read in the opening in which the last is written."""
    from analysis.store.parts import AHEAD, Evaluating, load_part

    with archive.connect() as con:
        order = order_of(con) if run_ids is None else order_of(con, sorted({int(x) for x in run_ids}))
    total, wanted = len(order.runs), set(order.runs)
    parts = _parts(total)
    with Evaluating(workers, make) as evaluating:
        for step in range(len(parts) + AHEAD):
            results = list(evaluating.take()) if step >= AHEAD and step - AHEAD < len(parts) else None
            part = None
            if results is not None or step < len(parts):
                with archive.connect() as con:
                    if results is not None and write is not None:
                        with archive.transaction(con):
                            results = [write(con, one) for one in results]
                    if step < len(parts):
                        part = load_part(con, order, *parts[step], wanted, keep_windows)
            if part is not None:
                evaluating.give(part)
            if results is not None:
                yield results, total


def _parts(total: int) -> list[tuple[int, int]]:
    """From where to before where the parts reach. The first ones are small, as nobody evaluates while they are read."""
    ends, size = [0], RUNS_PER_TRANSACTION // 8
    while ends[-1] < total:
        size = min(max(2 * size, 1), RUNS_PER_TRANSACTION)
        ends.append(min(ends[-1] + size, total))
    return list(pairwise(ends))


def _tables(part: Part, found: Concluded) -> tuple[list[int], Tables]:
    """Run numbers, and the rows to write about them."""
    from analysis.store.result_tables import result_tables

    return part.runs, result_tables(found, part.runs, part.names(list(found.evaluations)))


def _write(con: Connection, made: tuple[list[int], Tables]) -> int:
    from ingest.archive.derived import write_tables

    write_tables(con, *made)
    return len(made[0])


def _verdicts(part: Part, found: Concluded) -> list[tuple[int, str, str | None, float | None, str | None]]:
    """(run, verdict, limiting metric, its margin, reason)"""
    rows = []
    for place, run in enumerate(part.runs):
        new = found.evaluation(place)
        metric, margin = (new.limiting.limit.metric, new.limiting.margin) if new.limiting else (None, None)
        rows.append((run, new.verdict, metric, margin, new.reason))
    return rows
