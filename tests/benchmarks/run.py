"""All speed and size benchmarks, one after the other: ratios within one run, as a table, or as JSON.

    python tests/benchmarks/run.py [--small] [--json FILE]

Points: a bulk import, b one import from the command line, c re-evaluating, d size, e the pages' data, f drift and defects,
g memory, h growth with the size of the archive. `--small`: a twentieth of the size, for a look. Benchmarks of hit rates
(bench_checks, bench_defects, bench_drift) and of many machines (bench_fleet) are run by themselves.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from report import Line, show

HERE = Path(__file__).parent
# name -> (arguments, arguments when small); each in a process of its own, so that its peak memory is its own
BENCHMARKS = {
    "bench_cli": (["7"], ["3"]),
    "bench_import": (["5000"], ["250"]),
    "bench_evaluate": (["20000"], ["1000"]),
    "bench_pages": ([], ["1000"]),
    "bench_growth": ([], ["--small"]),
}


def main() -> None:
    lines: list[Line] = []
    for name, (full, small) in BENCHMARKS.items():
        arguments = small if "--small" in sys.argv else full
        command = [sys.executable, str(HERE / f"{name}.py"), *arguments, "json"]
        print(f"{name} ...", file=sys.stderr, flush=True)
        told = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, cwd=HERE.parents[1]).stdout
        lines += [Line(**line) for line in json.loads(told)]
    lines.sort(key=lambda line: line.point)
    show(lines)
    if "--json" in sys.argv:
        target = Path(sys.argv[sys.argv.index("--json") + 1])
        target.write_text(json.dumps([line.__dict__ for line in lines], ensure_ascii=False, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
