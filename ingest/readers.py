"""Logs read in other processes, while this one stores: reading needs no archive, and only one process may hold it."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from ingest.recording import LayoutFound, Reading
from ingest.understanding import understand

_LOGS_A_TASK = 8
_WORTH_FROM = 150  # logs: starting a process costs as much as reading about a hundred

ToRead = tuple[bytes, str, Mapping[str, str]]  # bytes, name, answers


def readers_for(logs: int) -> int:
    """How many processes reading so many logs is worth: all but the one that stores."""
    return max((os.cpu_count() or 1) - 1, 0) if logs >= _WORTH_FROM else 0


class Readers:
    """`count` processes that read; 0: this one reads. Started afresh, as a fork would copy open locks: a program that uses
    them must guard its start by `if __name__ == "__main__"`."""

    def __init__(self, count: int) -> None:
        self._pool: ProcessPoolExecutor | None = None
        if count > 0:
            self._pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))

    def __enter__(self) -> Readers:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    @property
    def ahead(self) -> int:
        """Batches to begin before the first is waited for."""
        return 0 if self._pool is None else 2

    def begin(self, logs: Sequence[ToRead], layouts: Sequence[LayoutFound], zone: str) -> Callable[[], list[Reading]]:
        """Begins to read; what is returned waits for the readings and gives them in the order of the logs."""
        parts = [logs[start : start + _LOGS_A_TASK] for start in range(0, len(logs), _LOGS_A_TASK)]
        begun: list[Future[list[Reading]] | None] = [None] * len(parts)
        if self._pool is not None:
            try:
                begun = [self._pool.submit(_read, part, layouts, zone) for part in parts]
            except BrokenProcessPool:
                self._pool = None
        return lambda: [r for part, one in zip(parts, begun, strict=True) for r in _done(part, one, layouts, zone)]


def _done(
    part: Sequence[ToRead], begun: Future[list[Reading]] | None, layouts: Sequence[LayoutFound], zone: str
) -> list[Reading]:
    if begun is not None:
        try:
            return begun.result()
        except BrokenProcessPool:  # the other process was killed: its logs are read here
            pass
    return _read(part, layouts, zone)


def _read(part: Sequence[ToRead], layouts: Sequence[LayoutFound], zone: str) -> list[Reading]:
    return [understand(data, name, answers, layouts, zone) for data, name, answers in part]
