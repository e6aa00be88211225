"""Short-lived connections to the one archive file, so that several processes and threads can share it.

DuckDB lets one process at a time hold the file. Everybody therefore opens, works and closes; who finds it held waits a
bounded time. Three measured traps shape this module:

* POSIX drops a process's lock when *any* descriptor of the file is closed in it; another process can then write beside
  us and committed data is lost. The file is opened by DuckDB alone, never by `open`, a hash or a copy in this process.
* One process must open the file in one configuration only; all go through `connect`.
* Threads that open and close at the same moment can meet a half-built instance; a mutex covers both.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb

from ingest.archive.errors import ArchiveBusy, ArchiveError

if TYPE_CHECKING:
    import pandas as pd

Connection = duckdb.DuckDBPyConnection

# Without the first two DuckDB would try the network when it is given a file of another database. Blocks of a quarter of
# the usual size, in files that are made anew: a table takes whole blocks, and an archive has many small tables.
_CONFIG: dict[str, Any] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "default_block_size": "65536",
}
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.002, 0.05
HELD_AT_MOST_S = 2.0  # by overlapping connections of this process, before another process gets its turn
FREE_S = 0.1  # longer than another process's longest pause between two tries
TURN_AT_MOST_S = 3.0

# What a full or vanished disk looks like in a statement and in whatever follows.
_CANNOT_WRITE = (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException)

_open_close = threading.Lock()


class _WriteLock:
    """One write transaction at a time in this process: two would collide on the change counter."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._owner: int | None = None

    def is_mine(self) -> bool:
        return self._owner == threading.get_ident()

    @contextlib.contextmanager
    def held(self, wait_s: float) -> Iterator[None]:
        if self.is_mine():
            raise ArchiveError("a transaction is open in this thread already: finish it first")
        if not self._lock.acquire(timeout=wait_s):
            raise ArchiveBusy(f"another part of this program has been writing for {wait_s:g} s: try again")
        self._owner = threading.get_ident()
        try:
            yield
        finally:
            self._owner = None
            self._lock.release()


class _Turns:
    """Lets other processes have the file now and then, however many threads of this one want it.

    The process holds the file as long as any of its connections is open, and threads whose connections overlap could hold
    it for ever. Once it has been held for `HELD_AT_MOST_S`, threads that come new wait until all have closed, and then for
    a moment that is longer than another process sleeps between two tries.
    """

    def __init__(self) -> None:
        self._change = threading.Condition()
        self._open = 0
        self._since = self._free_until = 0.0
        self._mine = threading.local()

    @contextlib.contextmanager
    def taken(self, at_once: bool) -> Iterator[None]:
        """The block's turn. `at_once`: without waiting, because others wait for this thread."""
        depth = getattr(self._mine, "depth", 0)
        with self._change:
            if depth == 0 and not at_once:  # a thread that has one open already must not wait for itself
                self._wait_for_turn()
            if self._open == 0:
                self._since = time.monotonic()
            self._open += 1
        self._mine.depth = depth + 1
        try:
            yield
        finally:
            self._mine.depth = depth
            with self._change:
                self._open -= 1
                if self._open == 0:
                    now = time.monotonic()
                    if now - self._since > HELD_AT_MOST_S:
                        self._free_until = now + FREE_S
                    self._change.notify_all()

    def _wait_for_turn(self) -> None:
        # Bounded: whoever has a connection open might be waiting for this very thread.
        end = time.monotonic() + TURN_AT_MOST_S
        while (now := time.monotonic()) < end:
            if self._open and now - self._since > HELD_AT_MOST_S:
                self._change.wait(end - now)
            elif not self._open and now < self._free_until:
                self._change.wait(self._free_until - now)
            else:
                return


_write_locks: dict[str, _WriteLock] = {}
_turns: dict[str, _Turns] = {}


def _write_lock(path: Path) -> _WriteLock:
    with _open_close:
        return _write_locks.setdefault(str(path), _WriteLock())


def one_line(error: BaseException) -> str:
    """The first line of an error's text, without DuckDB's prefix."""
    text = str(error).strip().splitlines() or [type(error).__name__]
    return re.sub(r"^([A-Za-z ]*Error: )+", "", text[0])


def _is_held(text: str) -> bool:
    # POSIX, then Windows wording
    return "Could not set lock" in text or "being used by another process" in text


