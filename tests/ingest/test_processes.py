"""Workers end with the process they work for, also when that one is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

AT_WORK = """
import os, sys
from ingest.processes import started_afresh
with started_afresh(1) as pool:
    print(pool.submit(os.getpid).result(), flush=True)
    sys.stdin.read()
"""


def at_work(process: int) -> bool:
    """False also for one that has ended and whom nobody has asked how."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc to see who is there")
@pytest.mark.parametrize("killed", [True, False])
def test_a_worker_ends_with_its_parent(killed: bool) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", AT_WORK], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        assert at_work(worker)
        if killed:
            parent.kill()
    try:
        end = time.monotonic() + 30
        while at_work(worker):
            assert time.monotonic() < end, "the worker stayed"
            time.sleep(0.05)
    finally:
        if at_work(worker):
            os.kill(worker, signal.SIGKILL)
