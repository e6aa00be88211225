"""Every run of a data set evaluated by the rules of today; results back to Parquet."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.evaluate import batches, conclude
from analysis.fleet.results import FOLDER, ovens_of, read_parts, write_parts
from analysis.fleet.running import run_chains
from analysis.store.comparable import Memory, groups, values_of
from analysis.store.contexts import contexts_for
from ingest.archive.derived import write_evaluations
from ingest.archive.runs import load_recordings
from ingest.dataset import Manifest, Part, place_of, read_manifests
from ingest.dataset_archive import in_memory
from ingest.publishing import DERIVED, contents, export, name_runs

RUNS_PER_STEP = 200  # about two seconds of work: less is mostly overhead, more is lost with a worker that dies

# Runs of other months are needed for the time since the run before; their samples are not.
_EVERY_MONTH = frozenset({"runs", "logs"})
_THESE_MONTHS = frozenset({"channels", "samples", "evaluations"})


@dataclass(frozen=True)
class Months:
    """A step: some months of one oven. `manifests`: those of the oven; `have`: result files that lie there already."""

    place: str
    manifests: tuple[Manifest, ...]
    oven: str | None
    months: tuple[str | None, ...]
    keep_windows: bool
    have: frozenset[str]


@dataclass(frozen=True)
class Evaluated:
    """`verdicts`: verdict -> runs; `partitions`: months of ovens."""

    runs: int
    partitions: int
    ovens: int
    verdicts: dict[str, int]


def evaluate_dataset(
    data: str,
    *,
    scheduler: str | None = None,
    workers: int = 1,
    keep_windows: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Evaluated:
    """Evaluate all runs of the data set at `data`, as `analysis.store.reevaluate` does with an archive's.

    By the windows of today, unless `keep_windows`; `scheduler`, `workers` as `run_chains`; `progress(done, of)` counts
    partitions. Results lie below fleet/ of the data set and count once all are there. Raises ArchiveError.
    """
    place = place_of(data)
    manifests = read_manifests(place)
    before = read_parts(place, "evaluation")
    have = frozenset(name for part in before for name in part.files.values())
    ovens = ovens_of(manifests)
    chains = [
        [Months(str(place), tuple(own), oven, months, keep_windows, have) for months in _steps(own)]
        for oven, own in ovens.items()
    ]
    chains.sort(key=len, reverse=True)  # the longest first: the others fill up the time beside it
    total = sum(len(step.months) for chain in chains for step in chain)
    parts: list[Part] = []
    verdicts: Counter[str] = Counter()
    for done, counts in run_chains(evaluate_months, chains, scheduler=scheduler, workers=workers):
        parts += done
        verdicts.update(counts)
        if progress is not None:
            progress(len(parts), total)
    with tempfile.TemporaryDirectory(prefix="ovenbook-fleet-") as folder:
        write_parts(place, "evaluation", parts, before, Path(folder))
    return Evaluated(sum(part.runs for part in parts), total, len(ovens), dict(verdicts))


def _steps(manifests: Sequence[Manifest]) -> Iterator[tuple[str | None, ...]]:
    """The months of one oven in order, put together until a step is worth its overhead. Runs without a start come first."""
    runs: Counter[str | None] = Counter()
    for manifest in manifests:
        for part in manifest.parts:
            runs[part.month] += part.runs
    step: list[str | None] = []
    for month in sorted(runs, key=lambda month: month or ""):
        step.append(month)
        if sum(runs[m] for m in step) >= RUNS_PER_STEP:
            yield tuple(step)
            step = []
    if step:
        yield tuple(step)


def evaluate_months(step: Months, memory: Memory | None) -> tuple[tuple[list[Part], dict[str, int]], Memory]:
    """One step: reads its months, evaluates their runs in order, writes the results. Hands on what was usual."""
    memory = memory or Memory()

    def needed(table: str, part: Part) -> str | None:
        wanted = table in _EVERY_MONTH or (table in _THESE_MONTHS and part.month in step.months)
        return part.files.get(table) if wanted else None

    place = place_of(step.place)
    with tempfile.TemporaryDirectory(prefix="ovenbook-fleet-") as folder:
        scratch = Path(folder)
        with in_memory(place, step.manifests, step.oven, scratch, needed) as con:
            ids = [row[0] for row in con.execute("SELECT DISTINCT run_id FROM channel ORDER BY run_id").fetchall()]
            recordings = dict(load_recordings(con, ids))
            contexts = dict(contexts_for(con, ids, keep_windows=step.keep_windows))
            work = [(run_id, key) for run_id, key in groups(con) if run_id in recordings]
            # Measured together, judged in the order they were made: each is compared with those before it.
            together = batches([recordings[run_id] for run_id, _ in work], [contexts[run_id] for run_id, _ in work])
            batch_of = {at: (batch, n) for batch in together for n, at in enumerate(batch.measured.places)}
            results = []
            for at, (run_id, key) in enumerate(work):
                recording = recordings[run_id]
                history = memory.history(key)
                evaluation = conclude(*batch_of[at], recording, contexts[run_id], history, whole=True)
                memory.add(key, values_of(recording, evaluation))
                results.append((run_id, evaluation))
            write_evaluations(con, results)
            name_runs(con, None, ids)
            parts = []
            for partition, known in contents(con, DERIVED).items():
                name_runs(con, None, known[0])
                part, files = export(con, partition, known, scratch, "evaluated", step.have, below=FOLDER)
                parts.append(part)
                for name, file in files.items():
                    place.put(file, name)
    return (parts, dict(Counter(evaluation.verdict for _, evaluation in results))), memory
