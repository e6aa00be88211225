"""A fleet's work over a published data set gives what the archive's own functions give, and survives killed workers.

The embedded path (analysis.store) is the reference: both must agree in every row. Ovens and runs are invented. Clusters,
processes and kills are real.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from profiles import lines, temperature

from analysis import store
from analysis.fleet import evaluating, running
from analysis.fleet.drifting import drift_of_dataset
from analysis.fleet.evaluating import evaluate_dataset
from analysis.fleet.results import read_parts
from analysis.store.drift import oven_names, oven_report
from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive import reference as ref
from ingest.archive.fields import RunField
from ingest.archive.logs import LogEntry, store_log
from ingest.dataset import place_of
from ingest.publishing import publish
from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values

GOOD = [(0, 25), (10, 25), (125, 150), (215, 200), (243, 242.5), (262, 242.5), (330, 100), (420, 45)]
START = datetime(2025, 1, 6, 8, 0, tzinfo=UTC)
OVENS = {"Bench / north": 26, "Süd": 26}
MOVES_AT = 16  # from this run on the second oven peaks 6 K lower
DERIVED = {"evaluations": "evaluation", "metrics": "metric", "limits": "limit_result", "findings": "finding_row"}


def bake(seed: int, lift: float, start: datetime | None) -> Recording:
    rng = np.random.default_rng(seed)
    t, v = lines(GOOD, 2.0)
    v = np.where(v > 200, v + lift, v)
    tips = [
        temperature(f"tc{i + 1}", quantise_values(np.round(v - i + rng.normal(0, 0.15, len(t)), 1))) for i in range(2)
    ]
    plan = Channel("set", "setpoint", "°C", quantise_values(np.round(np.interp(t, *np.array(GOOD, dtype=float).T))))
    return Recording(quantise_elapsed(t), (*tips, plan), started_at=start, zone="UTC" if start else None)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two ovens over three months, one of which moves; a paste with a sheet, an event, a run without a start or an oven."""
    archive = open_archive(tmp_path_factory.mktemp("fleet") / "shop.duckdb", zone="UTC")
    with archive.transaction() as con:
        paste = ref.add_paste(con, "Invented 305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        limits = [("peak_c", "{}", 235.0, 250.0, "°C")]
        ref.add_window(con, "paste", "invented sheet", "2024-05", limits, paste_id=paste)
        for number, (name, runs) in enumerate(OVENS.items()):
            oven = ref.add_oven(con, name, budget={"tolerance_k": 1.5, "input_k": 1.0})
            ref.add_event(con, oven, "clean", START + timedelta(days=5))
            for i in range(runs):
                lift = -6.0 if number == 1 and i >= MOVES_AT else 0.0
                put(con, bake(100 * number + i, lift, START + timedelta(days=3 * i)), oven=oven, paste=paste)
        put(con, bake(999, 0.0, None), oven=1, paste=paste)
        put(con, bake(998, 0.0, START), paste=paste)
    store.reevaluate(archive)
    return archive


def put(con: Any, recording: Recording, **fields: int) -> None:
    count = con.execute("SELECT count(*) FROM run").fetchone()[0]
    entry = LogEntry(f"log {count}".encode(), "log.csv", reader_version="1")
    store_log(con, entry, [recording], [{key: RunField(value) for key, value in fields.items()}])


@pytest.fixture
def data(shop: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(evaluating, "RUNS_PER_STEP", 1)  # a step a month, so that chains are chains
    place = tmp_path / "ovens"
    publish(shop, place)
    return str(place)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    if not os.environ.get("CI"):
        pytest.importorskip("distributed", reason="the extra `fleet` is not installed: pip install 'ovenbook[fleet]'")
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50) as made:
        yield made


def fleet_rows(data: str, table: str) -> list[dict[str, Any]]:
    """The rows that count, by the number of the run and in their order, as pyarrow reads them."""
    files = [part.files[table] for part in read_parts(place_of(data), "evaluation") if table in part.files]
    found = [row for file in files for row in pq.ParquetFile(Path(data) / file).read().to_pylist()]
    return sorted(found, key=lambda row: (row["run_id"], row.get("row_no", 0)))


def must_be_the_archives(data: str, archive: Archive) -> None:
    for table, own in DERIVED.items():
        columns = [c for c in archive.read(f"DESCRIBE {own}")["column_name"] if c != "evaluated_at"]
        with archive.connect() as con:
            wanted = con.execute(f"SELECT {', '.join(columns)} FROM {own} ORDER BY run_id, rowid").fetchall()
        assert len(wanted) >= 54
        assert [tuple(row[c] for c in columns) for row in fleet_rows(data, table)] == wanted, table


def test_in_this_process_and_in_two_the_results_are_the_archives(data: str, shop: Archive) -> None:
    done = evaluate_dataset(data)
    assert (done.runs, done.ovens, sum(done.verdicts.values())) == (54, 3, 54)
    must_be_the_archives(data, shop)
    before = {p: p.stat().st_mtime_ns for p in Path(data).rglob("*") if p.is_file()}
    evaluate_dataset(data, workers=2)
    must_be_the_archives(data, shop)
    assert {p: p.stat().st_mtime_ns for p in Path(data).rglob("*") if p.is_file()} == before, (
        "nothing new, nothing written"
    )


def test_on_a_cluster_of_two_the_results_are_the_archives(data: str, shop: Archive, cluster: Any) -> None:
    seen: list[tuple[int, int]] = []
    evaluate_dataset(data, scheduler=cluster.scheduler_address, progress=lambda *step: seen.append(step))
    must_be_the_archives(data, shop)
    assert seen[-1] == (8, 8)  # three months of two ovens, a run without a start, one without an oven
    found = drift_of_dataset(data, scheduler=cluster.scheduler_address)
    assert [calls.oven for calls in found] == oven_names(shop)
    for calls in found:
        report = oven_report(shop, calls.oven)
        assert list(calls.calls) == report.calls_json()
        assert (calls.runs, calls.reason) == (len(report.drift.runs), report.drift.reason)
    moved = next(calls for calls in found if calls.oven == "Süd")
    assert moved.calls, "6 K lower from run 16 on must be called, or this compares nothing with nothing"
    (part,) = [part for part in read_parts(place_of(data), "drift") if part.oven == "Süd"]
    written = pq.ParquetFile(Path(data) / part.files["drift"]).read().to_pylist()
    assert [row["series"] for row in written] == [call["series"] for call in moved.calls]


def test_drift_over_the_fleets_own_evaluation_is_the_same(data: str) -> None:
    with pytest.raises(ArchiveError, match="has not been evaluated by the fleet"):
        drift_of_dataset(data, evaluated=True)
    evaluate_dataset(data)
    assert drift_of_dataset(data, evaluated=True) == drift_of_dataset(data)


def test_a_dask_worker_killed_in_the_middle_loses_nothing(data: str, shop: Archive, cluster: Any) -> None:
    killed: list[int] = []

    def kill_one(done: int, of: int) -> None:
        if not killed and done < of:
            killed.append(next(iter(cluster.workers.values())).process.process.pid)
            os.kill(killed[0], signal.SIGKILL)

    evaluate_dataset(data, scheduler=cluster.scheduler_address, progress=kill_one)
    assert killed
    must_be_the_archives(data, shop)


def killed_once(step: Any, memory: Any) -> Any:
    """The step of an evaluation, in a process that is killed the first time it has done one."""
    result = evaluating.evaluate_months(step, memory)
    mark = Path(step.place) / "killed"
    if not mark.exists():
        mark.write_text(str(os.getpid()))
        os.kill(os.getpid(), signal.SIGKILL)
    return result


def test_a_process_killed_in_the_middle_loses_nothing(
    data: str, shop: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = running.run_chains
    monkeypatch.setattr(evaluating, "run_chains", lambda _step, *chains, **more: real(killed_once, *chains, **more))
    evaluate_dataset(data, workers=2)
    assert (Path(data) / "killed").exists()
    must_be_the_archives(data, shop)


def test_without_the_extra_one_line_says_how_to_install_it(data: str) -> None:
    code = (
        "import sys; sys.modules['distributed'] = None\n"
        "from dashboard.cli import main\n"
        "sys.argv = ['ovenbook', 'fleet', 'evaluate', '--data', sys.argv[1], '--scheduler', 'tcp://127.0.0.1:8786']\n"
        "main()"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code, data], capture_output=True, text=True, check=False, cwd=root)
    assert done.returncode == 1
    assert done.stderr == ("ovenbook: --scheduler needs Dask, which is not installed: pip install 'ovenbook[fleet]'\n")


def test_a_scheduler_that_is_not_there_is_named(data: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if not os.environ.get("CI"):
        pytest.importorskip("distributed", reason="the extra `fleet` is not installed: pip install 'ovenbook[fleet]'")
    monkeypatch.setattr(running, "CONNECT_S", 0.5)
    with pytest.raises(ArchiveError, match=r"scheduler at tcp://127\.0\.0\.1:9 cannot be reached"):
        evaluate_dataset(data, scheduler="tcp://127.0.0.1:9")


def test_a_data_set_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="holds no published data set"):
        evaluate_dataset(str(tmp_path))
