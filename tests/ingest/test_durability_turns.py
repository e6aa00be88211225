"""Threads of one process whose connections overlap leave the file to another process now and then."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from ingest.archive import connection, open_archive

ROOT = Path(__file__).parents[2]

ASK = """
import sys
import numpy, pandas
from ingest.archive.connection import connect
from pathlib import Path
for _ in range(3):
    with connect(Path(sys.argv[1]), wait_s=10) as con:
        con.execute("SELECT 1")
print("had its turn")
"""


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Others get their turn after half a second instead of two: the same, sooner."""
    monkeypatch.setattr(connection, "HELD_AT_MOST_S", 0.5)


def test_another_process_gets_its_turn_beside_busy_threads(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    stop = threading.Event()
    rounds: list[int] = []

    def work() -> None:
        while not stop.is_set():
            with archive.connect():
                time.sleep(0.2)
            rounds.append(1)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
        time.sleep(0.05)  # out of step, so that one is always open
    try:
        done = subprocess.run(
            [sys.executable, "-c", ASK, str(archive.path)], cwd=ROOT, capture_output=True, text=True, check=False
        )
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert done.stdout == "had its turn\n", done.stderr
    assert len(rounds) > 10


def test_a_thread_that_has_one_open_does_not_wait_for_itself(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb")
    with archive.connect():
        time.sleep(0.7)
        with archive.connect() as inner:
            assert inner.execute("SELECT 1").fetchone() == (1,)
