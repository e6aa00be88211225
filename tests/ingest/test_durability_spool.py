"""The spool after a crash, a power cut, a pulled-out stick and a clock that jumped: nothing promised is lost."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from import_bakes import bake

from ingest import spool
from ingest.archive import Archive, ArchiveError, open_archive
from ingest.archive.verify import verify
from ingest.import_result import ImportOptions
from ingest.importing import drain_spool, import_bytes
from ingest.members import members
from ingest.recording import Recording

ROOT = Path(__file__).parents[2]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "a.duckdb", zone="UTC")


def put(archive: Archive, data: bytes, name: str = "bake.csv") -> str:
    sha256 = hashlib.sha256(data).hexdigest()
    spool.put(archive.path, data, name, sha256, ImportOptions(source="http"))
    return sha256


def stored(archive: Archive) -> set[str]:
    return set(archive.read("SELECT sha256 FROM log WHERE status = 'stored'")["sha256"])


def test_a_sound_spool_needs_no_repair_and_goes_in(archive: Archive) -> None:
    sha256 = put(archive, bake(variant=1))
    assert spool.count(archive.path) == 1
    assert spool.repair(archive.path) == []
    assert [r.status for r in drain_spool(archive)] == ["stored"]
    assert stored(archive) == {sha256}
    assert not spool.spool_folder(archive.path).exists()


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.99])
def test_a_log_cut_short_on_the_disk_is_never_taken_for_the_whole(archive: Archive, kept: float) -> None:
    data = bake(variant=1)
    sha256 = put(archive, data)
    cut = spool.spool_folder(archive.path) / f"{sha256}.log"
    os.truncate(cut, int(len(data) * kept))
    assert drain_spool(archive) == []
    said = spool.repair(archive.path)
    assert len(said) == 1
    assert "damaged" in said[0]
    assert "import the log again" in said[0]
    assert stored(archive) == set()
    assert cut.with_name(cut.name + spool.DAMAGED).read_bytes() == data[: int(len(data) * kept)]
    assert spool.repair(archive.path) == []
    # The sender's copy goes in as ever.
    assert import_bytes(archive, data, "bake.csv")[0].status == "stored"


def test_a_note_cut_short_does_not_cost_the_log(archive: Archive) -> None:
    sha256 = put(archive, bake(variant=1))
    os.truncate(spool.spool_folder(archive.path) / f"{sha256}.json", 20)
    assert drain_spool(archive) == []
    assert "goes in as spooled-" in spool.repair(archive.path)[0]
    assert [r.status for r in drain_spool(archive)] == ["stored"]
    assert stored(archive) == {sha256}


def test_a_note_without_its_bytes_is_said_and_set_aside(archive: Archive) -> None:
    sha256 = put(archive, bake(variant=1))
    (spool.spool_folder(archive.path) / f"{sha256}.log").unlink()
    assert spool.count(archive.path) == 0
    assert "bytes are gone" in spool.repair(archive.path)[0]
    assert list(spool.waiting(archive.path)) == []


def test_half_written_files_were_never_promised(archive: Archive) -> None:
    folder = spool.spool_folder(archive.path)
    folder.mkdir()
    (folder / ("0" * 64 + ".log.abc.part")).write_bytes(b"half")
    assert "never acknowledged: removed" in spool.repair(archive.path)[0]
    assert list(folder.iterdir()) == []


def test_bytes_left_after_storing_are_recognised_not_stored_twice(archive: Archive) -> None:
    # A crash between the two removals of `done`: the note is gone, the bytes are there, the log is stored.
    data = bake(variant=1)
    import_bytes(archive, data, "bake.csv")
    sha256 = put(archive, data)
    (spool.spool_folder(archive.path) / f"{sha256}.json").unlink()
    spool.repair(archive.path)
    assert [r.status for r in drain_spool(archive)] == ["duplicate"]
    assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 1


def test_a_folder_that_is_gone_is_not_made_again(tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    archive = open_archive(stick / "a.duckdb")
    stick.rename(tmp_path / "pulled-out")
    with pytest.raises(ArchiveError, match="not there"):
        import_bytes(archive, bake(variant=1), "bake.csv")
    with pytest.raises(OSError, match="No such file"):
        put(archive, bake(variant=1))
    assert not stick.exists()
    (tmp_path / "pulled-out").rename(stick)
    assert import_bytes(archive, bake(variant=1), "bake.csv")[0].status == "stored"


def test_a_clock_that_jumped_back_costs_nothing(archive: Archive) -> None:
    """A log came while the clock was eleven years ahead, the next after it was set right."""
    sha256 = put(archive, bake(None, variant=1), "ahead.csv")
    note = spool.spool_folder(archive.path) / f"{sha256}.json"
    ahead = datetime.now(UTC) + timedelta(days=4000)
    waiting = next(iter(spool.waiting(archive.path)))
    note.write_text(note.read_text().replace(waiting.received_at.isoformat(), ahead.isoformat()))
    assert drain_spool(archive)[0].status == "stored"
    later = import_bytes(archive, bake(None, variant=2), "right.csv")[0]
    assert later.status == "stored"
    assert import_bytes(archive, bake(None, variant=1), "ahead.csv")[0].status == "duplicate"
    assert archive.read("SELECT count(*) AS n FROM run_overview")["n"].item() == 2
    assert verify(archive) == []


def test_a_log_that_brings_out_a_fault_waits_and_stops_no_other(archive: Archive) -> None:
    first, second = bake("2025-03-01T09:00:00"), bake("2025-03-02T09:00:00")
    put(archive, first, "first.csv")
    put(archive, second, "second.csv")

    def trips(_con: object, _run: int, recording: Recording) -> None:
        if recording.started_at is not None and recording.started_at.day == 1:
            raise TypeError("a slip")

    said = drain_spool(archive, trips)
    assert [(r.file, r.status) for r in said] == [("first.csv", "held"), ("second.csv", "stored")]
    assert "TypeError: a slip" in (said[0].reason or "")
    assert stored(archive) == {hashlib.sha256(second).hexdigest()}
    assert spool.count(archive.path) == 1
    assert [r.status for r in drain_spool(archive)] == ["stored"]


TWO_DRAIN = """
import sys
from ingest.archive import open_archive
from ingest.importing import drain_spool
archive = open_archive(sys.argv[1])
print(sorted(r.status for r in drain_spool(archive)))
"""


def test_processes_that_empty_the_spool_at_once_store_each_log_once(archive: Archive) -> None:
    hashes = {put(archive, bake(f"2025-03-0{n + 1}T09:00:00"), f"bake-{n}.csv") for n in range(6)}
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", TWO_DRAIN, str(archive.path)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for _ in range(2)
    ]
    said = [process.communicate(timeout=120) for process in processes]
    assert all(process.returncode == 0 for process in processes), said
    assert stored(archive) == hashes
    assert archive.read("SELECT count(*) AS n FROM run")["n"].item() == 6
    assert spool.count(archive.path) == 0


def nested_zip(levels: int, payload: bytes, copies: int) -> bytes:
    for _ in range(levels):
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as box:
            for number in range(copies):
                box.writestr(f"{number}.csv", payload)
        payload = buffer.getvalue()
    return payload


def test_zips_in_a_zip_share_one_limit() -> None:
    # Ten zips of ten members of 1 MB: each is small, all together are 100 MB.
    bomb = nested_zip(2, bytes(2**20), 10)
    assert len(bomb) < 300_000
    taken = list(members(bomb, "bomb.zip", max_bytes=20 * 2**20))
    assert sum(len(m.data) for m in taken if m.problem is None) <= 20 * 2**20
    assert any(m.problem and "more than can be unpacked" in m.problem for m in taken)


def test_a_zip_that_lies_about_a_members_size_is_not_unpacked_whole() -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("a.csv", bytes(50 * 2**20))
    whole = (50 * 2**20).to_bytes(4, "little")
    lying = buffer.getvalue().replace(whole, (1000).to_bytes(4, "little"))
    assert lying != buffer.getvalue()
    taken = list(members(lying, "lying.zip"))
    assert [m.problem is not None for m in taken] == [True]
    assert sum(len(m.data) for m in taken) <= 1000
