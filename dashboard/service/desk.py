"""Where every log of the service comes in, from HTTP, the watched folder or a page: stored, counted, written down, told.

Acknowledged means on disk: a result is handed back only when the log is committed to the archive, or flushed to the spool
beside it. Neither possible: NotKept, and the sender must keep its log.
"""

from __future__ import annotations

import contextlib
import hashlib
import queue
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from dashboard.service import journal
from dashboard.service.alerts import Sender, alerts_of
from dashboard.service.drift_news import DriftNews
from ingest import spool
from ingest.archive import Archive, ArchiveBusy, ArchiveError
from ingest.archive.connection import patience_s
from ingest.import_result import ImportOptions, ImportResult
from ingest.importing import OptionsError, drain_spool, import_bytes
from ingest.members import MAX_UNPACKED, members
from ingest.watching import watch

DRAIN_S = 2.0  # how often logs in the spool are tried again
LONGEST_DRAIN_S = 300.0
AGAIN_S = 5.0  # after trouble with the watched folder
BUSY_S = 5.0  # a sender waits at most this long for the archive before its log goes to the spool


class NotKept(Exception):
    """The log is neither in the archive nor in the spool. One line that says why."""


class Desk:
    """Takes logs in for one archive, and knows how it went since the start."""

    def __init__(self, archive: Archive, alerts: Sender, folder: Path | None = None, oven: str | None = None) -> None:
        self.archive = archive
        self.alerts = alerts
        self.folder = folder
        self.oven = oven
        self.busy_s = min(BUSY_S, patience_s())
        self.started_at = datetime.now(UTC)
        self._counts: Counter[str] = Counter()
        self._last_error: dict[str, str] | None = None
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._stored: queue.SimpleQueue[list[int] | None] = queue.SimpleQueue()
        self._news = DriftNews(archive) if alerts.to else None

    # Logs

    def take(self, data: bytes, name: str, options: ImportOptions, controller: str | None = None) -> list[ImportResult]:
        """Take in one log, or the logs of a zip. Raises OptionsError (nothing kept) and NotKept."""
        from analysis.store import evaluate_and_write

        begun = time.monotonic()
        try:
            results = import_bytes(self.archive, data, name, options, evaluate_and_write, wait_s=self.busy_s)
        except OptionsError:
            raise
        except ArchiveError as error:
            results = self._spooled(data, name, options, error)
        except (
            Exception
        ) as fault:  # a slip in the code: the service goes on, and the sender knows that it keeps its log
            self.trouble(f"a fault in Ovenbook itself: {type(fault).__name__}: {fault}")
            raise NotKept("a fault in Ovenbook itself: keep the log and send it again after the next update") from None
        self.note(results, options.source, controller=controller, took_s=time.monotonic() - begun)
        return results

    def _spooled(self, data: bytes, name: str, options: ImportOptions, error: ArchiveError) -> list[ImportResult]:
        """Keeps each log of the body beside the archive; one that had been stored already is recognised later."""
        self.trouble(str(error))
        reason = "not stored yet, the archive cannot be written just now: the log is kept beside it and goes in later"
        results: list[ImportResult] = []
        for member in members(data, name, max_bytes=MAX_UNPACKED):
            sha256 = hashlib.sha256(member.data).hexdigest()
            if member.problem is not None:
                results.append(ImportResult(member.name, sha256, "rejected", member.problem))
                continue
            try:
                spool.put(self.archive.path, member.data, member.name, sha256, options)
            except OSError as second:
                self.trouble(f"{error}; the log could not be kept beside it either ({second.strerror})")
                raise NotKept(
                    "the log could not be stored, keep it and send it again: the archive cannot be written"
                ) from None
            results.append(ImportResult(member.name, sha256, "held", reason))
        return results

    def note(
        self,
        results: Iterable[ImportResult],
        source: str,
        *,
        controller: str | None = None,
        took_s: float | None = None,
    ) -> None:
        """Counts results, writes a line each, and tells who wants to know."""
        for result in results:
            with self._lock:
                self._counts[result.status] += 1
            journal.write(
                "import",
                source=source,
                controller=controller,
                file=result.file,
                sha256=result.sha256,
                status=result.status,
                reason=result.reason,
                runs=[run.run for run in result.runs],
                verdicts=[run.verdict for run in result.runs],
                ms=None if took_s is None else round(took_s * 1000),
            )
            if result.status == "stored" and self.alerts.to:
                self._stored.put([run.run for run in result.runs if run.run is not None])

    def trouble(self, line: str) -> None:
        """Notes an error of the service itself, for its log and its health."""
        with self._lock:
            self._last_error = {"at": datetime.now(UTC).isoformat(timespec="seconds"), "text": line}
        journal.write("error", text=line)

    def _tell_all(self, news: DriftNews) -> None:
        """In a thread of its own: looking for drift takes longer than storing a log."""
        self._tell_drift(news, None)  # what came while nobody told
        while (runs := self._stored.get()) is not None:
            ovens = self._tell_runs(runs)
            with contextlib.suppress(queue.Empty):  # an oven is looked at once, however many of its logs came together
                while (runs := self._stored.get_nowait()) is not None:
                    ovens |= self._tell_runs(runs)
            self._tell_drift(news, ovens)
            if runs is None:
                return

    def _tell_runs(self, runs: list[int]) -> set[str]:
        """Alerts of these runs; the names of their ovens."""
        from analysis.store import run_summary

        ovens: set[str] = set()
        for run in runs:
            try:
                summary = run_summary(self.archive, run)
                for alert in alerts_of(summary):
                    self.alerts.put(alert)
            except Exception as error:  # the next run is told of all the same
                self.trouble(f"no alert for run {run}: {error}")
                continue
            if oven := summary["metadata"]["oven"]["value"]:
                ovens.add(str(oven))
        return ovens

    def _tell_drift(self, news: DriftNews, ovens: set[str] | None) -> None:
        try:
            for alert in news.of_ovens(ovens):
                self.alerts.put(alert)
        except Exception as error:  # looked at again with the next log
            self.trouble(f"no look for drift: {error}")

    # Health

    def health(self, whole: bool = True) -> dict[str, Any]:
        """Counters since the start, what waits, the last error; not `whole`: only whether it works."""
        try:
            with self.archive.connect(wait_s=1.0):
                answers = True
        except ArchiveBusy:
            answers = True  # somebody works on it
        except ArchiveError as error:
            self.trouble(str(error))
            answers = False
        short = {"status": "ok" if answers else "trouble"}
        if not whole:
            return short
        with self._lock:
            counts, last = dict(self._counts), self._last_error
        return {
            **short,
            **{name: counts.get(name, 0) for name in ("stored", "held", "rejected", "duplicate")},
            "waiting": spool.count(self.archive.path),
            "last_error": last,
            "alerts_sent": self.alerts.sent,
            "alerts_lost": self.alerts.lost,
            "since": self.started_at.isoformat(timespec="seconds"),
        }

    # Threads

    def start(self) -> None:
        """Starts what goes on beside requests: alerts, the spool, the watched folder."""
        self.alerts.start()
        if self._news is not None:
            self._begin("telling", partial(self._tell_all, self._news))
        self._begin("spool", self._drain)
        if self.folder is not None:
            self._begin("folder", self._watch)

    def stop(self) -> None:
        """Ends them; a log under way is finished first."""
        self._stop.set()
        self._stored.put(None)
        for thread in self._threads:
            thread.join(30)
        self.alerts.stop()

    def _begin(self, name: str, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _drain(self) -> None:
        from analysis.store import evaluate_and_write

        pause = 0.0
        while not self._stop.wait(pause):
            try:
                stuck = False
                if before := spool.count(self.archive.path):
                    results = drain_spool(self.archive, evaluate_and_write, wait_s=self.busy_s)
                    self.note(results, "spool")
                    # A log that brings out a fault goes in no sooner by trying all the time; an archive may be free soon.
                    stuck = bool(results) and spool.count(self.archive.path) >= before
            except Exception as error:  # this thread must outlive whatever one log brings out
                self.trouble(f"the spool waits on: {error}")
                stuck = True
            pause = min(2 * pause, LONGEST_DRAIN_S) if stuck else DRAIN_S

    def _watch(self) -> None:
        from analysis.store import evaluate_and_write

        options = ImportOptions(source="watch", oven=self.oven)
        said = ""
        while not self._stop.is_set() and self.folder is not None:
            try:
                for result in watch(self.archive, self.folder, options, evaluate_and_write, stop=self._stop):
                    said = ""
                    self.note([result], "watch")
                return
            except Exception as error:  # this thread must outlive whatever one log brings out
                if str(error) != said:  # once, not every few seconds
                    said = str(error)
                    self.trouble(said)
            self._stop.wait(AGAIN_S)


_running: list[Desk] = []


def open_desk(desk: Desk) -> None:
    """Makes this the desk of the process, for the pages."""
    _running[:] = [desk]


def page_took(results: list[ImportResult]) -> list[ImportResult]:
    """Notes what a page took in, when the page is part of a service."""
    for desk in _running:
        desk.note(results, "page")
    return results


def options_from(given: Mapping[str, str], oven: str | None, who: str) -> ImportOptions:
    """Import options of a request. `oven`: the token's, which a sender cannot change. Raises OptionsError."""
    load = given.get("load_count")
    if load is not None and not (load.isascii() and load.isdigit() and len(load) <= 6):
        raise OptionsError("load_count must be a whole number")
    if oven is not None and given.get("oven", oven) != oven:
        raise OptionsError(f"this token is for logs of {oven}")
    plain = {name: given[name] for name in PLAIN_OPTIONS if name in given}
    options = ImportOptions.from_json(
        {**plain, "source": "http", "who": who, "load_count": int(load) if load else None}
    )
    return options if oven is None else replace(options, oven=oven)


PLAIN_OPTIONS = ("oven", "profile", "paste", "jar", "board", "kind", "orientation", "operator", "note", "started_at")
