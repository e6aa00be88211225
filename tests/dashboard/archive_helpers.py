"""Running the command line for tests: real processes on a real archive, and logs whose truth is written down here."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Said:
    """What one command did: exit status, text, trouble."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out, parse_constant=lambda word: (_ for _ in ()).throw(ValueError(word)))


@dataclass(frozen=True)
class Shop:
    """A command line with its own archive in a folder of its own."""

    folder: Path

    @property
    def archive(self) -> Path:
        return self.folder / "archive.duckdb"

    def environment(self, **more: str) -> dict[str, str]:
        kept = {key: value for key, value in os.environ.items() if not key.startswith("OVENBOOK") and key != "COLUMNS"}
        return kept | {"OVENBOOK_ARCHIVE": str(self.archive), "TZ": "UTC", **more}

    def __call__(self, *arguments: str | Path, stdin: bytes | None = None, **more: str) -> Said:
        done = subprocess.run(
            [sys.executable, "-m", "dashboard.cli", *map(str, arguments)],
            input=stdin,
            capture_output=True,
            check=False,
            env=self.environment(**more),
            timeout=300,
        )
        said = Said(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))
        assert "Traceback" not in said.err, said.err
        return said

    def quick(self, *arguments: str | Path, stdin: bytes | None = None) -> Said:
        """The same in this process: no start of Python, for tests that need many commands."""
        from typer.testing import CliRunner

        from dashboard import cli

        names = {"OVENBOOK_ARCHIVE": str(self.archive), "TZ": "UTC", "COLUMNS": None}
        done = CliRunner().invoke(cli.app, [*map(str, arguments)], input=stdin, env=names)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return Said(done.exit_code, done.stdout, done.stderr)

    def write(self, name: str, text: str | bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return path


def straight_log(
    peak_c: float = 243.0, *, channels: int = 2, start: str = "", step_s: int = 1, hold_s: int = 20, lag: float = 1.5
) -> str:
    """A log of straight pieces, so that its figures can be worked out by hand.

    25 to 150 °C in 100 s, 150 to 200 °C in 90 s, 200 °C to the peak at 1 °C/s, `hold_s` at the peak, down at 2 °C/s to
    50 °C. Channel n (from 0) reads lower by `lag` * n K at 225 °C, and in proportion to its rise elsewhere. Time above
    217 °C of channel 0: (peak - 217) / 1 + hold + (peak - 217) / 2 seconds.
    """
    corners = [(0.0, 25.0), (100.0, 150.0), (190.0, 200.0)]
    corners.append((corners[-1][0] + peak_c - 200.0, peak_c))
    if hold_s:
        corners.append((corners[-1][0] + hold_s, peak_c))
    corners.append((corners[-1][0] + (peak_c - 50.0) / 2.0, 50.0))
    lines = ["time_s," + ",".join(f"TC{n + 1} [°C]" for n in range(channels))]
    if start:
        lines.insert(0, f"# start: {start}")
    for t in range(0, int(corners[-1][0]) + 1, step_s):
        value = _at(corners, t)
        cells = [f"{value - lag * n * (value - 25.0) / 200.0:.2f}" for n in range(channels)]
        lines.append(f"{t}," + ",".join(cells))
    return "\n".join(lines) + "\n"


def _at(corners: list[tuple[float, float]], t: float) -> float:
    for (t0, v0), (t1, v1) in pairwise(corners):
        if t <= t1:
            return v0 + (v1 - v0) * (t - t0) / (t1 - t0)
    return corners[-1][1]
