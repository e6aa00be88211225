"""The service under kill -9, a busy archive, a full disk, a read-only folder and a folder that vanishes.

Acknowledged means found afterwards; what could not be kept is said, so that the sender keeps it.
"""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import subprocess
import sys
import threading
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from archive_helpers import Shop
from page_archives import bake, empty_archive
from service_process import ROOT, serving, start

from dashboard.service.alerts import Receivers, Sender
from dashboard.service.desk import Desk
from ingest import spool
from ingest.archive import Archive, open_archive
from ingest.archive.care import backup
from ingest.archive.verify import verify
from ingest.import_result import ImportOptions
from ingest.importing import drain_spool


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def stored(path: Path) -> list[str]:
    return Archive(path).read("SELECT sha256 FROM log WHERE status = 'stored'")["sha256"].tolist()


def test_kill_9_loses_nothing_acknowledged_and_the_next_start_says_what_it_did(tmp_path: Path) -> None:
    path = empty_archive(tmp_path / "archive.duckdb").path
    acknowledged: list[str] = []
    service = start(path)
    for number in range(4):
        said = service.post(bake(minutes=number))
        assert said.status == 200
        acknowledged.append(sha(bake(minutes=number)))

    def send() -> None:
        for number in range(50, 100):
            try:
                if service.post(bake(minutes=number)).status == 200:
                    acknowledged.append(sha(bake(minutes=number)))
            except Exception:  # the service was killed under this request
                return

    sender = threading.Thread(target=send)
    sender.start()
    time.sleep(0.2)
    service.process.kill()
    service.process.wait()
    sender.join()
    # One more thing a crash leaves: a log that was promised and waits, and one half written.
    promised = bake(minutes=990)
    spool.put(path, promised, "promised.csv", sha(promised), ImportOptions(source="http"))
    (spool.spool_folder(path) / ("1" * 64 + ".log.x.part")).write_bytes(b"half")
    with serving(path) as service:
        assert "Put right" in service.log.read_text()
        assert service.until(lambda: service.ask("GET", "/api/health").json["waiting"] == 0)
        assert service.events("import")[-1]["source"] == "spool"
    found = stored(path)
    assert set(acknowledged) | {sha(promised)} <= set(found)
    assert len(found) == len(set(found))
    assert verify(open_archive(path)) == []


NOTEBOOK = """
import sys
from ingest.archive import open_archive
archive = open_archive(sys.argv[1])
with archive.connect():
    print("held", flush=True)
    sys.stdin.readline()
print("free", flush=True)
for line in sys.stdin:
    print(archive.read("SELECT count(*) AS n FROM run_overview")["n"].item(), flush=True)
"""


