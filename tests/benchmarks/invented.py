"""Invented runs in bulk for the benchmarks: logs in a folder, or runs put straight into an archive.

The curves are those of the tests' own small oven (tests/analysis/simulated_oven), a few dozen of them, each used many
times with noise of its own, rounded as a controller rounds.
"""

from __future__ import annotations

import json
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "analysis")]

import numpy as np  # noqa: E402
from simulated_oven import any_oven, bake  # noqa: E402

from analysis.store import seed_defaults  # noqa: E402
from ingest.archive import Archive, open_archive  # noqa: E402
from ingest.archive.adoption import go_on_numbering  # noqa: E402
from ingest.archive.packing import insert_samples  # noqa: E402
from ingest.archive.reference import add_oven  # noqa: E402

ROWS, CHANNELS = 600, 4
CURVES = 32
NAMES = ("left", "right", "front", "rear")
BEGAN = datetime(2020, 1, 6, 7, 0, tzinfo=UTC)


def curves(seed: int = 0, count: int = CURVES) -> list[tuple[np.ndarray, np.ndarray]]:
    """(true readings [°C] CHANNELS x ROWS, set point [°C] ROWS) of `count` bakes, 1 s apart."""
    found = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        oven = any_oven(rng, tips=CHANNELS, length_s=float(ROWS), interval_s=1.0, warm_k=0.0)
        made = bake(oven)
        found.append((made.readings[:, ::2], made.setpoint[::2]))
    return found


def readings(rng: np.random.Generator, truth: np.ndarray) -> np.ndarray:
    """What a logger makes of it: noise of 0.2 K, steps of 0.25 K."""
    return np.round((truth + rng.normal(0.0, 0.2, truth.shape)) * 4.0) / 4.0


def write_logs(folder: Path, count: int, seed: int = 0) -> None:
    """`count` logs of ROWS rows x 6 columns (seconds, set point, four temperatures) with a header and a start line."""
    base = curves(seed)
    rng = np.random.default_rng([seed, 99])
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        truth, setpoint = base[number % len(base)]
        values = readings(rng, truth)
        start = BEGAN + timedelta(minutes=40 * number)
        lines = [f"# invented data\n# start: {start:%Y-%m-%dT%H:%M:%SZ}\nelapsed_s,setpoint_c"]
        lines[0] += "".join(f",{name}_c" for name in NAMES)
        for second in range(ROWS):
            row = ",".join(f"{v:.2f}" for v in values[:, second])
            lines.append(f"{second},{setpoint[second]:.1f},{row}")
        (folder / f"run_{number:06d}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def filled_archive(path: Path, runs: int, seed: int = 0, *, paste: int | None = None, ovens: int = 4) -> Archive:
    """An archive with `runs` runs of CHANNELS x ROWS temperatures and no evaluation, with a paste (None: SAC305's).

    Written beside the import, whose cost is another benchmark's matter. The logs' bytes are left out.
    """
    archive = open_archive(path)
    base = curves(seed)
    rng = np.random.default_rng([seed, 98])
    seed_defaults(archive)
    with archive.connect() as con:
        row = con.execute("SELECT paste_id FROM paste WHERE is_default AND alloy LIKE 'SAC305%'").fetchone()
        chosen = paste if paste is not None else int(row[0]) if row else None
        oven_ids = [add_oven(con, f"oven {i + 1}") for i in range(ovens)]
    ms = np.arange(ROWS, dtype=np.int32) * 1000
    per = 500
    for first in range(0, runs, per):
        numbers = range(first + 1, min(first + per, runs) + 1)
        with archive.transaction() as con:
            _rows(con, numbers, oven_ids, chosen)
            insert_samples(con, [(n, ms, readings(rng, base[n % len(base)][0]).astype(np.float32)) for n in numbers])
    with archive.transaction() as con:
        go_on_numbering(con)
    return archive


def _rows(con, numbers: range, oven_ids: list[int], paste: int | None) -> None:
    ids = list(numbers)
    starts = [(BEGAN + timedelta(minutes=40 * n)).replace(tzinfo=None) for n in ids]
    con.execute(
        """INSERT INTO log (log_id, sha256, file_name, source, received_at, size_bytes, status, questions, answers,
                            warnings, options, head, reader_version)
           SELECT unnest(?::INTEGER[]), unnest(?::VARCHAR[]), 'invented', 'file', ?, 0, 'stored',
                  '[]', '{}', '[]', '{}', '[]', '0'""",
        [ids, [f"{n:064x}" for n in ids], starts[0]],
    )
    con.execute(
        """INSERT INTO run (run_id, log_id, part, started_at, zone, duration_s, sample_interval_s, sample_count,
                            first_line, last_line, notices, setpoint_hash, oven_id, paste_id)
           SELECT unnest(?::INTEGER[]), unnest(?::INTEGER[]), 1, unnest(?::TIMESTAMP[]), 'UTC', ?, 1.0, ?, 1, ?, '[]',
                  unnest(?::VARCHAR[]), unnest(?::INTEGER[]), ?""",
        [
            *(ids, ids, starts, float(ROWS - 1), ROWS * CHANNELS, ROWS),
            [f"{n % CURVES:064x}" for n in ids],
            [oven_ids[n % len(oven_ids)] for n in ids],
            paste,
        ],
    )
    con.execute(
        """INSERT INTO channel (run_id, channel_no, name, role, judged, unit, unit_original, samples, missing, labels,
                                faults, confidence, reasons)
           SELECT r, c, (?::VARCHAR[])[c + 1], 'temperature', true, '°C', '°C', ?, 0, '[]', '[]', 1.0, ?
           FROM (SELECT unnest(?::INTEGER[]) AS r), range(?) AS t(c) ORDER BY r, c""",
        [list(NAMES), ROWS, json.dumps(["the header says so"]), ids, CHANNELS],
    )


class Spent:
    """Wall and CPU seconds (children that have ended included) of a `with` block."""

    wall_s = cpu_s = 0.0

    def __enter__(self) -> Spent:
        self._wall, self._cpu = time.perf_counter(), _cpu()
        return self

    def __exit__(self, *_: object) -> None:
        self.wall_s, self.cpu_s = time.perf_counter() - self._wall, _cpu() - self._cpu


def _cpu() -> float:
    import resource

    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def peak_memory_mb() -> float:
    """Largest resident size this process or one of its children had so far."""
    import resource

    return max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
