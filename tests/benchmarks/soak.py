"""Everything at once on one archive: four HTTP senders, a folder, a terminal, two browsers, two readers.

    python tests/benchmarks/soak.py [--minutes 10] [--browsers 2]

Prints how many logs went which way, how many were lost or stored twice, every error a sender, reader or browser was shown,
and the 50th, 99th percentile and maximum of what each waited for [ms]. Only to 127.0.0.1. Logs are invented.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Error as PlaywrightError

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "dashboard")]

from browsing import chromium  # noqa: E402
from page_archives import bake, empty_archive  # noqa: E402
from service_process import Service, serving  # noqa: E402

from ingest import spool  # noqa: E402
from ingest.archive import Archive  # noqa: E402
from ingest.archive.verify import verify  # noqa: E402

SENDER_PAUSE_S = 0.5
FOLDER_PAUSE_S = 1.5
TERMINAL_PAUSE_S = 2.0
READER_PAUSE_S = 0.5
DROP = "drop"
PAGES = ("/", "/runs", "/run?run=1", "/held", "/ovens", "/drift", "/compare", "/reference-runs")


class Tally:
    """What all of them did and waited for."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.number = 0
        self.sent: dict[str, str] = {}
        self.refused: set[str] = set()
        self.answers: Counter[str] = Counter()
        self.errors: list[str] = []
        self.waits: dict[str, list[float]] = defaultdict(list)

    def next_log(self, way: str) -> tuple[int, bytes]:
        with self.lock:
            self.number += 1
            number = self.number
        data = bake(minutes=number * 10, peak_c=238.0 + number % 11, text=f"n{number}")
        with self.lock:
            self.sent[hashlib.sha256(data).hexdigest()] = way
        return number, data

    def waited(self, what: str, since: float) -> None:
        with self.lock:
            self.waits[what].append((time.monotonic() - since) * 1000)

    def answer(self, what: str) -> None:
        with self.lock:
            self.answers[what] += 1

    def error(self, line: str) -> None:
        with self.lock:
            self.errors.append(line)


def sender(service: Service, tally: Tally, stop: threading.Event) -> None:
    luck = random.Random()
    while not stop.wait(luck.uniform(0, 2 * SENDER_PAUSE_S)):
        number, data = tally.next_log("http")
        begun = time.monotonic()
        try:
            said = service.post(data, name=f"http-{number}.csv")
        except OSError as error:
            tally.error(f"sender: {error}")
            continue
        tally.waited("http post", begun)
        tally.answer(f"http {said.status} {said.json[0]['status'] if said.status in (200, 202) else said.body[:80]}")
        if said.status not in (200, 202):
            tally.refused.add(hashlib.sha256(data).hexdigest())
            tally.error(f"sender: {said.status} {said.body[:200]!r}")


def dropper(service: Service, tally: Tally, stop: threading.Event) -> None:
    folder = service.archive.parent / DROP
    while not stop.wait(FOLDER_PAUSE_S):
        number, data = tally.next_log("folder")
        part = folder / f"drop-{number}.part"
        part.write_bytes(data)
        part.rename(folder / f"drop-{number}.csv")


def terminal(service: Service, tally: Tally, stop: threading.Event) -> None:
    env = {**os.environ, "OVENBOOK_ARCHIVE": str(service.archive)}
    while not stop.wait(TERMINAL_PAUSE_S):
        number, data = tally.next_log("terminal")
        path = service.archive.parent / f"terminal-{number}.csv"
        path.write_bytes(data)
        begun = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "dashboard.cli", "import", str(path), "--json"],
            cwd=ROOT,
            env=env,
            capture_output=True,
            check=False,
        )
        tally.waited("terminal import (whole command)", begun)
        status = json.loads(done.stdout)[0]["status"] if done.returncode in (0, 1) and done.stdout else "none"
        tally.answer(f"terminal {status}")
        if done.returncode != 0 and status != "held":
            tally.refused.add(hashlib.sha256(data).hexdigest())
            tally.error(f"terminal: {done.returncode} {done.stderr[-200:]!r}")


def reader(service: Service, tally: Tally, stop: threading.Event) -> None:
    while not stop.wait(READER_PAUSE_S):
        begun = time.monotonic()
        try:
            rows = service.ask("GET", "/api/runs", last="50")
            tally.waited("read 50 runs", begun)
            if rows.status != 200:
                tally.error(f"reader: {rows.status} {rows.body[:100]!r}")
            elif rows.json:
                begun = time.monotonic()
                run = service.ask("GET", f"/api/runs/{rows.json[0]['run']}")
                tally.waited("read one run", begun)
                if run.status != 200:
                    tally.error(f"reader: {run.status} {run.body[:100]!r}")
        except OSError as error:
            tally.error(f"reader: {error}")


