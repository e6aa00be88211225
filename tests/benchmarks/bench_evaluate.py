"""Re-evaluating an archive against DuckDB's bare grouped maximum over the same samples.

    python tests/benchmarks/bench_evaluate.py [runs, 20000] [workers, 1] [json]

The baseline is `SELECT run_id, channel_no, max(value) ... GROUP BY` over all samples, median of five, in an open
connection; the work is `reevaluate` with everything on: reading samples, metrics, uncertainty, channel checks, verdicts,
writing, checkpoint. Given as a ratio of wall and of CPU seconds (the second does not depend on who else is busy).

The samples lie in the archive as lists, which its view `samples` unrolls. The first line has the quicker baseline: a plain
table of a row a sample, filled beforehand. The second has the archive's own view.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from invented import CHANNELS, ROWS, Spent, filled_archive, peak_memory_mb
from report import Line, show

from analysis.store import reevaluate

MAXIMUM = "SELECT run_id, channel_no, max(value) FROM {} GROUP BY run_id, channel_no"


def bench(runs: int = 20_000, workers: int = 1) -> list[Line]:
    with tempfile.TemporaryDirectory() as folder:
        archive = filled_archive(Path(folder) / "book.duckdb", runs)
        with archive.connect() as con:
            con.execute("CREATE TEMP TABLE plain AS SELECT run_id, channel_no, value FROM samples")
            bases = [_maximum(con, "plain"), _maximum(con, "samples")]
        with Spent() as work:
            reevaluate(archive, workers=workers)
    beside = "1 worker" if workers == 1 else f"{workers} workers"
    what = f"re-evaluating {runs} runs of {CHANNELS} x {ROWS}, {beside} beside reading and writing"
    memory = f"peak memory {peak_memory_mb():.0f} MB, {work.cpu_s / runs * 1e6:.0f} µs of CPU a run"
    return [
        Line("c", what, f"grouped maximum, {of}", work.wall_s / wall, work.cpu_s / cpu, 15.0, memory)
        for (wall, cpu), of in zip(bases, ("plain table", "the archive's view"), strict=True)
    ]


def _maximum(con: Any, table: str) -> tuple[float, float]:
    """Wall and CPU seconds of the grouped maximum, medians of five."""
    con.execute(MAXIMUM.format(table)).fetchnumpy()  # the first reads the file
    spent: list[Spent] = []
    for _ in range(5):
        with Spent() as one:
            con.execute(MAXIMUM.format(table)).fetchnumpy()
        spent.append(one)
    wall, cpu = (statistics.median(getattr(one, name) for one in spent) for name in ("wall_s", "cpu_s"))
    return wall, cpu


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    show(bench(*numbers[:2]), as_json="json" in sys.argv)


if __name__ == "__main__":
    main()