def _holder(text: str) -> str:
    """Who holds the lock, as far as DuckDB's message tells."""
    found = re.search(r"lock is held in (.+?) \(PID (\d+)\)", text)
    return f"{Path(found[1]).name}, process {found[2]}" if found else "another program"


def _refusal(path: Path, error: duckdb.Error) -> ArchiveError:
    text = str(error)
    if "different configuration" in text:
        return ArchiveError(f"{path} is open in this program in another way: open it through ingest.open_archive only")
    if "not a valid DuckDB database" in text or "existing extension" in text:
        return ArchiveError(f"{path} is not an Ovenbook archive: give another --archive")
    if "Permission denied" in text or "Read-only file system" in text:
        return ArchiveError(f"{path} cannot be written here: check the rights of its folder, or give another --archive")
    if "No such file" in text or "does not exist" in text:
        return ArchiveError(f"{path} is not there: check the folder, or give another --archive")
    return ArchiveError(f"{path} cannot be opened: {one_line(error)}")


def _open(path: Path, read_only: bool, wait_s: float) -> Connection:
    # Imported before the lock is taken: a first import costs up to a second, and everybody else would wait for it.
    import numpy  # noqa: F401
    import pandas  # noqa: F401

    deadline = time.monotonic() + wait_s
    pause = _FIRST_PAUSE_S
    while True:
        try:
            with _open_close:
                return duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
        except duckdb.Error as error:
            if not _is_held(str(error)):
                raise _refusal(path, error) from None
            if time.monotonic() >= deadline:
                raise ArchiveBusy(
                    f"{path} has been held by {_holder(str(error))} for {wait_s:g} s: wait for it to finish or stop it"
                ) from None
        time.sleep(pause * (0.5 + random.random()))
        pause = min(pause * 1.5, _LONGEST_PAUSE_S)


def patience_s() -> float:
    """How long an opening waits for an archive that another program holds [s]: 10, or what OVENBOOK_WAIT_S says."""
    told = os.environ.get("OVENBOOK_WAIT_S", "10")
    try:
        return max(0.0, float(told))
    except ValueError:
        raise ArchiveError(f"OVENBOOK_WAIT_S is {told!r}: give a number of seconds") from None


@contextlib.contextmanager
def connect(path: Path, *, wait_s: float = 10.0, read_only: bool = False) -> Iterator[Connection]:
    """An open connection to the file at `path`, closed at the end; waits up to `wait_s` [s] for other processes.

    Raises ArchiveError with one line: held (and by whom), not there, no rights, not an archive.
    A file that does not exist is made, as an empty database; `Archive.connect` refuses that.
    """
    with _open_close:
        turns = _turns.setdefault(str(path), _Turns())
        writing = _write_locks.get(str(path))
    with turns.taken(at_once=writing is not None and writing.is_mine()):
        con = _open(path, read_only, wait_s)
        try:
            yield con
        finally:
            with _open_close:
                con.close()


@contextlib.contextmanager
def attached(path: Path) -> Iterator[Connection]:
    """The file at `path` read-only inside an empty in-memory database, so that it can be copied without touching it.

    Not for the archive in use by this process. Raises ArchiveError as `connect`, and at once when the file is held.
    """
    with _open_close:
        con = duckdb.connect(":memory:", config=_CONFIG)
    try:
        try:
            con.execute(f"ATTACH {literal(str(path))} AS source (READ_ONLY)")
        except duckdb.Error as error:
            if _is_held(str(error)):
                raise ArchiveBusy(
                    f"{path} is held by {_holder(str(error))}: wait for it to finish or stop it"
                ) from None
            raise _refusal(path, error) from None
        con.execute("USE source")
        yield con
    finally:
        with _open_close:
            con.close()


def literal(text: str) -> str:
    """`text` as an SQL literal, for the few statements that take no parameter."""
    return "'" + text.replace("'", "''") + "'"


