"""One import from the command line against importing pandas and duckdb: both as processes of their own.

    python tests/benchmarks/bench_cli.py [times, 7] [json]

The two take turns, so that both meet the same machine; medians.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from invented import Spent, write_logs
from report import Line, show

ROOT = Path(__file__).parents[2]


def bench(times: int = 7) -> list[Line]:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "logs"
        write_logs(folder, times + 1)
        start = [sys.executable, "-m", "dashboard.cli", "--archive", str(Path(place) / "book.duckdb"), "import"]
        bare, taken = [], []
        for file in sorted(folder.iterdir()):
            with Spent() as base:
                subprocess.run([sys.executable, "-c", "import pandas, duckdb"], check=True)
            with Spent() as work:
                subprocess.run([*start, str(file)], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
            bare.append(base)
            taken.append(work)

    def ratio(name: str) -> float:  # the first makes the archive
        of_work, of_base = ([getattr(one, name) for one in part[1:]] for part in (taken, bare))
        return statistics.median(of_work) / statistics.median(of_base)

    what = "one import from the command line, evaluated and stored"
    return [Line("b", what, "importing pandas and duckdb", ratio("wall_s"), ratio("cpu_s"), 2.0)]


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    show(bench(*numbers[:1]), as_json="json" in sys.argv)


if __name__ == "__main__":
    main()
