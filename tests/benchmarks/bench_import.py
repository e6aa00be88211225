"""Bulk import of a folder of logs against pandas.read_csv of the same files in a loop.

    python tests/benchmarks/bench_import.py [logs, 5000] [json]

Everything on: detection, normalising, metrics, channel checks, verdicts, storage of bytes and samples, commits on disk.
The archive's size against the folder's is told on the way (point d), and the samples' alone against Parquet.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from report import Line, show


def bench(logs: int = 5000) -> list[Line]:
    # Here and not above: the processes that read ahead import this file first, as those of the `ovenbook` command do
    # its few lines.
    import pandas as pd
    from invented import ROWS, Spent, peak_memory_mb, write_logs

    from analysis.store import evaluate_and_write, seed_defaults
    from ingest.archive import open_archive
    from ingest.importing import import_paths

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "logs"
        write_logs(folder, logs)
        files = sorted(folder.iterdir())
        pd.read_csv(files[0], comment="#")
        with Spent() as base:
            for file in files:
                pd.read_csv(file, comment="#")
        archive = open_archive(Path(place) / "book.duckdb")
        seed_defaults(archive)
        with Spent() as work:
            found = list(import_paths(archive, [folder], after_store=evaluate_and_write, readers=None))
        if [one for one in found if one.status != "stored"] or len(found) != logs:
            raise SystemExit("not every log was stored")
        with archive.connect() as con:
            con.execute("CHECKPOINT")
        size = archive.path.stat().st_size / sum(file.stat().st_size for file in files)
        parquet, alone = Path(place) / "samples.parquet", Path(place) / "samples.duckdb"
        with archive.connect() as con:
            row = con.execute("SELECT count(*) FROM samples").fetchone()
            con.execute(f"COPY (FROM samples) TO '{parquet}' (FORMAT parquet, COMPRESSION zstd)")
            con.execute(f"ATTACH '{alone}' AS alone")
            for table in ("sample_times", "sample_values"):
                con.execute(f"CREATE TABLE alone.{table} AS FROM {table}")
            con.execute("DETACH alone")
        packed = alone.stat().st_size / parquet.stat().st_size
    note = (
        f"{work.wall_s / logs * 1e3:.1f} ms a log, {work.cpu_s / logs * 1e3:.1f} ms of CPU, {peak_memory_mb():.0f} MB"
    )
    what = f"importing {logs} logs of {ROWS} rows x 6 columns"
    return [
        Line("a", what, "pandas.read_csv of each", work.wall_s / base.wall_s, work.cpu_s / base.cpu_s, 6.0, note),
        Line("d", "size of the archive, originals included", "the folder of logs", size, None, 0.8),
        Line("d", f"size of its {row[0] if row else 0} samples alone", "Parquet zstd, a row each", packed, None, None),
    ]


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    show(bench(*numbers[:1]), as_json="json" in sys.argv)


if __name__ == "__main__":
    main()