class Archive:
    """The archive file at `path`. Holds no connection: every call opens, works and closes.

    `zone` is the IANA zone that stamps without a zone are read in and that pages show. `read_only` is True when this
    process may read but not write the file; it is then opened read-only throughout. `reading_only`: why, where it was
    asked for, in words for the pages.
    """

    def __init__(self, path: Path, *, read_only: bool = False, reading_only: str | None = None) -> None:
        self.path = path
        self.read_only = read_only
        self.reading_only = reading_only
        self._zone: str | None = None

    def __repr__(self) -> str:
        return f"Archive({str(self.path)!r})"

    @contextlib.contextmanager
    def connect(self, wait_s: float = 10.0) -> Iterator[Connection]:
        """An open connection for reading, or for a row of `transaction(con)`; keep it for a second at most.

        Raises ArchiveError when the file has vanished, or another process holds it for longer than `wait_s` [s].
        """
        if not os.path.exists(self.path):  # a stat opens nothing; DuckDB would quietly make an empty database
            raise ArchiveError(f"{self.path} is not there any more: check the folder, or give another --archive")
        with connect(self.path, wait_s=wait_s, read_only=self.read_only) as con:
            yield con

    @contextlib.contextmanager
    def transaction(self, con: Connection | None = None, wait_s: float = 10.0) -> Iterator[Connection]:
        """A connection inside one transaction: all of the block lands, or nothing.

        With `con` (from `connect`) the transaction runs on it, so that a bulk of logs pays for one opening. Bumps
        `change_counter`. When the block returns, the data is on disk; when it raises, nothing of it is.
        Raises ArchiveError on a full disk, a read-only archive, a transaction inside a transaction.
        """
        if self.read_only and self.reading_only:
            raise ArchiveError(self.reading_only)
        if self.read_only:
            raise ArchiveError(f"{self.path} cannot be written here: check the rights of the file and its folder")
        with contextlib.ExitStack() as stack:
            stack.enter_context(_write_lock(self.path).held(wait_s))
            if con is None:
                con = stack.enter_context(self.connect(wait_s))
            con.execute("BEGIN TRANSACTION")
            try:
                yield con
                con.execute("UPDATE archive_state SET change_counter = change_counter + 1")
                self._commit(con)
            except BaseException as error:
                # After a failed COMMIT there is no transaction left to roll back.
                with contextlib.suppress(duckdb.Error):
                    con.execute("ROLLBACK")
                if isinstance(error, _CANNOT_WRITE):
                    raise self._not_written(error) from None
                raise

    def _commit(self, con: Connection) -> None:
        try:
            con.execute("COMMIT")
        except duckdb.TransactionException as error:  # how a disk that fills up at this moment looks
            raise self._not_written(error) from None

    def _not_written(self, error: BaseException) -> ArchiveError:
        return ArchiveError(f"{self.path} could not be written, nothing was stored: {one_line(error)}")

    @contextlib.contextmanager
    def exclusive(self, wait_s: float = 10.0) -> Iterator[Connection]:
        """A connection while which nobody writes: no other process (the file's lock), no other thread of this one."""
        with _write_lock(self.path).held(wait_s), self.connect(wait_s) as con:
            yield con

    def read(self, sql: str, params: Sequence[Any] | dict[str, Any] = ()) -> pd.DataFrame:
        """The answer to one query as a data frame. Times come back as UTC without a zone. Writing is refused."""
        with self.connect() as con:
            con.execute("BEGIN TRANSACTION READ ONLY")
            frame = con.execute(sql, params).df()
            con.execute("COMMIT")
        return frame

    def change_counter(self) -> int:
        """Grows with every write; caches hang on it."""
        with self.connect() as con:
            return change_counter(con)

    @property
    def zone(self) -> str:
        if self._zone is None:
            with self.connect() as con:
                self._zone = zone_of(con)
        return self._zone

    def set_zone(self, zone: str) -> None:
        """Changes the zone used from now on; stored times are UTC and stay. ArchiveError on an unknown name."""
        from ingest.archive.clock import known_zone

        known_zone(zone)
        with self.transaction() as con:
            con.execute("UPDATE archive_state SET zone = ?", [zone])
        self._zone = zone


def _state(con: Connection, column: str) -> Any:
    row = con.execute(f"SELECT {column} FROM archive_state").fetchone()
    if row is None:
        raise ArchiveError("the archive has lost its state row: restore a backup")
    return row[0]


def change_counter(con: Connection) -> int:
    return int(_state(con, "change_counter"))


def zone_of(con: Connection) -> str:
    return str(_state(con, "zone"))
