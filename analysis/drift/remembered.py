"""Arithmetic that need not be done again: what depends on the runs up to some run stays as it is when later ones come in.

A result is found by a digest of everything it was worked out from, so it can be remembered for as long as there is room
and never be out of date.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analysis.drift.baseline import Setting

T = TypeVar("T")


class Remembered(Generic[T]):
    """The last `most` results by key, the least used forgotten first; for use by several threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._results: OrderedDict[bytes, T] = OrderedDict()
        self._lock = threading.Lock()

    def get_or(self, key: bytes, work_out: Callable[[], T]) -> T:
        with self._lock:
            if key in self._results:
                self._results.move_to_end(key)
                return self._results[key]
        result = work_out()
        with self._lock:
            self._results[key] = result
            while len(self._results) > self._most:
                self._results.popitem(last=False)
        return result

    def forget(self) -> None:
        with self._lock:
            self._results.clear()


class Prefix:
    """Digests of one series and its setting from the first run to ever later ones."""

    def __init__(self, values: NDArray[np.floating[Any]], setting: Setting, level: float) -> None:
        self._columns = (values, setting.codes, setting.ambient, setting.covariates)
        self._done = 0
        self._hash = hashlib.blake2b(repr((level, setting.names, setting.covariates.shape[1])).encode(), digest_size=16)
        self._hash.update(setting.prior.tobytes())

    def key(self, rows: NDArray[np.int64]) -> bytes:
        """Digest of all before the first of `rows`, and of what `rows` were made under. Ask in rising order."""
        first, end = int(rows[0]), int(rows[-1]) + 1
        self._add(self._hash, slice(self._done, first), values=True)
        self._done = first
        own = self._hash.copy()
        own.update(rows.tobytes())
        self._add(own, slice(first, end), values=False)
        return own.digest()

    def _add(self, to: Any, rows: slice, *, values: bool) -> None:
        for column in self._columns[0 if values else 1 :]:
            to.update(np.ascontiguousarray(column[rows]).tobytes())
