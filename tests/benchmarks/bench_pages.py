"""How long each page takes to have its data, on archives of 1,000, 10,000 and 100,000 runs; drift and defects among them.

    python tests/benchmarks/bench_pages.py [RUNS ...] [PAGE ...] [--keep FOLDER] [json]

One invented log goes through the real import and evaluation; its rows are then copied in SQL with other starts, ovens,
boards, jars, scatter in every metric, inspections and events. Each page is run headless (Streamlit's AppTest) in a process of
its own: first (modules are imported), after a change in the archive (one more run of an oven, inspected, with a defect and all
its metrics: every value that could hang on it is read anew; best of three), and again (nothing changed). What counts is the
time spent in the cached loaders, the page's data. The baseline is the promise of 300 ms; the growth exponent is the slope
of log time over log runs from the smallest archive to the largest. `--keep`: archives are left in FOLDER, and taken from there.
"""

from __future__ import annotations

import contextlib
import functools
import importlib
import json
import logging
import math
import os
import pkgutil
import subprocess
import sys
import tempfile
import time
import warnings
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))

from invented import peak_memory_mb
from page_archives import full_archive
from report import Line, show

from ingest.archive import Archive, open_archive

TEMPLATE = 1  # the run that is copied
FIRST = 1000  # number of the first copy
GOAL_MS = 300
SIZES = (1000, 10_000, 100_000)


COPIED = (
    *("log", "run", "channel", "run_origin", "evaluation", "metric", "limit_result", "finding_row"),
    *("sample_times", "sample_values"),
)


def multiply(archive: Archive, runs: int) -> None:
    """Copy the template run `runs` times, with everything that hangs on a run, and what runs refer to."""
    with archive.transaction() as con:
        con.execute(
            "INSERT INTO oven SELECT 100 + i, 'Oven ' || i, NULL, NULL, '{}', '{}', NULL, now() FROM range(4) n(i)"
        )
        con.execute(
            "INSERT INTO board (board_id, name, revision, joints, created_at) "
            "SELECT 100 + i, 'Board ' || i, 'A', 400, now() FROM range(20) n(i)"
        )
        con.execute(
            "INSERT INTO jar (jar_id, label, paste_id, lot, opened_at, created_at) SELECT 100 + i, 'jar ' || (100 + i), "
            "(SELECT paste_id FROM jar LIMIT 1), 'lot ' || (i // 3), now()::TIMESTAMP, now() FROM range(400) n(i)"
        )
        con.execute(
            "INSERT INTO event SELECT 100 + i, 100 + i % 4, CASE WHEN i % 2 = 0 THEN 'clean' ELSE 'seal' END, "
            "TIMESTAMP '2015-02-01' + to_days(i * 30), 'day', NULL, NULL, FALSE, 'typed', NULL, now()::TIMESTAMP "
            "FROM range(100) n(i)"
        )
    add_runs(archive, 0, runs, runs)
    with archive.connect() as con:
        con.execute("CHECKPOINT")


def add_runs(archive: Archive, begin: int, end: int, of: int) -> None:
    """Copies number `begin` up to `end` of an archive planned for `of`."""
    with archive.transaction() as con:
        log, columns = con.execute("SELECT log_id FROM run WHERE run_id = ?", [TEMPLATE]).fetchone()[0], {}  # type: ignore[index]
        for table in COPIED:
            columns[table] = [c[0] for c in con.execute(f"SELECT * FROM {table} LIMIT 0").description or ()]

        def copy(table: str, where: str, **changed: str) -> None:
            picked = ", ".join(f"{changed[c]} AS {c}" if c in changed else f"t.{c}" for c in columns[table])
            con.execute(
                f"INSERT INTO {table} SELECT {picked} FROM {table} t, range({begin}, {end}) n(i) WHERE {where} ORDER BY i"
            )

        run, number = f"{FIRST} + i", f"t.run_id = {TEMPLATE}"
        copy("log", f"t.log_id = {log}", log_id=run, sha256="sha256(i::VARCHAR)", file_name="'bake-' || i || '.csv'")
        con.execute(
            f"INSERT INTO log_bytes SELECT {FIRST} + i, piece, gzip FROM log_bytes, range({begin}, {end}) n(i) "
            f"WHERE log_id = {log}"
        )
        copy(
            "run",
            number,
            run_id=run,
            log_id=run,
            started_at="TIMESTAMP '2015-01-01 08:00:00' + to_minutes(i * 50)",
            oven_id="100 + i % 4",
            board_id="100 + (i // 8) % 20",
            jar_id=f"100 + least(399, (i * 400) // {of})",
            kind="CASE WHEN i % 10 = 0 THEN 'reference' ELSE 'product' END",
            orientation="CASE WHEN i % 2 = 0 THEN '0' ELSE '180' END",
            serials="CASE WHEN i % 3 = 0 THEN lpad((i * 4)::VARCHAR, 7, '0') || '-' || lpad((i * 4 + 3)::VARCHAR, 7, '0') END",
        )
        for table in ("sample_times", "sample_values"):
            copy(table, number, run_id=run)
        copy("channel", number, run_id=run, missing="0")
        copy("run_origin", number, run_id=run)
        copy(
            "evaluation",
            number,
            run_id=run,
            verdict="CASE WHEN i % 50 = 0 THEN 'fails' WHEN i % 3 = 0 THEN 'too close to call' ELSE 'meets' END",
            limiting_margin="t.limiting_margin * (0.5 + random())",
        )
        copy("metric", number, run_id=run, value="t.value * (1 + 0.01 * (random() + random() - 1))")
        copy("limit_result", number, run_id=run)
        copy("finding_row", number, run_id=run)
        con.execute(
            f"INSERT INTO inspection SELECT {FIRST} + i, {FIRST} + i, 'loupe', NULL, 4, 1600, NULL, NULL, "
            f"TIMESTAMP '2015-01-01 09:00:00' + to_minutes(i * 50), 'typed', NULL FROM range({begin}, {end}) n(i) "
            "WHERE i % 5 = 0"
        )
        con.execute(
            f"INSERT INTO defect SELECT {FIRST} + i, {FIRST} + i, {FIRST} + i, CASE WHEN i % 2 = 0 THEN 'tombstone' ELSE "
            f"'bridge' END, 1 + i % 3, 'R' || i % 40, NULL, NULL, NULL, NULL FROM range({begin}, {end}) n(i) WHERE i % 25 = 0"
        )