def test_service_terminal_and_notebook_share_one_archive_and_lose_no_log(tmp_path: Path) -> None:
    """One of them, a notebook, holds the archive for long; the others name it, keep their logs, and store them later."""
    path = empty_archive(tmp_path / "archive.duckdb").path
    shop = Shop(tmp_path)
    busy = shop.write("busy.csv", bake(minutes=1))
    with (
        serving(path, OVENBOOK_WAIT_S="1") as service,
        subprocess.Popen(
            [sys.executable, "-c", NOTEBOOK, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
            bufsize=1,
        ) as notebook,
        ThreadPoolExecutor(3) as together,
    ):
        assert notebook.stdin is not None
        assert notebook.stdout is not None
        assert notebook.stdout.readline() == "held\n"
        from_file = together.submit(shop, "import", busy, "--oven", "Bench oven", OVENBOOK_WAIT_S="1")
        from_pipe = together.submit(shop, "import", "-", stdin=bake(minutes=2), OVENBOOK_WAIT_S="1")
        posted = service.post(bake(), name="busy.csv")
        assert posted.status == 202, posted.body
        assert posted.json[0]["status"] == "held"
        assert posted.json[0]["questions"] == []
        for said in (from_file.result(), from_pipe.result()):
            assert (said.status, said.err) == (1, "")
            assert "kept beside the archive and goes in with the next import" in said.out.replace("\n", " ")
        for text in (posted.json[0]["reason"], from_file.result().out, from_pipe.result().out):
            assert f"process {notebook.pid}" in " ".join(text.split())
        assert (spool.spool_folder(path) / f"{sha(bake())}.log").read_bytes() == bake()
        assert service.ask("GET", "/api/health").json["waiting"] == 3
        notebook.stdin.write("\n")
        assert notebook.stdout.readline() == "free\n"
        assert service.until(lambda: service.ask("GET", "/api/health").json["waiting"] == 0)
        again = together.submit(shop, "import", busy, "--json")
        fresh = together.submit(service.post, bake(minutes=3), name="fresh.csv")
        notebook.stdin.write("\n")
        assert int(notebook.stdout.readline()) in (3, 4)
        assert again.result().json[0]["status"] == "duplicate"
        assert fresh.result().status == 200
        notebook.stdin.close()
        assert sorted(e["status"] for e in service.events("import")) == ["held", "stored", "stored", "stored", "stored"]
    assert sorted(stored(path)) == sorted(sha(bake(minutes=n)) for n in range(4))
    assert verify(open_archive(path)) == []


def test_the_next_import_takes_in_what_waited_and_says_so(tmp_path: Path) -> None:
    path = empty_archive(tmp_path / "archive.duckdb").path
    spool.put(path, bake(minutes=1), "first.csv", sha(bake(minutes=1)), ImportOptions(oven="An oven that is not known"))
    shop = Shop(tmp_path)
    said = shop.quick("import", shop.write("second.csv", bake(minutes=2)), "--json")
    assert [item["file"] for item in said.json] == [str(tmp_path / "second.csv")]
    assert len(said.err.splitlines()) == 1
    assert "waited beside the archive until now: first.csv: stored as run 1." in said.err
    assert "no oven named 'An oven that is not known'" in said.err
    assert sorted(stored(path)) == sorted(sha(bake(minutes=n)) for n in (1, 2))


def test_a_folder_that_vanishes_is_said_not_made_and_found_again(tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    path = empty_archive(stick / "archive.duckdb").path
    with serving(path, log_folder=tmp_path) as service:
        assert service.post(bake(minutes=1)).status == 200
        stick.rename(tmp_path / "pulled-out")
        said = service.post(bake(minutes=2))
        assert said.status == 503
        assert "keep it and send it again" in said.json["error"]
        assert "retry-after" in said.headers
        health = service.ask("GET", "/api/health")
        assert (health.status, health.json["status"]) == (503, "trouble")
        assert "not there" in health.json["last_error"]["text"]
        assert not stick.exists()
        (tmp_path / "pulled-out").rename(stick)
        assert service.post(bake(minutes=2)).status == 200
        assert service.ask("GET", "/api/health").status == 200
    assert sorted(stored(path)) == sorted([sha(bake(minutes=1)), sha(bake(minutes=2))])


FULL = """
import hashlib, json, resource, signal, sys
from pathlib import Path
from dashboard.service.alerts import Receivers, Sender
from dashboard.service.desk import Desk
from ingest import spool
from ingest.archive import ArchiveError, open_archive
from ingest.importing import import_bytes
from analysis.store import evaluate_and_write
sys.path.insert(0, "tests/dashboard")
from page_archives import bake
archive = open_archive(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
stored, refused = [], []
for number in range(100, 103):  # the file grows in leaps at first
    import_bytes(archive, bake(minutes=number), "a.csv", after_store=evaluate_and_write)
    stored.append(hashlib.sha256(bake(minutes=number)).hexdigest())
resource.setrlimit(resource.RLIMIT_FSIZE, (16 * 1024, resource.RLIM_INFINITY))
for number in range(8):
    data = bake(minutes=number)
    try:
        result = import_bytes(archive, data, "a.csv", after_store=evaluate_and_write)[0]
        assert result.status == "stored", result
        stored.append(hashlib.sha256(data).hexdigest())
    except ArchiveError as error:
        refused.append(str(error))
        if len(refused) == 3:
            break
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(json.dumps([stored, refused]))
"""


@pytest.mark.skipif(os.name != "posix", reason="limits of this kind are POSIX")
def test_files_that_cannot_grow_lose_nothing_stored(tmp_path: Path) -> None:
    """A full disk, as far as it can be had without one: no file may be written beyond its first 16 KiB."""
    import json

    path = empty_archive(tmp_path / "archive.duckdb").path
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(path)], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode == 0, done.stderr
    acknowledged, refused = json.loads(done.stdout)
    assert refused, "the limit was never reached: the test tried nothing"
    assert all("\n" not in line and line for line in refused)
    assert sorted(stored(path)) == sorted(acknowledged)
    assert verify(open_archive(path)) == []


def small_disk(folder: Path, megabytes: int) -> bool:
    """A file system of its own of this size on `folder`, where this user may make one."""
    if shutil.which("mount") is None:
        return False
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    return done.returncode == 0


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if not small_disk(disk, 48):
        pytest.skip("no right to mount a small file system here")
    try:
        path = empty_archive(disk / "archive.duckdb").path
        acknowledged: list[str] = []
        with serving(path, log_folder=tmp_path) as service:
            refusals = 0
            fill = disk / "fill"
            for number in range(30):
                if number == 5:
                    with fill.open("wb") as f:
                        try:
                            while True:
                                f.write(bytes(65536))
                                f.flush()
                        except OSError:
                            pass
                said = service.post(bake(minutes=number))
                if said.status in (200, 202):
                    acknowledged.append(sha(bake(minutes=number)))
                else:
                    assert said.status == 503, said.body
                    refusals += 1
                    if refusals == 3:
                        break
            assert refusals == 3
            with pytest.raises(Exception, match=r"no room|could not|cannot"):
                backup(open_archive(path), disk / "copy.duckdb")
            assert not (disk / "copy.duckdb").exists()
            fill.unlink()
            assert service.until(lambda: service.post(bake(minutes=100)).status == 200)
            acknowledged.append(sha(bake(minutes=100)))
            assert service.until(lambda: service.ask("GET", "/api/health").json["waiting"] == 0)
        found = stored(path)
        assert set(acknowledged) <= set(found)
        assert len(found) == len(set(found))
        assert verify(open_archive(path)) == []
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=False)


