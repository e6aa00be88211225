"""One import under way: logs are looked up and read ahead, then stored, some dozens each time the archive is opened."""

from __future__ import annotations

import contextlib
import hashlib
import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from ingest import spool
from ingest.archive import Archive, ArchiveBusy, Connection, DuplicateLog
from ingest.archive.connection import zone_of
from ingest.archive.gathered import Numbers
from ingest.archive.growth import log_that_holds_it
from ingest.import_result import ImportOptions, ImportResult
from ingest.incoming import Incoming
from ingest.keeping import AfterStore, Existing, existing_log, existing_logs, keep, known_result
from ingest.known_names import Given, OptionsError, look_up
from ingest.later import keep_for_later
from ingest.layout_memory import remembered
from ingest.readers import Readers
from ingest.recording import LayoutFound, Notice, Reading
from ingest.together import Together, easy_ones
from ingest.understanding import Prepared, understand

QUICK_BYTES = 1024 * 1024  # one log up to this size is read while the archive is open: one opening less
HOLD_S = 0.5  # longest time the archive is kept open for storing: a page or command beside us waits no longer


@dataclass
class Begun:
    """Logs under way: looked up, and being read; `done` when there is nothing left to do."""

    logs: Sequence[Incoming]
    hashes: Sequence[str]
    prepared: Callable[[], dict[int, Prepared]] = dict
    done: list[ImportResult] | None = None


@dataclass(frozen=True)
class _LookedUp:
    """Logs with their options complete, what the archive knows of their bytes, and the layouts it remembers."""

    logs: list[Incoming]
    known: dict[str, Existing]
    layouts: list[LayoutFound]


def _hashes(logs: Sequence[Incoming]) -> list[str]:
    return [hashlib.sha256(log.data).hexdigest() if log.data or not log.problem else "" for log in logs]