# Page file and the address it is opened with; a page that another topic adds is measured when it is there.
PAGES: tuple[tuple[str, dict[str, str]], ...] = (
    ("latest", {}),
    ("add_logs", {}),
    ("held", {}),
    ("inspect", {}),
    ("runs", {}),
    ("runs", {"board": "Board 3", "sort": "smallest margin first"}),
    ("run", {"run": "1500"}),
    ("compare", {"run": "1500"}),
    ("trace", {"serial": "0000037"}),
    ("trace", {"by": "jar", "jar": "jar 120"}),
    ("sheets", {"runs": "1500-1510"}),
    ("ovens", {}),
    ("reference_runs", {}),
    ("drift", {"oven": "Oven 0"}),
    ("defects", {}),
    ("reference_data", {}),
    ("access", {}),
    ("about", {}),
)


KEPT = ("kept.<locals>.look_up", "kept_while.<locals>.decorate.<locals>.look_up")


class Stopwatch:
    """Seconds spent in the outermost cached loaders of the dashboard."""

    def __init__(self) -> None:
        self.seconds, self.cpu, self._depth = 0.0, 0.0, 0

    def attach(self) -> None:
        """Put the watch around every cached loader that is not watched yet, in every module that names it."""
        for name, module in list(sys.modules.items()):
            if not name.startswith("dashboard"):
                continue
            for attribute, value in list(vars(module).items()):
                code = getattr(value, "__code__", None)
                if code is not None and code.co_qualname in KEPT:
                    setattr(module, attribute, self._watched(value))

    def _watched(self, loader: Any) -> Any:
        @functools.wraps(loader)
        def call(*args: Any, **kwargs: Any) -> Any:
            began, spent = time.perf_counter(), time.process_time()
            self._depth += 1
            try:
                return loader(*args, **kwargs)
            finally:
                self._depth -= 1
                if self._depth == 0:
                    self.seconds += time.perf_counter() - began
                    self.cpu += time.process_time() - spent

        return call


WATCH = Stopwatch()


@dataclass(frozen=True)
class Visit:
    """Milliseconds of a page's data: first, after a change (and of CPU), with nothing changed; of the whole script; MB."""

    first: float
    changed: float
    changed_cpu: float
    again: float
    script: float
    peak_mb: float
    wrong: str


def visit_once(page: str, parameters: dict[str, str]) -> tuple[float, float, float, str]:
    """One fresh visit: milliseconds of the page's data, of CPU for it, of the whole script, and what went wrong."""
    from streamlit.testing.v1 import AppTest

    WATCH.attach()
    at = AppTest.from_file(str(main_page()), default_timeout=300)
    for name, value in parameters.items():
        at.query_params[name] = value
    at.switch_page(f"pages/{page}.py")
    WATCH.seconds = WATCH.cpu = 0.0
    began = time.perf_counter()
    at.run()
    whole = time.perf_counter() - began
    wrong = [*at.exception, *at.error]
    return WATCH.seconds * 1000, WATCH.cpu * 1000, whole * 1000, str(wrong[0].value)[:90] if wrong else ""


