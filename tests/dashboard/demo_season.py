"""The demo as it ships, built once a test session through the real import. Read it; copy the file before writing to it."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from tempfile import mkdtemp

from sample_logs.season import SeasonTruth, write_season


@lru_cache(maxsize=1)
def demo_archive() -> Path:
    from dashboard.demo import build

    path = Path(mkdtemp(prefix="demo-")) / "demo.duckdb"
    build(path)
    return path


@lru_cache(maxsize=1)
def demo_truth() -> SeasonTruth:
    """What the demo hides. Its logs are written again: the same seed writes the same files."""
    from dashboard.demo import RUNS, SEED

    return write_season(mkdtemp(prefix="truth-"), seed=SEED, runs=RUNS)
