"""A watched folder with real files, written slowly, renamed, held open: each log is taken once, when it is complete."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from import_bakes import bake

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.importing import ImportOptions, ImportResult
from ingest.watching import watch

SETTLE_S = 0.15
WRITTEN_SLOWLY_S = 0.4  # the writer of this test must not be held up for as long on a busy machine


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="UTC")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "logs"
    place.mkdir()
    return place


@contextmanager
def watching(archive: Archive, folder: Path, settle_s: float = SETTLE_S) -> Iterator[list[ImportResult]]:
    results: list[ImportResult] = []
    stop = threading.Event()

    def run() -> None:
        for result in watch(archive, folder, settle_s=settle_s, stop=stop):
            results.append(result)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield results
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def until(true: Callable[[], bool], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "did not happen"
        time.sleep(0.05)


def stored(archive: Archive) -> int:
    return int(archive.read("SELECT count(*) AS n FROM log WHERE status = 'stored'")["n"][0])


def test_a_log_written_slowly_is_taken_once_and_whole(archive: Archive, folder: Path) -> None:
    data = bake()
    with watching(archive, folder, WRITTEN_SLOWLY_S) as results:
        for start in range(0, len(data), len(data) // 8 + 1):
            with (folder / "slow.csv").open("ab") as f:
                f.write(data[start : start + len(data) // 8 + 1])
            time.sleep(WRITTEN_SLOWLY_S / 4)
        until(lambda: len(results) == 1)
        time.sleep(2 * WRITTEN_SLOWLY_S)
    assert [(r.status, r.runs[0].duration_s) for r in results] == [("stored", 420.0)]
    assert stored(archive) == 1


def test_a_file_still_open_for_writing_is_left_alone_however_long_it_rests(archive: Archive, folder: Path) -> None:
    data = bake()
    half = len(data) // 2
    with watching(archive, folder) as results:
        with (folder / "open.csv").open("wb", buffering=0) as f:
            f.write(data[:half])
            time.sleep(5 * SETTLE_S)
            assert results == []
            f.write(data[half:])
        until(lambda: len(results) == 1)
    assert results[0].runs[0].duration_s == 420.0


def test_unfinished_names_wait_for_their_rename(archive: Archive, folder: Path) -> None:
    with watching(archive, folder) as results:
        (folder / "a.csv.part").write_bytes(bake())
        (folder / ".b.csv").write_bytes(bake(variant=1))
        time.sleep(4 * SETTLE_S)
        assert results == []
        (folder / "a.csv.part").rename(folder / "a.csv")
        until(lambda: len(results) == 1)
    assert Path(results[0].file).name == "a.csv"


def test_a_restart_takes_what_came_meanwhile_and_nothing_twice(archive: Archive, folder: Path) -> None:
    (folder / "one.csv").write_bytes(bake())
    with watching(archive, folder) as results:
        until(lambda: len(results) == 1)
    (folder / "two.csv").write_bytes(bake(variant=1))
    (folder / "copy of one.csv").write_bytes(bake())
    with watching(archive, folder) as results:
        until(lambda: len(results) == 1)
        time.sleep(3 * SETTLE_S)
    assert [(Path(r.file).name, r.status) for r in results] == [("two.csv", "stored")]
    assert stored(archive) == 2
    assert sorted(p.name for p in folder.iterdir()) == ["copy of one.csv", "one.csv", "two.csv"]


def test_moves_only_when_told_and_never_over_another_file(archive: Archive, folder: Path, tmp_path: Path) -> None:
    done = tmp_path / "done"
    done.mkdir()
    (done / "a.csv").write_bytes(b"was here before")
    (folder / "a.csv").write_bytes(bake())
    (folder / "bad.csv").write_bytes(b"no log at all\n")
    results = list(watch(archive, folder, settle_s=SETTLE_S, once=True, move_to=done))
    assert sorted((Path(r.file).name, r.status) for r in results) == [("a.csv", "stored"), ("bad.csv", "rejected")]
    assert [p.name for p in folder.iterdir()] == ["bad.csv"]
    assert (done / "a.csv").read_bytes() == b"was here before"
    assert (done / "a (2).csv").read_bytes() == bake()


def test_once_takes_what_is_there_and_returns(archive: Archive, folder: Path) -> None:
    assert list(watch(archive, folder, settle_s=SETTLE_S, once=True)) == []
    (folder / "sub").mkdir()
    (folder / "sub" / "a.csv").write_bytes(bake())
    (folder / "empty.csv").write_bytes(b"")
    options = ImportOptions(note="from the stick")
    results = list(watch(archive, folder, options, settle_s=SETTLE_S, once=True))
    assert sorted((Path(r.file).name, r.status) for r in results) == [("a.csv", "stored"), ("empty.csv", "rejected")]
    row = archive.read("SELECT l.source, r.note FROM log l JOIN run r USING (log_id)").iloc[0]
    assert (row["source"], row["note"]) == ("watch", "from the stick")


def test_a_folder_that_is_none_is_one_clear_line(archive: Archive, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="is no folder: make it"):
        list(watch(archive, tmp_path / "gone", once=True))


def test_the_archive_in_the_watched_folder_is_never_opened_as_a_log(tmp_path: Path) -> None:
    """Reading the archive's own file would drop its lock and lose what others commit meanwhile."""
    archive = open_archive(tmp_path / "book.duckdb", zone="UTC")
    (tmp_path / "a.csv").write_bytes(bake())
    results = list(watch(archive, tmp_path, settle_s=SETTLE_S, once=True))
    assert [Path(r.file).name for r in results] == ["a.csv"]
