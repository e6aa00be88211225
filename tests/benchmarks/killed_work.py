"""What the processes do that kill9.py kills; each says on the pipe what it has done."""

from __future__ import annotations

import hashlib
from multiprocessing.connection import Connection as Pipe

from page_archives import bake

from analysis.store import evaluate_and_write
from ingest.archive import open_archive
from ingest.archive.care import backup, rebuild, restore
from ingest.importing import import_bytes, import_paths
from ingest.reading import read_log


def log_of(number: int) -> bytes:
    """A log whose start, peak and bytes hang on its number."""
    return bake(minutes=number * 10, peak_c=240.0 + number % 9, text=f"n{number}")


def imports(path: str, first: int, said: Pipe) -> None:
    archive = open_archive(path)
    said.send("ready")
    for number in range(first, first + 1000):
        data = log_of(number)
        result = import_bytes(archive, data, f"bake-{number}.csv", after_store=evaluate_and_write)[0]
        said.send((result.status, hashlib.sha256(data).hexdigest()))


def bulk(path: str, first: int, said: Pipe) -> None:
    archive = open_archive(path)
    said.send("ready")
    for result in import_paths(archive, [f"{path}.logs-{first}"], after_store=evaluate_and_write):
        said.send((result.status, result.sha256))


def migration(path: str, _: int, said: Pipe) -> None:
    said.send("ready")
    open_archive(path)
    said.send("done")


def backing_up(path: str, number: int, said: Pipe) -> None:
    archive = open_archive(path)
    said.send("ready")
    backup(archive, f"{path}.copy-{number}")
    said.send("done")


def restoring(path: str, number: int, said: Pipe) -> None:
    said.send("ready")
    restore(path, f"{path}.restored-{number}")
    said.send("done")


def rebuilding(path: str, _: int, said: Pipe) -> None:
    archive = open_archive(path)
    said.send("ready")
    rebuild(archive, read_log, evaluate_and_write)
    said.send("done")
