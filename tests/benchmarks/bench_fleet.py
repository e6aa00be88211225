"""Publishing and the fleet's work: cost a run, time against partitions and workers, bytes a run.

    python tests/benchmarks/bench_fleet.py [--ovens 4] [--months 6] [--runs 30] [--rows 600] [--dask] [--json FILE]

Invented runs of 600 rows x 5 channels, evaluated in an archive first. Ratios are to that archive's own `reevaluate` in one
process of the same run of this script; on one machine this shows overhead and the use of cores, not scale-out.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from analysis import store  # noqa: E402
from analysis.fleet.drifting import drift_of_dataset  # noqa: E402
from analysis.fleet.evaluating import evaluate_dataset  # noqa: E402
from ingest.archive import Archive, open_archive  # noqa: E402
from ingest.archive import reference as ref  # noqa: E402
from ingest.archive.fields import RunField  # noqa: E402
from ingest.archive.logs import LogEntry, store_log  # noqa: E402
from ingest.dataset import place_of  # noqa: E402
from ingest.dataset_archive import build_archive  # noqa: E402
from ingest.publishing import publish  # noqa: E402
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values  # noqa: E402

CORNERS = [(0, 25), (10, 25), (125, 150), (215, 200), (243, 242.5), (262, 242.5), (300, 60)]
START = datetime(2025, 1, 1, 8, 0, tzinfo=UTC)


def bake(seed: int, rows: int, start: datetime) -> tuple[bytes, Recording]:
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 300, rows).round(1)
    plan = np.interp(t, *np.array(CORNERS, dtype=float).T)
    tips = [np.round(plan - i + rng.normal(0, 0.15, rows), 1) for i in range(4)]
    text = "t,set," + ",".join(f"tc{i}" for i in range(4)) + "\n"
    text += "\n".join(
        f"{a:.1f},{p:.0f},{b:.1f},{c:.1f},{d:.1f},{e:.1f}" for a, p, b, c, d, e in zip(t, plan, *tips, strict=True)
    )
    channels = [Channel(f"tc{i}", "temperature", "°C", quantise_values(v)) for i, v in enumerate(tips)]
    channels.append(Channel("set", "setpoint", "°C", quantise_values(plan.round())))
    return text.encode(), Recording(quantise_elapsed(t), tuple(channels), started_at=start, zone="UTC")


def fill(path: Path, ovens: int, months: int, runs: int, rows: int) -> Archive:
    archive = open_archive(path, zone="UTC")
    with archive.transaction() as con:
        paste = ref.add_paste(con, "Invented 305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        ref.add_window(con, "paste", "invented", "1", [("peak_c", "{}", 235.0, 250.0, "°C")], paste_id=paste)
        ids = [ref.add_oven(con, f"Oven {n}") for n in range(ovens)]
    seed = 0
    for oven in ids:
        for month in range(months):
            with archive.transaction() as con:
                for i in range(runs):
                    seed += 1
                    start = START + timedelta(days=31 * month, minutes=12 * i)
                    data, recording = bake(seed, rows, start)
                    fields = {"oven": RunField(oven), "paste": RunField(paste)}
                    store_log(con, LogEntry(data, f"{seed}.csv", reader_version="1"), [recording], [fields])
    return archive


def timed(what: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    result = what()
    return time.perf_counter() - start, result


def size_of(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*.parquet"))


def measure(folder: Path, args: argparse.Namespace, ovens: int, scheduler: str | None) -> dict[str, Any]:
    archive = fill(folder / f"{ovens}.duckdb", ovens, args.months, args.runs, args.rows)
    place = folder / f"ovens-{ovens}"
    runs = ovens * args.months * args.runs
    embedded, _ = timed(lambda: store.reevaluate(archive))
    first, _ = timed(lambda: publish(archive, place))
    again, _ = timed(lambda: publish(archive, place))
    opened, _ = timed(lambda: build_archive(place_of(place), folder / f"opened-{ovens}.duckdb"))
    one, _ = timed(lambda: evaluate_dataset(str(place), workers=1))
    two, _ = timed(lambda: evaluate_dataset(str(place), workers=2))
    drift, _ = timed(lambda: drift_of_dataset(str(place), workers=1))
    out = {
        "ovens": ovens,
        "partitions": ovens * args.months,
        "runs": runs,
        "embedded_ms_a_run": 1000 * embedded / runs,
        "publish": first / embedded,
        "publish_again": again / embedded,
        "open": opened / embedded,
        "fleet_1_process": one / embedded,
        "fleet_2_processes": two / embedded,
        "drift_1_process": drift / embedded,
        "bytes_a_run": size_of(place) / runs,
        "bytes_a_run_by_table": {
            table.name: round(size_of(table) / runs) for table in sorted(place.iterdir()) if size_of(table)
        },
        "archive_bytes_a_run": archive.path.stat().st_size / runs,
    }
    if scheduler:
        out["fleet_dask_2_workers"] = timed(lambda: evaluate_dataset(str(place), scheduler=scheduler))[0] / embedded
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--ovens", type=int, default=4)
    parser.add_argument("--months", type=int, default=6)
    parser.add_argument("--runs", type=int, default=30, help="a month and oven")
    parser.add_argument("--rows", type=int, default=600)
    parser.add_argument("--dask", action="store_true", help="also on a local Dask cluster of two workers")
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    found: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="ovenbook-bench-fleet-") as name:
        sizes = sorted({max(1, args.ovens // 4), max(1, args.ovens // 2), args.ovens})
        if args.dask:
            from distributed import LocalCluster

            with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
                found = [measure(Path(name), args, n, cluster.scheduler_address) for n in sizes]
        else:
            found = [measure(Path(name), args, n, None) for n in sizes]
    print(f"{os.cpu_count()} cores; times are multiples of re-evaluating the archive in one process")
    keys = [key for key in found[0] if key != "bytes_a_run_by_table"]
    for key in keys:
        print(f"{key:<24}" + "".join(f"{one[key]:>12.3g}" for one in found))
    print("bytes a run by table:", found[-1]["bytes_a_run_by_table"])
    if args.json:
        args.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
