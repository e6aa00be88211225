"""Drift of every oven of a data set; calls back to Parquet."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.fleet.results import FOLDER, ovens_of, read_parts, write_parts
from analysis.fleet.running import run_chains
from ingest.archive import ArchiveError
from ingest.dataset import Manifest, Part, partition_path, place_of, read_manifests
from ingest.dataset_archive import build_archive
from ingest.publishing import DERIVED

_NOT_NEEDED = frozenset({"samples", "originals"})


@dataclass(frozen=True)
class Oven:
    """A step: all months of one oven. `results`: parts of the fleet's evaluation to use instead of what was published."""

    place: str
    manifests: tuple[Manifest, ...]
    oven: str
    results: tuple[Part, ...]


@dataclass(frozen=True)
class OvenCalls:
    """What was found on one oven: `calls` as the items of `drift --json`; `reason`: why nothing can be said, or None."""

    oven: str
    runs: int
    reason: str | None
    calls: tuple[dict[str, Any], ...]


def drift_of_dataset(
    data: str,
    *,
    scheduler: str | None = None,
    workers: int = 1,
    evaluated: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[OvenCalls]:
    """Watch every named oven of the data set, as `analysis.store.drift.oven_report` does in an archive; by oven.

    `evaluated`: over the metrics of `evaluate_dataset` instead of the published ones; ArchiveError when there are none.
    """
    place = place_of(data)
    manifests = read_manifests(place)
    results = read_parts(place, "evaluation") if evaluated else []
    if evaluated and not results:
        raise ArchiveError(f"{place} has not been evaluated by the fleet: ovenbook fleet evaluate --data {place}")
    before = read_parts(place, "drift")
    chains = [
        [Oven(str(place), tuple(own), oven, tuple(part for part in results if part.oven == oven))]
        for oven, own in ovens_of(manifests).items()
        if oven is not None
    ]
    parts: list[Part] = []
    found: list[OvenCalls] = []
    for part, calls in run_chains(drift_of_oven, chains, scheduler=scheduler, workers=workers):
        parts.append(part)
        found.append(calls)
        if progress is not None:
            progress(len(found), len(chains))
    with tempfile.TemporaryDirectory(prefix="ovenbook-fleet-") as folder:
        write_parts(place, "drift", parts, before, Path(folder))
    return sorted(found, key=lambda calls: calls.oven)


def drift_of_oven(step: Oven, _: None) -> tuple[tuple[Part, OvenCalls], None]:
    """One step: the oven's runs without their samples as an archive of their own, watched like any other."""
    from analysis.store.drift import oven_report

    place = place_of(step.place)

    def needed(table: str, part: Part) -> str | None:
        replaced = step.results and table in DERIVED
        return None if table in _NOT_NEEDED or replaced else part.files.get(table)

    with tempfile.TemporaryDirectory(prefix="ovenbook-fleet-") as folder:
        scratch = Path(folder)
        derived = {
            table: [place.local(part.files[table], scratch) for part in step.results if table in part.files]
            for table in DERIVED
        }
        archive = build_archive(
            place,
            scratch / "oven.duckdb",
            manifests=step.manifests,
            oven=step.oven,
            choose=needed,
            derived=derived if step.results else None,
        )
        report = oven_report(archive, step.oven)
        calls = OvenCalls(step.oven, len(report.drift.runs), report.drift.reason, tuple(report.calls_json()))
        folder_name = partition_path(step.oven, None).partition("/")[0]
        name = f"{FOLDER}drift/{folder_name}/{_digest(calls)}.parquet"
        file = scratch / "calls.parquet"
        _write(calls, _names(archive), file)
        place.put(file, name)
    return (Part(step.oven, None, calls.runs, {"drift": name}), calls), None


def _names(archive: Any) -> dict[int, str]:
    rows = archive.read("SELECT run, sha256, part FROM run_overview")
    return {
        int(run): f"{sha256}-{part}"
        for run, sha256, part in zip(rows["run"], rows["sha256"], rows["part"], strict=True)
    }


def _digest(calls: OvenCalls) -> str:
    text = json.dumps([calls.oven, calls.runs, calls.reason, calls.calls], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _write(found: OvenCalls, names: dict[int, str], to: Path) -> None:
    """A row a call with its main values and the whole as JSON; an oven without a call has one row that says so."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    calls: Sequence[dict[str, Any] | None] = found.calls or (None,)

    def column(key: str) -> list[Any]:
        return [None if call is None else call[key] for call in calls]

    texts = ("id", "series", "channel", "kind", "since", "unit", "tier", "state")
    since = column("since_run")
    columns = {
        "oven": pa.array([found.oven] * len(calls), pa.string()),
        "runs": pa.array([found.runs] * len(calls), pa.int64()),
        "reason": pa.array([found.reason] * len(calls), pa.string()),
        **{key: pa.array(column(key), pa.string()) for key in texts},
        "since_run": pa.array([None if run is None else names[run] for run in since], pa.string()),
        "size": pa.array(column("size"), pa.float64()),
        "n": pa.array(column("n"), pa.int64()),
        "call": pa.array(
            [None if call is None else json.dumps(call, ensure_ascii=False) for call in calls], pa.string()
        ),
    }
    pq.write_table(pa.table(columns), to, compression="zstd")