def browser(service: Service, tally: Tally, stop: threading.Event) -> None:
    """Opens one page after the other, waits until nothing runs any more, and looks for anything that went wrong."""
    with chromium() as opened:
        page = opened.new_page()
        where = ""
        page.on("pageerror", lambda error: tally.error(f"browser {where}: script: {str(error)[:200]}"))
        page.on(
            "response",
            lambda got: tally.error(f"browser {where}: {got.status} {got.url}") if got.status >= 400 else None,
        )
        turn = 0
        while not stop.wait(1.0):
            where = PAGES[turn % len(PAGES)]
            turn += 1
            begun = time.monotonic()
            try:
                page.goto(f"http://127.0.0.1:{service.port}{where}", wait_until="domcontentloaded")
                page.wait_for_selector("[data-testid=stMain] h1, [data-testid=stMain] .ob-first", timeout=60_000)
                tally.waited("browser, page with its heading", begun)
                page.locator("[data-testid=stStatusWidget]").wait_for(state="detached", timeout=60_000)
                tally.waited("browser, page drawn", begun)
                for bad in ("stException", "stConnectionStatus", "stAlertContentError", "stDialog"):
                    for text in page.locator(f"[data-testid={bad}]").all_inner_texts():
                        tally.error(f"browser {where}: {bad}: {text[:200]}")
            except PlaywrightError as error:
                tally.error(f"browser {where}: {str(error).splitlines()[0]}")


def safely(work: Callable[..., None], service: Service, tally: Tally, stop: threading.Event) -> None:
    """One that ends before its time must not look like one to whom nothing happened."""
    try:
        work(service, tally, stop)
    except Exception as error:
        tally.error(f"{work.__name__} ended: {type(error).__name__}: {error}")
    tally.answer(f"{work.__name__} went on to the end" if stop.is_set() else f"{work.__name__} ENDED EARLY")


def run(minutes: float, browsers: int) -> int:
    tally, stop = Tally(), threading.Event()
    with tempfile.TemporaryDirectory(prefix="ovenbook-soak-") as name:
        folder = Path(name)
        drop = folder / DROP
        drop.mkdir()
        archive = empty_archive(folder / "archive.duckdb")
        with serving(archive.path, "--watch", str(drop)) as service:
            work = [sender] * 4 + [dropper, terminal] + [reader] * 2 + [browser] * browsers
            threads = [threading.Thread(target=safely, args=(each, service, tally, stop)) for each in work]
            begun = time.monotonic()
            for thread in threads:
                thread.start()
            time.sleep(minutes * 60)
            stop.set()
            for thread in threads:
                thread.join()
            took = time.monotonic() - begun
            dropped = sum(way == "folder" for way in tally.sent.values())
            if not service.until(
                lambda: (
                    sum(e["source"] == "watch" for e in service.events("import")) >= dropped
                    and spool.count(archive.path) == 0
                )
            ):
                tally.error(f"{spool.count(archive.path)} logs still wait, {dropped} were dropped")
            spooled = sum(e["source"] == "spool" for e in service.events("import"))
            errors = service.events("error")
        return _report(tally, archive, took, spooled, errors)


def _report(tally: Tally, archive: Archive, took: float, spooled: int, errors: list[dict[str, Any]]) -> int:
    known = archive.read("SELECT status, count(*) AS n FROM log GROUP BY 1").set_index("status")["n"].to_dict()
    found = archive.read("SELECT sha256, count(*) AS n FROM run_overview GROUP BY sha256").set_index("sha256")["n"]
    # A log that was refused was never promised; the sender knows and keeps it. It counts among the errors.
    lost = [sha256 for sha256 in tally.sent if sha256 not in found.index and sha256 not in tally.refused]
    twice = int((found > 1).sum())
    again = sum(count for answer, count in tally.answers.items() if "duplicate" in answer)
    if again:
        tally.error(f"{again} logs that were sent once were answered as known already")
    problems = verify(archive)
    ways = Counter(tally.sent.values())
    print(
        f"{took:.0f} s, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; logs sent {len(tally.sent)} {dict(ways)}"
    )
    print(f"answers {dict(tally.answers)}; by way of the spool {spooled}")
    print(
        f"found {len(found)}, refused {len(tally.refused)}, lost {len(lost)}, twice {twice}, problems {len(problems)}"
    )
    print(f"logs in the archive {known}")
    print(f"errors shown {len(tally.errors)}, errors in the service's log {len(errors)}")
    for line in [*tally.errors[:10], *(e["text"] for e in errors[:5]), *(p.text for p in problems[:5])]:
        print(f"  {line}")
    for what, waits in sorted(tally.waits.items()):
        p50, p99 = np.percentile(waits, [50, 99])
        print(f"{what:<34} n {len(waits):5d}  p50 {p50:7.0f}  p99 {p99:7.0f}  max {max(waits):7.0f} ms")
    return 1 if lost or twice or problems or tally.errors else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--browsers", type=int, default=2)
    asked = parser.parse_args()
    sys.exit(run(asked.minutes, asked.browsers))
