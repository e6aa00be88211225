"""The archive as one page load sees it, and the keeping of what was read from it.

Nothing is kept by time. `kept` hangs on the archive's change counter: a log imported from another terminal is there on the
next page load, and an unchanged archive is not read twice. `kept_while` hangs on a digest of the very rows a result is made
from, for results that take long and that most changes of the archive do not touch. What comes back is shared between
readers: never change it.
"""

from __future__ import annotations

import contextlib
import functools
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

from ingest.archive import Archive, open_archive

if TYPE_CHECKING:
    from ingest.archive import Connection

P = ParamSpec("P")
T = TypeVar("T")
_KEPT = 64  # results kept a loader; a page asks for a handful


class PageArchive(Archive):
    """An archive whose readers can share one connection: opening one takes longer than most of what a page reads."""

    def __init__(self, archive: Archive) -> None:
        super().__init__(archive.path, read_only=archive.read_only, reading_only=archive.reading_only)
        self._held = threading.local()

    @contextlib.contextmanager
    def connect(self, wait_s: float = 10.0) -> Iterator[Connection]:
        held = getattr(self._held, "connection", None)
        if held is not None:
            yield held
            return
        with super().connect(wait_s) as con:
            yield con

    @contextlib.contextmanager
    def one_opening(self) -> Iterator[None]:
        """Everything this thread reads in the block goes through one connection. For reading only, and for a moment only:
        nobody else can write meanwhile."""
        if getattr(self._held, "connection", None) is not None:
            yield
            return
        with self.connect() as con:
            self._held.connection = con
            try:
                yield
            finally:
                self._held.connection = None


@dataclass(frozen=True)
class Book:
    """The archive as it was at one change counter: what one page load works on."""

    archive: PageArchive
    counter: int

    @property
    def zone(self) -> str:
        return self.archive.zone

    def one_opening(self) -> contextlib.AbstractContextManager[None]:
        """See PageArchive.one_opening: loaders called in the block share a connection."""
        return self.archive.one_opening()


@functools.lru_cache(maxsize=4)
def _opened(path: str | None) -> PageArchive:
    """The archive at `path`, with the default pastes and windows in it. Opened once a process; holds no connection."""
    from analysis.store import seed_defaults

    archive = open_archive(path)
    seed_defaults(archive)
    return PageArchive(archive)


def current(path: str | None) -> Book:
    """The archive at `path` (None: the default place) as it is now. Raises ArchiveError with one clear line."""
    archive = _opened(path)
    return Book(archive, archive.change_counter())


class _Kept:
    """What a loader gave, the last used last."""

    def __init__(self) -> None:
        self._results: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()

    def get_or(self, key: Hashable, load: Callable[[], T]) -> T:
        with self._lock:
            if key in self._results:
                self._results.move_to_end(key)
                return self._results[key]
        value = load()
        with self._lock:
            self._results[key] = value
            while len(self._results) > _KEPT:
                self._results.popitem(last=False)
        return value


def kept(load: Callable[Concatenate[Book, P], T]) -> Callable[Concatenate[Book, P], T]:
    """Keep what `load` gave until the archive's change counter moves. Arguments must be hashable."""
    results = _Kept()

    @functools.wraps(load)
    def look_up(book: Book, *args: P.args, **kwargs: P.kwargs) -> T:
        key = (str(book.archive.path), book.counter, args, tuple(sorted(kwargs.items())))
        return results.get_or(key, lambda: load(book, *args, **kwargs))

    return look_up


def kept_while(
    digest: Callable[Concatenate[Book, P], Hashable],
) -> Callable[[Callable[Concatenate[Book, P], T]], Callable[Concatenate[Book, P], T]]:
    """Keep what a loader gave as long as `digest`, asked with the same arguments, gives the same.

    `digest` must cover every row the loader reads; it is asked at every call, so it is `kept` itself.
    """

    def decorate(load: Callable[Concatenate[Book, P], T]) -> Callable[Concatenate[Book, P], T]:
        results = _Kept()

        @functools.wraps(load)
        def look_up(book: Book, *args: P.args, **kwargs: P.kwargs) -> T:
            key = (str(book.archive.path), digest(book, *args, **kwargs), args, tuple(sorted(kwargs.items())))
            return results.get_or(key, lambda: load(book, *args, **kwargs))

        return look_up

    return decorate