def main_page() -> Path:
    import dashboard

    return Path(dashboard.__file__).parent / "main.py"


def visit(path: Path, runs: int, page: str, parameters: dict[str, str]) -> Visit:
    """Visits in this process."""
    from dashboard import panels

    logging.disable(logging.CRITICAL)
    warnings.simplefilter("ignore")  # the copies are all alike, which a look at their shapes warns of
    os.environ["OVENBOOK_ARCHIVE"] = str(path)
    archive = open_archive(path)
    visit_once("about", {})
    for module in pkgutil.iter_modules(panels.__path__, "dashboard.panels."):
        importlib.import_module(module.name)
    first = visit_once(page, parameters)
    changed = []
    for _ in range(3):
        # The next copy that is inspected, has a defect, and belongs to an oven that the pages show: every 100th.
        copies = int(archive.read("SELECT max(run_id) AS n FROM run")["n"].iloc[0]) - FIRST
        add_runs(archive, (copies // 100 + 1) * 100, (copies // 100 + 1) * 100 + 1, runs)
        changed.append(visit_once(page, parameters))
    again = [visit_once(page, parameters) for _ in range(2)]
    return Visit(
        first[0],
        *min((one[0], one[1]) for one in changed),
        min(one[0] for one in again),
        min(one[2] for one in again),
        peak_memory_mb(),
        again[-1][3],
    )


def in_a_process(path: Path, runs: int, page: str, parameters: dict[str, str]) -> Visit:
    asked = json.dumps([str(path), runs, page, parameters])
    told = subprocess.run(
        [sys.executable, __file__, "--visit", asked],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    return Visit(**json.loads(told.stdout.splitlines()[-1]))


def exponent(small: float, large: float, sizes: tuple[int, int]) -> float:
    """Slope of log time over log runs; below a tenth of a millisecond nothing is told apart."""
    return math.log(max(large, 0.1) / max(small, 0.1)) / math.log(sizes[1] / sizes[0])


def bench(sizes: list[int], wanted: set[str], keep: Path | None) -> list[Line]:
    lines: list[Line] = []
    seen: dict[tuple[str, int], Visit] = {}
    with tempfile.TemporaryDirectory(prefix="ovenbook-bench-") as folder:
        for runs in sizes:
            path = (keep or Path(folder)) / f"{runs}.duckdb"
            if not path.exists():  # in a process of its own: what it takes must not count as a page's memory
                subprocess.run([sys.executable, __file__, "--build", str(path), str(runs)], check=True)
            print(f"{runs} runs, {path.stat().st_size / 1e6:.0f} MB", file=sys.stderr, flush=True)
            for page, parameters in PAGES:
                if wanted and page not in wanted:
                    continue
                name = page + ("?" + "&".join(f"{k}={v}" for k, v in parameters.items()) if parameters else "")
                seen[name, runs] = one = in_a_process(path, runs, page, parameters)
                grown = ""
                if runs > sizes[0]:
                    ends = (sizes[0], runs)
                    small = seen[name, sizes[0]]
                    grown = (
                        f"; from {sizes[0]} runs time grows as runs^{exponent(small.changed_cpu, one.changed_cpu, ends):.2f}, "
                        f"memory {one.peak_mb / small.peak_mb:.2f}-fold"
                    )
                note = (
                    f"first {one.first:.0f} ms, changed {one.changed:.0f} ms ({one.changed_cpu:.0f} of CPU), again "
                    f"{one.again:.0f} ms, script {one.script:.0f} ms, peak {one.peak_mb:.0f} MB{grown}"
                    + (f"; WRONG: {one.wrong}" if one.wrong else "")
                )
                point = "f" if page in ("drift", "ovens", "defects", "reference_runs") else "e"
                lines.append(
                    Line(
                        point,
                        f"{name} after a change, {runs} runs",
                        f"{GOAL_MS} ms",
                        one.changed / GOAL_MS,
                        one.changed_cpu / GOAL_MS,
                        1.0,
                        note,
                    )
                )
    return lines


def main() -> None:
    arguments = sys.argv[1:]
    if arguments[:1] == ["--visit"]:
        path, runs, page, parameters = json.loads(arguments[1])
        with contextlib.redirect_stderr(None):
            print(json.dumps(asdict(visit(Path(path), runs, page, parameters))))
        return
    if arguments[:1] == ["--build"]:
        multiply(full_archive(Path(arguments[1])), int(arguments[2]))
        return
    keep = None
    if "--keep" in arguments:
        at = arguments.index("--keep")
        keep = Path(arguments[at + 1])
        del arguments[at : at + 2]
    sizes = [int(a) for a in arguments if a.isdigit()] or list(SIZES)
    show(bench(sizes, {a for a in arguments if not a.isdigit() and a != "json"}, keep), as_json="json" in arguments)


if __name__ == "__main__":
    main()
