"""Memory and time of importing and evaluating as the number of logs, or of runs inside already, grows.

    python tests/benchmarks/bench_growth.py [--small] [json]

Memory: peak of the process that stores, for imports of 500, 2,000 and 8,000 logs, each in a process of its own. Time: CPU
seconds of the next 500 logs with 1,000, 5,000 and 20,000 runs inside already, and of evaluating as many; the exponent is
the slope of log time over log runs, so 0 means that a log costs the same however full the archive is, and 1 that
evaluating all takes as long a run.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from report import Line, show

SIZES, SMALL_SIZES = (1000, 5000, 20_000), (200, 1000)
LOGS, SMALL_LOGS = (500, 2000, 8000), (100, 400)
NEXT = 500


def memory_of_import(logs: int) -> None:
    """Prints the peak memory [MB] of importing so many logs, in a new archive."""
    from invented import write_logs

    from analysis.store import evaluate_and_write, seed_defaults
    from ingest.archive import open_archive
    from ingest.importing import import_paths

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "logs"
        write_logs(folder, logs)
        archive = open_archive(Path(place) / "book.duckdb")
        seed_defaults(archive)
        stored = sum(
            one.status == "stored"
            for one in import_paths(archive, [folder], after_store=evaluate_and_write, readers=None)
        )
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"stored": stored, "mb": peak}))


def cost_at(runs: int, logs: int) -> None:
    """Prints the CPU seconds of importing `logs` logs into an archive of `runs` runs, and of evaluating those runs."""
    from invented import Spent, filled_archive, write_logs

    from analysis.store import evaluate_and_write, reevaluate
    from ingest.importing import import_paths

    with tempfile.TemporaryDirectory() as place:
        archive = filled_archive(Path(place) / "book.duckdb", runs)
        with Spent() as evaluating:
            reevaluate(archive, workers=1)
        folder = Path(place) / "logs"
        write_logs(folder, logs, seed=1)
        with Spent() as importing:
            done = list(import_paths(archive, [folder], after_store=evaluate_and_write, readers=None))
    if [one for one in done if one.status != "stored"]:
        raise SystemExit("not every log was stored")
    print(json.dumps({"import_s": importing.cpu_s, "evaluate_s": evaluating.cpu_s}))


def bench(small: bool = False) -> list[Line]:
    logs, sizes = (SMALL_LOGS, SMALL_SIZES) if small else (LOGS, SIZES)
    peaks = [_apart("memory", count)["mb"] for count in logs]
    costs = [_apart("cost", runs, NEXT) for runs in sizes]
    importing, evaluating = ([cost[name] for cost in costs] for name in ("import_s", "evaluate_s"))
    told = ", ".join(f"{count}: {peak:.0f} MB" for count, peak in zip(logs, peaks, strict=True))
    next_ones = ", ".join(f"{runs}: {s / NEXT * 1e3:.2f} ms" for runs, s in zip(sizes, importing, strict=True))
    a_run = ", ".join(f"{runs}: {s / runs * 1e6:.0f} µs" for runs, s in zip(sizes, evaluating, strict=True))
    what = f"exponent of the next {NEXT} logs over the runs inside"
    return [
        Line("g", f"peak memory of importing {logs[-1]} logs", f"of {logs[0]}", peaks[-1] / peaks[0], None, None, told),
        Line("h", what, "no growth is 0", _slope(sizes, importing), None, 0.1, f"CPU a log at {next_ones}"),
        Line(
            *("h", "exponent of evaluating all runs", "linear is 1", _slope(sizes, evaluating), None, 1.1),
            f"CPU a run at {a_run}",
        ),
    ]


def _apart(what: str, *numbers: int) -> dict[str, float]:
    command = [sys.executable, __file__, what, *map(str, numbers)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _slope(sizes: tuple[int, ...], seconds: list[float]) -> float:
    """Of the least squares line through log seconds over log size."""
    x, y = [math.log(size) for size in sizes], [math.log(value) for value in seconds]
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sum((a - mean_x) ** 2 for a in x)


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    if "memory" in sys.argv:
        memory_of_import(*numbers)
    elif "cost" in sys.argv:
        cost_at(*numbers)
    else:
        show(bench("--small" in sys.argv), as_json="json" in sys.argv)


if __name__ == "__main__":
    main()
