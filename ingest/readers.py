"""Logs read in other processes, while this one stores: reading needs no archive, and only one process may hold it."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from ingest.processes import started_afresh
from ingest.recording import LayoutFound
from ingest.understanding import Prepared, prepare

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

_LOGS_A_TASK = 8
_WORTH_FROM = 150  # logs: starting a process costs as much as reading about a hundred

ToRead = tuple[bytes, str, Mapping[str, str]]  # bytes, name, answers


def readers_for(logs: int) -> int:
    """How many processes reading so many logs is worth.

    As many as there are processors: reading takes longer than storing, and the process that stores waits now and then.
    """
    return (os.cpu_count() or 1) if logs >= _WORTH_FROM else 0


class Readers:
    """`count` processes that read (see `processes.started_afresh`); 0: this one reads."""

    def __init__(self, count: int) -> None:
        self._pool: ProcessPoolExecutor | None = None
        if count > 0:
            self._pool = started_afresh(count)

    def __enter__(self) -> Readers:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    @property
    def ahead(self) -> int:
        """Batches to begin before the first is waited for."""
        return 0 if self._pool is None else 2

    def begin(self, logs: Sequence[ToRead], layouts: Sequence[LayoutFound], zone: str) -> Callable[[], list[Prepared]]:
        """Begins to read; what is returned waits for the logs and gives them in their order."""
        parts = [logs[start : start + _LOGS_A_TASK] for start in range(0, len(logs), _LOGS_A_TASK)]
        if self._pool is None:
            return lambda: [one for part in parts for one in _read(part, layouts, zone)]
        from concurrent.futures import BrokenExecutor

        begun: list[Future[list[Prepared]] | None] = []
        for part in parts:
            try:
                begun.append(self._pool.submit(_read, part, layouts, zone))
            except BrokenExecutor:
                begun.append(None)

        def readings() -> list[Prepared]:
            found: list[Prepared] = []
            for part, one in zip(parts, begun, strict=True):
                try:
                    found += _read(part, layouts, zone) if one is None else one.result()
                except BrokenExecutor:  # the other process was killed: its logs are read here
                    found += _read(part, layouts, zone)
            return found

        return readings


def _read(part: Sequence[ToRead], layouts: Sequence[LayoutFound], zone: str) -> list[Prepared]:
    return [prepare(data, name, answers, layouts, zone) for data, name, answers in part]