@dataclass
class Taking:
    """One import under way. `alone`: the only log of the call, so "the last run before" has a meaning without a clock."""

    archive: Archive
    after_store: AfterStore | None
    wait_s: float
    alone: bool
    received_at: datetime | None = None
    spooling: bool = True
    zone: str = ""
    reading: Readers = field(default_factory=lambda: Readers(0))
    numbers: Numbers = field(default_factory=dict[str, list[int]])
    by_itself: int = 0  # so many of the next logs are taken one by one
    given: dict[int, tuple[ImportOptions, Given]] = field(default_factory=dict[int, tuple[ImportOptions, Given]])

    def take(self, logs: Sequence[Incoming]) -> list[ImportResult]:
        return self.finish(self.begin(logs))[0]

    def begin(self, logs: Sequence[Incoming]) -> Begun:
        """Looks the logs up and begins to read those that are not stored yet; one small log is taken at once."""
        hashes = _hashes(logs)
        try:
            with self.archive.connect(self.wait_s) as con:
                looked_up = self._looked_up(con, logs, hashes)
                if len(logs) == 1 and len(logs[0].data) <= QUICK_BYTES:
                    logs = looked_up.logs
                    return Begun(logs, hashes, done=[self._one(con, logs[0], hashes[0], None)])
        except ArchiveBusy as busy:
            return Begun(logs, hashes, done=self._spooled(logs, busy))
        return self._reading(looked_up, hashes)

    def finish(
        self, begun: Begun, following: Sequence[Incoming] | None = None
    ) -> tuple[list[ImportResult], Begun | None]:
        """Stores what was read. `following` are looked up while the archive is open, which saves opening it once more:
        they come back as begun, unless they could not be."""
        if begun.done is not None:
            return begun.done, None
        hashes = _hashes(following or ())
        try:
            results, looked_up = self._store(begun.logs, begun.hashes, begun.prepared(), following, hashes)
        except ArchiveBusy as busy:
            return self._spooled(begun.logs, busy), None
        return results, self._reading(looked_up, hashes) if looked_up is not None else None

    def _reading(self, looked_up: _LookedUp, hashes: Sequence[str]) -> Begun:
        logs, known, layouts = looked_up.logs, looked_up.known, looked_up.layouts
        new = [i for i, sha256 in enumerate(hashes) if sha256 not in known or known[sha256].status != "stored"]
        sound = [i for i in new if logs[i].problem is None]
        prepared = self.reading.begin(
            [(logs[i].data, logs[i].name, logs[i].options.answers) for i in sound], layouts, self.zone
        )
        rejected = {i: Prepared(self._read(logs[i], layouts)) for i in new if logs[i].problem is not None}
        return Begun(logs, hashes, lambda: rejected | dict(zip(sound, prepared(), strict=True)))

    def _spooled(self, logs: Sequence[Incoming], busy: ArchiveBusy) -> list[ImportResult]:
        if not self.spooling or any(log.options.dry_run for log in logs):
            raise busy
        return list(keep_for_later(self.archive.path, logs, busy))

    def take_spooled(self, waiting: spool.Spooled, data: bytes) -> ImportResult:
        try:
            return self.take([Incoming(waiting.name, waiting.name, data, waiting.options)])[0]
        except OptionsError as error:
            # What it named has gone since: the log still goes in, without the names, and says so.
            bare = ImportOptions(source=waiting.options.source, answers=waiting.options.answers)
            result = self.take([Incoming(waiting.name, waiting.name, data, bare)])[0]
            return replace(result, warnings=(*result.warnings, Notice("options_dropped", str(error))))

    def _looked_up(self, con: Connection, logs: Sequence[Incoming], hashes: Sequence[str]) -> _LookedUp:
        self.zone = self.zone or zone_of(con)
        known = existing_logs(con, hashes)
        logs = [self._on_top(log, known.get(sha256)) for log, sha256 in zip(logs, hashes, strict=True)]
        for log in logs:
            self._given(con, log.options)
        return _LookedUp(logs, known, remembered(con))

    @staticmethod
    def _on_top(log: Incoming, existing: Existing | None) -> Incoming:
        """A held log that comes again keeps the answers and options it came with before."""
        if existing is None or existing.status != "held":
            return log
        return replace(log, options=log.options.over(existing.options | {"answers": existing.answers}))

    def _given(self, con: Connection, options: ImportOptions) -> Given:
        key = id(options)
        if key not in self.given:
            self.given[key] = (options, look_up(con, options, self.zone))
        return self.given[key][1]

    def _read(self, log: Incoming, layouts: Sequence[LayoutFound]) -> Reading:
        if log.problem is not None:
            return Reading("rejected", log.problem)
        return understand(log.data, log.name, log.options.answers, layouts, self.zone)

    def _store(
        self,
        logs: Sequence[Incoming],
        hashes: Sequence[str],
        prepared: dict[int, Prepared],
        following: Sequence[Incoming] | None,
        following_hashes: Sequence[str],
    ) -> tuple[list[ImportResult], _LookedUp | None]:
        results: list[ImportResult] = []
        looked_up: _LookedUp | None = None
        while len(results) < len(logs):
            try:
                with self.archive.connect(self.wait_s) as con:
                    until = time.monotonic() + HOLD_S
                    while len(results) < len(logs) and time.monotonic() < until:
                        i = len(results)
                        some = self._together(
                            con, logs[i:], hashes[i:], [prepared.get(k) for k in range(i, len(logs))], until
                        )
                        results += some or [self._one(con, logs[i], hashes[i], prepared.get(i))]
                    if len(results) == len(logs) and following:
                        with contextlib.suppress(OptionsError):  # said by `begin`, when what is stored has been told
                            looked_up = self._looked_up(con, following, following_hashes)
            except ArchiveBusy as busy:
                results += self._spooled(logs[len(results) :], busy)
        return results, looked_up

    def _together(
        self,
        con: Connection,
        logs: Sequence[Incoming],
        hashes: Sequence[str],
        prepared: Sequence[Prepared | None],
        until: float,
    ) -> list[ImportResult]:
        """Stores the first of these logs in one transaction, as many as are easy and fit into the time; none when the
        first is not easy, or when one of them cannot be stored after all: then each is taken by itself."""
        at_once = self.after_store is None or hasattr(self.after_store, "many")
        if not at_once or len(logs) < 2 or any(log.options.dry_run for log in logs) or self.by_itself > 0:
            self.by_itself = max(self.by_itself - 1, 0)
            return []
        readings = [one.reading if one is not None else None for one in prepared]
        count = easy_ones(con, [log.name for log in logs], hashes, readings)
        if count < 2:
            return []
        results: list[ImportResult] = []
        received_at = self.received_at or datetime.now(UTC)
        try:
            with self.archive.transaction(con, self.wait_s) as inside:
                together = Together.begin(inside, self.after_store, readings[:count], self.numbers, received_at)
                for log, sha256, one in zip(logs[:count], hashes, prepared, strict=False):
                    if one is None or (results and time.monotonic() > until):
                        break
                    given = self._given(inside, log.options)
                    results.append(
                        keep(
                            *(inside, log, sha256, one.reading, given, received_at),
                            alone=self.alone,
                            together=together,
                            prepared=one,
                        )
                    )
                return together.finish(results)
        except ArchiveBusy:
            raise
        except Exception:
            logging.getLogger(__name__).debug("%s logs were not stored together", count, exc_info=True)
            self.by_itself = len(results) + 1
            return []

    def _one(self, con: Connection, log: Incoming, sha256: str, prepared: Prepared | None) -> ImportResult:
        existing = existing_logs(con, [sha256]).get(sha256)
        if existing is not None and existing.status == "stored":
            return known_result(con, log, sha256, existing)
        reading = prepared.reading if prepared is not None else self._read(log, remembered(con))
        longer = log_that_holds_it(con, log.name, log.data, reading.head) if existing is None else None
        if longer is not None:
            again = known_result(con, log, sha256, existing_log(con, longer))
            return replace(again, reason=f"the beginning of log {longer}, {again.reason}")
        received_at = self.received_at or datetime.now(UTC)
        given = self._given(con, log.options)
        if log.options.dry_run or not sha256:
            return keep(None, log, sha256, reading, given, received_at)
        try:
            with self.archive.transaction(con, self.wait_s) as inside:
                return keep(
                    *(inside, log, sha256, reading, given, received_at),
                    alone=self.alone,
                    after_store=self.after_store,
                    prepared=prepared if prepared is not None and prepared.packed is not None else None,
                )
        except DuplicateLog:  # another thread stored the same bytes between the look and the transaction
            return known_result(con, log, sha256, existing_logs(con, [sha256])[sha256])
