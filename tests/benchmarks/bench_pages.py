"""How long each page takes to have its data and draw, on archives of 1,000, 10,000 and 100,000 runs.

    python tests/benchmarks/bench_pages.py [RUNS ...] [PAGE ...]

One invented log goes through the real import and evaluation; its rows are then copied in SQL with other starts, ovens,
boards, jars, scatter in every metric, inspections and events. Samples are kept every 20 s, the rest is as large as in a real
archive. Each page is run headless (Streamlit's AppTest) in this process: first (modules are imported), after a change in
the archive (every cached value is read anew; best of three), and again (nothing changed; best of three). What counts is the
time spent in the cached loaders, the page's data; the last column is the whole script with words, charts and the test
harness. The baseline is DuckDB's bare count over the view of runs in the same archive.
"""

from __future__ import annotations

import functools
import os
import sys
import tempfile
import time
import warnings
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))

import numpy as np
from page_archives import full_archive
from streamlit.testing.v1 import AppTest

import dashboard
from ingest.archive import Archive
from ingest.archive.packing import insert_samples
from ingest.archive.runs import load_recording

MAIN = Path(dashboard.__file__).parent / "main.py"
TEMPLATE = 1  # the run that is copied
FIRST = 1000  # number of the first copy
STEP_MS = 20_000
GOAL_MS = 300


def multiply(archive: Archive, runs: int) -> None:
    """Copy the template run `runs` times, with everything that hangs on a run."""
    with archive.transaction() as con:
        log, columns = con.execute("SELECT log_id FROM run WHERE run_id = ?", [TEMPLATE]).fetchone()[0], {}  # type: ignore[index]
        for table in ("log", "run", "channel", "run_origin", "evaluation", "metric", "limit_result", "finding_row"):
            columns[table] = [c[0] for c in con.execute(f"SELECT * FROM {table} LIMIT 0").description or ()]

        def copy(table: str, where: str, **changed: str) -> None:
            picked = ", ".join(f"{changed[c]} AS {c}" if c in changed else f"t.{c}" for c in columns[table])
            con.execute(
                f"INSERT INTO {table} SELECT {picked} FROM {table} t, range({runs}) n(i) WHERE {where} ORDER BY i"
            )

        run, number = f"{FIRST} + i", f"t.run_id = {TEMPLATE}"
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
        copy("log", f"t.log_id = {log}", log_id=run, sha256="sha256(i::VARCHAR)", file_name="'bake-' || i || '.csv'")
        con.execute(
            f"INSERT INTO log_bytes SELECT {FIRST} + i, piece, gzip FROM log_bytes, range({runs}) n(i) WHERE log_id = {log}"
        )
        template = load_recording(con, TEMPLATE)
        ms = np.round(template.elapsed_s * 1000.0).astype(np.int32)
        kept = ms % STEP_MS == 0
        values = np.array([channel.values[kept] for channel in template.channels], dtype=np.float32)
        copy(
            "run",
            number,
            run_id=run,
            log_id=run,
            started_at="TIMESTAMP '2015-01-01 08:00:00' + to_minutes(i * 50)",
            sample_count=str(values.size),
            oven_id="100 + i % 4",
            board_id="100 + (i // 8) % 20",
            jar_id=f"100 + (i * 400) // {runs}",
            kind="CASE WHEN i % 10 = 0 THEN 'reference' ELSE 'product' END",
            orientation="CASE WHEN i % 2 = 0 THEN '0' ELSE '180' END",
            serials="CASE WHEN i % 3 = 0 THEN lpad((i * 4)::VARCHAR, 7, '0') || '-' || lpad((i * 4 + 3)::VARCHAR, 7, '0') END",
        )
        for start in range(0, runs, 1000):
            some = range(start, min(start + 1000, runs))
            insert_samples(con, [(FIRST + i, ms[kept], values) for i in some])
        copy("channel", number, run_id=run)
        con.execute(f"UPDATE channel SET missing = 0 WHERE run_id >= {FIRST}")
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
            f"TIMESTAMP '2015-01-01 09:00:00' + to_minutes(i * 50), 'typed', NULL FROM range({runs}) n(i) WHERE i % 5 = 0"
        )
        con.execute(
            f"INSERT INTO defect SELECT {FIRST} + i, {FIRST} + i, {FIRST} + i, CASE WHEN i % 2 = 0 THEN 'tombstone' ELSE "
            f"'bridge' END, 1 + i % 3, 'R' || i % 40, NULL, NULL, NULL, NULL FROM range({runs}) n(i) WHERE i % 25 = 0"
        )
        con.execute(
            "INSERT INTO event SELECT 100 + i, 100 + i % 4, CASE WHEN i % 2 = 0 THEN 'clean' ELSE 'seal' END, "
            "TIMESTAMP '2015-02-01' + to_days(i * 30), 'day', NULL, NULL, FALSE, 'typed', NULL, now()::TIMESTAMP "
            "FROM range(100) n(i)"
        )
    with archive.connect() as con:
        con.execute("CHECKPOINT")


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
    ("trace", {"serial": "0000040"}),
    ("trace", {"by": "jar", "jar": "jar 120"}),
    ("sheets", {"runs": "1500-1510"}),
    ("ovens", {}),
    ("drift", {}),
    ("defects", {}),
    ("reference_data", {}),
    ("access", {}),
    ("about", {}),
)


