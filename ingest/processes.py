"""Processes that work for this one and end with it, however it ends."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor


def started_afresh(count: int) -> ProcessPoolExecutor:
    """`count` workers, started afresh as a fork would copy open locks. A program that uses them must guard its start by
    `if __name__ == "__main__"`."""
    # late: a command that needs no help pays for neither
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    fresh = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(count, mp_context=fresh, initializer=_end_with_parent)


def _end_with_parent() -> None:
    """A worker whose parent is killed would wait for its next task for ever, with all it has loaded."""
    import multiprocessing

    parent = multiprocessing.parent_process()

    def wait() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