def test_a_disk_that_can_only_be_read_shows_its_runs_and_takes_nothing(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if not small_disk(disk, 64):
        pytest.skip("no right to mount a small file system here")
    try:
        path = empty_archive(disk / "archive.duckdb").path
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        service = start(path, log_folder=tmp_path)
        said = service.post(bake())
        assert said.status == 503
        assert "keep it and send it again" in said.json["error"]
        assert service.ask("GET", "/api/runs").json == []
        assert "cannot be written here" in service.ask("GET", "/api/health").json["last_error"]["text"]
        service.stop()
        assert "Traceback" not in service.log.read_text()
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=False)


def test_a_zip_that_cannot_be_stored_waits_log_by_log(tmp_path: Path) -> None:
    path = empty_archive(tmp_path / "archive.duckdb").path
    logs = [bake(minutes=number) for number in range(3)]
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as packed:
        for number, log in enumerate(logs):
            packed.writestr(f"{number}.csv", log)
    desk = Desk(Archive(path, read_only=True), Sender(Receivers()))
    results = desk.take(box.getvalue(), "three.zip", ImportOptions(source="http"))
    assert [(r.file, r.status) for r in results] == [(f"three.zip!{number}.csv", "held") for number in range(3)]
    assert desk.health()["waiting"] == 3
    assert [r.status for r in drain_spool(open_archive(path))] == ["stored"] * 3
    assert sorted(stored(path)) == sorted(map(sha, logs))


def test_sigterm_finishes_the_log_under_way(tmp_path: Path) -> None:
    path = empty_archive(tmp_path / "archive.duckdb").path
    service = start(path)
    answers: list[int] = []

    def send() -> None:
        for number in range(8):
            try:
                answers.append(service.post(bake(minutes=number)).status)
            except Exception:  # no longer listening
                return

    sender = threading.Thread(target=send)
    sender.start()
    service.until(lambda: len(answers) > 2)
    service.stop()
    sender.join()
    assert "Traceback" not in service.log.read_text()
    assert answers.count(200) <= len(stored(path)) <= answers.count(200) + 1
    assert not path.with_name(path.name + ".wal").exists()
    assert set(answers) == {200}