class Stopwatch:
    """Seconds spent in the outermost cached loaders of the dashboard."""

    def __init__(self) -> None:
        self.seconds, self._depth = 0.0, 0

    def attach(self) -> None:
        """Put the watch around every cached loader that is not watched yet, in every module that names it."""
        for name, module in list(sys.modules.items()):
            if not name.startswith("dashboard"):
                continue
            for attribute, value in list(vars(module).items()):
                code = getattr(value, "__code__", None)
                if code is not None and code.co_qualname == "kept.<locals>.look_up":
                    setattr(module, attribute, self._watched(value))

    def _watched(self, loader: Any) -> Any:
        @functools.wraps(loader)
        def call(*args: Any, **kwargs: Any) -> Any:
            began = time.perf_counter()
            self._depth += 1
            try:
                return loader(*args, **kwargs)
            finally:
                self._depth -= 1
                if self._depth == 0:
                    self.seconds += time.perf_counter() - began

        return call


WATCH = Stopwatch()


def visit(page: str, parameters: dict[str, str]) -> tuple[float, float, str]:
    """One fresh visit: milliseconds of the page's data, of its whole script, and what went wrong."""
    WATCH.attach()
    at = AppTest.from_file(str(MAIN), default_timeout=300)
    for name, value in parameters.items():
        at.query_params[name] = value
    at.switch_page(f"pages/{page}.py")
    WATCH.seconds = 0.0
    began = time.perf_counter()
    at.run()
    whole = time.perf_counter() - began
    wrong = [*at.exception, *at.error]
    return WATCH.seconds * 1000, whole * 1000, f"  {str(wrong[0].value)[:90]}" if wrong else ""


def bump(archive: Archive) -> None:
    with archive.transaction():
        pass


def main() -> None:
    sizes = [int(argument) for argument in sys.argv[1:] if argument.isdigit()] or [1000, 10_000, 100_000]
    wanted = {argument for argument in sys.argv[1:] if not argument.isdigit()}
    # The copies are all alike, which a look at their shapes warns of.
    warnings.filterwarnings("ignore", category=RuntimeWarning)
    with tempfile.TemporaryDirectory(prefix="ovenbook-bench-") as folder:
        for runs in sizes:
            archive = full_archive(Path(folder) / f"{runs}.duckdb")
            began = time.perf_counter()
            multiply(archive, runs)
            built = time.perf_counter() - began
            os.environ["OVENBOOK_ARCHIVE"] = str(archive.path)
            archive.read("SELECT count(*) FROM run_overview")
            began = time.perf_counter()
            archive.read("SELECT count(*), count(verdict), count(oven) FROM run_overview")
            base = (time.perf_counter() - began) * 1000
            size = archive.path.stat().st_size / 1e6
            print(
                f"\n{runs} runs, {size:.0f} MB, built in {built:.0f} s; bare count over the view of runs {base:.0f} ms"
            )
            print(f"{'page':48}{'first':>8}{'changed':>9}{'again':>8}{'script':>9}   ms; data over {GOAL_MS} marked *")
            for page, parameters in PAGES:
                if (wanted and page not in wanted) or not (MAIN.parent / "pages" / f"{page}.py").exists():
                    continue
                first, _, _ = visit(page, parameters)
                changed = []
                for _ in range(3):
                    bump(archive)
                    changed.append(visit(page, parameters)[0])
                visits = [visit(page, parameters) for _ in range(3)]
                again, whole, wrong = min(v[0] for v in visits), min(v[1] for v in visits), visits[-1][2]
                name = page + ("?" + "&".join(f"{k}={v}" for k, v in parameters.items()) if parameters else "")
                figures = "".join(
                    f"{ms:>{w}.0f}{'*' if ms > GOAL_MS else ' '}"
                    for ms, w in zip((first, min(changed), again), (7, 8, 7), strict=True)
                )
                print(f"{name:48}{figures}{whole:>8.0f}{wrong}", flush=True)
            archive.path.unlink()


if __name__ == "__main__":
    main()
