"""Kill -9 at random moments: what was acknowledged is found, nothing half is visible, the next start works.

    python tests/benchmarks/kill9.py [--imports 440] [--service 60] [--migrations 40] [--backups 20] [--restores 20]
                                     [--rebuilds 20] [--seed 1]

Each trial is a real process, killed after a random time, then the archive is opened, verified and compared with what the
process had said. Prints a line a kind: kills, kills that struck while work was under way, acknowledged, found, wrong. A kill of
a process is not a power cut: what the disk itself loses is not tried here.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import multiprocessing
import random
import shutil
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import duckdb

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "dashboard"), str(Path(__file__).parent)]

from killed_work import backing_up, bulk, imports, log_of, migration, rebuilding, restoring  # noqa: E402
from service_process import start  # noqa: E402

from analysis.store import evaluate_and_write, seed_defaults  # noqa: E402
from ingest.archive import Archive, ArchiveError, open_archive  # noqa: E402
from ingest.archive.care import backup, rebuild, restore  # noqa: E402
from ingest.archive.migrate import migrations  # noqa: E402
from ingest.archive.repair import at_start  # noqa: E402
from ingest.archive.verify import verify  # noqa: E402
from ingest.importing import import_bytes  # noqa: E402
from ingest.reading import read_log  # noqa: E402

PRELOADED = ["duckdb", "pandas", "pyarrow", "scipy.stats", "ingest.importing", "analysis.store", "page_archives"]

# 500 while logs are stored (60 of them of the service itself, by HTTP), 100 during everything that writes whole archives.
KILLS = {"imports": 440, "service": 60, "migrations": 40, "backups": 20, "restores": 20, "rebuilds": 20}

BULK = 50  # logs in a folder


def killed(work: Any, path: Path, number: int, after_s: float) -> list[Any]:
    """Runs `work` in a process, kills it `after_s` [s] after it was ready; what it had said by then."""
    context = multiprocessing.get_context("forkserver")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=work, args=(str(path), number, there), daemon=True)
    process.start()
    there.close()
    said = []
    try:
        if here.recv() == "ready":
            time.sleep(after_s)
        process.kill()
        process.join()
        while here.poll():
            said.append(here.recv())
    except EOFError:
        pass
    process.join()
    return said


def stored_hashes(archive: Archive) -> list[str]:
    return archive.read("SELECT sha256 FROM log WHERE status = 'stored'")["sha256"].tolist()


def fingerprint(archive: Archive) -> str:
    """Everything a reader sees of runs, values and verdicts."""
    parts = [
        archive.read(sql).to_csv(index=False)
        for sql in (
            "SELECT * EXCLUDE (received_at) FROM run_overview ORDER BY run",
            "SELECT * FROM metric_long ORDER BY ALL",
            "SELECT * FROM finding ORDER BY ALL",
            "SELECT run, channel, count(*) AS n, sum(value) AS s FROM sample GROUP BY ALL ORDER BY ALL",
        )
    ]
    return hashlib.sha256("".join(parts).encode()).hexdigest()


def report(kind: str, kills: int, inside: int, acknowledged: int | str, found: int | str, wrong: list[str]) -> None:
    print(
        f"{kind:<12} kills {kills:4d}, under way {inside:4d}, acknowledged {acknowledged}, found {found}, wrong {len(wrong)}",
        flush=True,
    )
    for line in wrong[:10]:
        print(f"  {line}", flush=True)


def try_imports(folder: Path, kills: int, luck: random.Random) -> list[str]:
    archive = open_archive(folder / "imports.duckdb", zone="UTC")
    seed_defaults(archive)
    begun = time.monotonic()
    for number in range(3):  # before the numbers of the trials
        import_bytes(archive, log_of(-1 - number), f"first-{number}.csv", after_store=evaluate_and_write)
    length = (time.monotonic() - begun) / 3
    acknowledged: list[str] = []
    wrong: list[str] = []
    repaired = 0
    for trial in range(kills):
        if trial % 2:
            said = killed(imports, archive.path, trial * 1000, luck.uniform(0, 6 * length))
        else:  # many logs a transaction
            logs = Path(f"{archive.path}.logs-{trial * 1000}")
            logs.mkdir()
            for number in range(BULK):
                (logs / f"{number}.csv").write_bytes(log_of(trial * 1000 + number))
            said = killed(bulk, archive.path, trial * 1000, luck.uniform(0, BULK * length / 2))
            shutil.rmtree(logs)
        acknowledged += [item[1] for item in said if item[0] == "stored"]
        wrong += [f"trial {trial}: status {item[0]}" for item in said if item[0] != "stored"]
        repaired += bool(at_start(archive.path))
        if trial % 10 == 9:  # reading everything through takes longer than the trial
            wrong += [f"trial {trial}: {problem.text}" for problem in verify(archive)]
    found = stored_hashes(archive)
    wrong += [f"lost {sha256}" for sha256 in acknowledged if sha256 not in set(found)]
    wrong += ["a log is in twice"] * (len(found) - len(set(found)))
    runs = archive.read("SELECT count(*) AS n FROM run_overview WHERE verdict IS NULL")["n"].item()
    wrong += [f"{runs} runs without their evaluation"] if runs else []
    wrong += [problem.text for problem in verify(archive)]
    report("imports", kills, kills, len(acknowledged), f"{len(found) - 3} (repair spoke {repaired} times)", wrong)
    return wrong


def try_service(folder: Path, kills: int, luck: random.Random) -> list[str]:
    """The service itself, with two senders; a log counts as acknowledged when its 200 or 202 has come back whole."""
    archive = open_archive(folder / "service.duckdb", zone="UTC")
    acknowledged: list[str] = []
    wrong: list[str] = []
    number = [0]
    lock = threading.Lock()
    for _ in range(kills):
        service = start(archive.path)
        stop = threading.Event()

        def send(service: Any = service, stop: threading.Event = stop) -> None:
            while not stop.is_set():
                with lock:
                    number[0] += 1
                    data = log_of(number[0])
                try:
                    status = service.post(data, name="bake.csv").status
                except (OSError, ValueError, EOFError):
                    return
                except Exception as error:
                    if type(error).__module__ != "http.client":
                        raise
                    return
                if status in (200, 202):
                    acknowledged.append(hashlib.sha256(data).hexdigest())
                else:
                    wrong.append(f"status {status}")

        senders = [threading.Thread(target=send) for _ in range(2)]
        for sender in senders:
            sender.start()
        time.sleep(luck.uniform(0.2, 2.5))
        service.process.kill()
        service.process.wait()
        stop.set()
        for sender in senders:
            sender.join()
    at_start(archive.path)
    found = stored_hashes(archive)
    wrong += [f"lost {sha256}" for sha256 in acknowledged if sha256 not in set(found)]
    wrong += ["a log is in twice"] * (len(found) - len(set(found)))
    wrong += [problem.text for problem in verify(archive)]
    report("service", kills, kills, len(acknowledged), len(found), wrong)
    return wrong


def filled(path: Path, logs: int) -> Archive:
    archive = open_archive(path, zone="UTC")
    seed_defaults(archive)
    for number in range(logs):
        import_bytes(archive, log_of(number), f"bake-{number}.csv", after_store=evaluate_and_write)
    return archive


def of_schema(version: int, newest: Path, path: Path) -> None:
    """What `newest` holds, in an archive of an earlier schema: everything that schema has a place for."""
    open_archive(path, zone="UTC", known=migrations()[:version])
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{path}' AS old; ATTACH '{newest}' AS new (READ_ONLY)")
        columns: dict[tuple[str, str], set[str]] = defaultdict(set)
        for database, table, column in con.execute(
            "SELECT database_name, table_name, column_name FROM duckdb_columns() WHERE NOT internal"
        ).fetchall():
            columns[database, table].add(column)
        for (table,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = 'old' ORDER BY table_oid"
        ).fetchall():
            if table not in ("schema_version", "archive_state"):
                both = ", ".join(sorted(columns["old", table] & columns["new", table]))
                con.execute(f"INSERT INTO old.{table} ({both}) SELECT {both} FROM new.{table}")
        con.execute("USE old")
        for sequence, given in con.execute(
            "SELECT sequence_name, last_value FROM duckdb_sequences() WHERE database_name = 'new' AND last_value IS NOT NULL"
        ).fetchall():
            with contextlib.suppress(duckdb.CatalogException):  # a sequence of a later schema
                con.execute("SELECT count(nextval(?)) FROM range(?)", [sequence, given])


def try_migrations(folder: Path, kills: int, luck: random.Random) -> list[str]:
    """From every earlier schema in turn."""
    newest = filled(folder / "newest.duckdb", 120)
    hashes, before = sorted(stored_hashes(newest)), samples_of(newest)
    lengths: list[float] = []
    earlier = range(1, len(migrations()))
    for version in earlier:
        of_schema(version, newest.path, folder / f"old-{version}.duckdb")
        shutil.copy(folder / f"old-{version}.duckdb", folder / "probe.duckdb")
        begun = time.monotonic()
        open_archive(folder / "probe.duckdb")
        lengths.append(time.monotonic() - begun)
        for left in folder.glob("probe.*"):
            left.unlink()
    wrong: list[str] = []
    inside = left_copies = 0
    for trial in range(kills):
        version = earlier[trial % len(earlier)]
        path = folder / f"migrate-{trial}" / "a.duckdb"
        path.parent.mkdir()
        shutil.copy(folder / f"old-{version}.duckdb", path)
        said = killed(migration, path, 0, luck.uniform(0, lengths[version - 1]))
        inside += "done" not in said
        left_copies += any(path.parent.glob("*.part*"))
        try:
            if trial % 2:  # a service at its start; otherwise the next command
                at_start(path)
            archive = open_archive(path)
            with archive.connect() as con:
                now = con.execute("SELECT max(version) FROM schema_version").fetchone()
            wrong += [f"trial {trial}: schema {now}"] if now != (len(migrations()),) else []
            wrong += [f"trial {trial}: {problem.text}" for problem in verify(archive)]
            wrong += [f"trial {trial}: logs differ"] if sorted(stored_hashes(archive)) != hashes else []
            wrong += [f"trial {trial}: samples differ"] if samples_of(archive) != before else []
            at_start(path)
        except ArchiveError as error:
            wrong.append(f"trial {trial}, from schema {version}: {error}")
        wrong += [f"trial {trial}: left {p.name}" for p in path.parent.glob("*.part*")]
        shutil.rmtree(path.parent)
    found = "all" if not wrong else "see below"
    report("migrations", kills, inside, f"{len(hashes)} logs each", f"{found} (half copies left {left_copies})", wrong)
    return wrong


def samples_of(archive: Archive) -> str:
    rows = archive.read("SELECT run, channel, elapsed_s, value FROM sample ORDER BY ALL")
    return hashlib.sha256(rows.to_csv(index=False).encode()).hexdigest()


def try_backups(folder: Path, kills: int, luck: random.Random) -> list[str]:
    archive = filled(folder / "backups.duckdb", 60)
    begun = time.monotonic()
    backup(archive, folder / "probe-copy.duckdb")
    length = time.monotonic() - begun
    before = fingerprint(archive)
    wrong: list[str] = []
    inside = said_done = copies = 0
    for trial in range(kills):
        said = killed(backing_up, archive.path, trial, luck.uniform(0, length * 1.1))
        inside += "done" not in said
        said_done += "done" in said
        copy = Path(f"{archive.path}.copy-{trial}")
        if copy.exists():
            copies += 1
            wrong += [f"trial {trial}: the copy differs"] if fingerprint(Archive(copy)) != before else []
            wrong += [f"trial {trial}: copy: {problem.text}" for problem in verify(Archive(copy))]
        elif "done" in said:
            wrong.append(f"trial {trial}: acknowledged and not there")
        wrong += [f"trial {trial}: {problem.text}" for problem in verify(archive)] if trial % 10 == 9 else []
        if not copy.exists():
            backup(archive, copy)  # over what the kill left behind
        for left in copy.parent.glob(copy.name + "*"):
            left.unlink()
    wrong += [] if fingerprint(archive) == before else ["the archive changed"]
    report("backups", kills, inside, f"{said_done} copies", f"{copies}, each whole", wrong)
    return wrong


def try_restores(folder: Path, kills: int, luck: random.Random) -> list[str]:
    source = folder / "restores.duckdb"
    before = fingerprint(filled(source, 60))
    begun = time.monotonic()
    restore(source, folder / "probe-restored.duckdb")
    length = time.monotonic() - begun
    wrong: list[str] = []
    inside = said_done = made = 0
    for trial in range(kills):
        said = killed(restoring, source, trial, luck.uniform(0, length * 1.1))
        inside += "done" not in said
        said_done += "done" in said
        place = Path(f"{source}.restored-{trial}")
        if place.exists():
            made += 1
        elif "done" in said:
            wrong.append(f"trial {trial}: acknowledged and not there")
        else:
            restore(source, place)  # over what the kill left behind
        wrong += [f"trial {trial}: it differs"] if fingerprint(Archive(place)) != before else []
        wrong += [f"trial {trial}: {problem.text}" for problem in verify(Archive(place))]
        wrong += [f"trial {trial}: left {left.name}" for left in folder.glob(f"{place.name}.*")]
        place.unlink()
    wrong += [] if fingerprint(Archive(source)) == before else ["the copy changed"]
    report("restores", kills, inside, f"{said_done} archives", f"{made}, each whole", wrong)
    return wrong


def try_rebuilds(folder: Path, kills: int, luck: random.Random) -> list[str]:
    archive = filled(folder / "rebuilds.duckdb", 60)
    before = fingerprint(archive)
    begun = time.monotonic()
    rebuild(archive, read_log, evaluate_and_write)
    length = time.monotonic() - begun
    wrong = [] if fingerprint(archive) == before else ["rebuilding changed a result"]
    inside = 0
    for trial in range(kills):
        said = killed(rebuilding, archive.path, 0, luck.uniform(0, length))
        inside += "done" not in said
        at_start(archive.path)
        wrong += [f"trial {trial}: results differ"] if fingerprint(archive) != before else []
        wrong += [f"trial {trial}: {problem.text}" for problem in verify(archive)] if trial % 10 == 9 else []
    report("rebuilds", kills, inside, "60 logs each", "identical results" if not wrong else "see below", wrong)
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, default in KILLS.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    multiprocessing.get_context("forkserver").set_forkserver_preload(PRELOADED)
    luck = random.Random(asked.seed)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory(prefix="ovenbook-kill9-") as folder:
        for name, trial in (
            ("migrations", try_migrations),
            ("backups", try_backups),
            ("restores", try_restores),
            ("rebuilds", try_rebuilds),
            ("imports", try_imports),
            ("service", try_service),
        ):
            if getattr(asked, name):
                wrong += trial(Path(folder), getattr(asked, name), luck)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
