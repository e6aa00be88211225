"""The commands that stay until they are stopped: they answer, take logs in, and end cleanly on Ctrl-C."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from archive_helpers import Shop, straight_log

from ingest.archive import open_archive

WAIT_S = 60.0  # an upper bound for a busy machine; nothing here is timed


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


@contextmanager
def staying(shop: Shop, *arguments: str | Path) -> Iterator[subprocess.Popen[bytes]]:
    """A command that is stopped with Ctrl-C at the end, and must then end by itself."""
    with (shop.folder / "out.txt").open("wb") as out, (shop.folder / "err.txt").open("wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", *map(str, arguments)],
            stdout=out,
            stderr=err,
            env=shop.environment(),
        )
        try:
            yield process
            process.send_signal(signal.SIGINT)
            process.wait(timeout=WAIT_S)
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
    assert "Traceback" not in (shop.folder / "err.txt").read_text(), (shop.folder / "err.txt").read_text()


def until(true: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + WAIT_S
    while time.monotonic() < deadline:
        if true():
            return True
        time.sleep(0.2)
    return False


def free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return trial.getsockname()[1]


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=2) as page:
            return page.status == 200
    except OSError:
        return False


def test_serve_judges_again_what_earlier_rules_judged_and_answers_while_logs_come_in(shop: Shop) -> None:
    paste = "SAC305 (family default)"
    assert shop.quick("import", shop.write("bake.csv", straight_log()), "--paste", paste).status == 0
    before = shop.quick("show", "1", "--json").json
    shop.quick("window", "house", "--source", "shop rule 4", "--peak", ":200")
    with open_archive(shop.archive).transaction() as con:
        con.execute("UPDATE evaluation SET rules_version = '0'")  # as an upgrade finds it
    port = free_port()
    with staying(shop, "serve", "--port", str(port)):
        assert until(lambda: answers(port)), (shop.folder / "err.txt").read_text()
        said = shop.quick("import", shop.write("second.csv", straight_log(peak_c=241.0)))
        assert said.status == 0, said.err
        assert answers(port)
    out = " ".join((shop.folder / "out.txt").read_text().split())
    assert f"http://127.0.0.1:{port}" in out
    # Judged again by the windows it was judged by before.
    assert "1 run judged again, by the windows they were judged by before; no verdict changed." in out
    assert "Streamlit" not in out
    assert (
        open_archive(shop.archive).read("SELECT DISTINCT rules_version FROM evaluation")["rules_version"].item() != "0"
    )
    assert {x["source"] for x in shop.quick("show", "1", "--json").json["limits"]} == {
        x["source"] for x in before["limits"]
    }
    assert len(shop.quick("runs", "--json").json) == 2


def test_a_taken_port_is_said_with_a_way_out(shop: Shop) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        said = shop("serve", "--port", str(taken.getsockname()[1]))
    assert said.status == 1
    assert "--port" in said.err
    assert said.err.count("\n") == 1


def test_watch_takes_in_a_log_that_arrives_and_only_once(shop: Shop) -> None:
    logs = shop.folder / "logs"
    logs.mkdir()
    with staying(shop, "watch", logs):
        assert until(lambda: "Watching" in (shop.folder / "out.txt").read_text())
        shop.write("logs/bake.csv", straight_log())
        assert until(lambda: "stored as run 1" in (shop.folder / "out.txt").read_text()), (
            shop.folder / "out.txt"
        ).read_text() + (shop.folder / "err.txt").read_text()
    assert (logs / "bake.csv").exists()
    said = shop.quick("watch", logs, "--once")
    assert said.status == 0
    assert len(shop.quick("runs", "--json").json) == 1


def test_watching_what_is_no_folder(shop: Shop) -> None:
    said = shop("watch", shop.folder / "nowhere")
    assert said.status == 1
    assert said.err.count("\n") == 1


def holds_open(process: int, path: str) -> bool:
    held = Path(f"/proc/{process}/fd")
    return any(link.is_symlink() and os.readlink(link) == path for link in held.iterdir())


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs a pseudo-terminal and to see who has it open")
def test_capture_records_a_controller_and_imports_its_run(shop: Shop) -> None:
    master, slave = os.openpty()
    port = os.ttyname(slave)
    with staying(shop, "capture", port, "--once", "--end-marker", "profile done", "--folder", shop.folder) as process:
        assert until(lambda: "Listening" in (shop.folder / "out.txt").read_text())
        assert until(lambda: holds_open(process.pid, port))
        time.sleep(1.0)  # opening a port throws away what came before
        for line in [*straight_log(step_s=2).splitlines(), "profile done"]:
            os.write(master, line.encode() + b"\r\n")
            time.sleep(0.002)
        assert until(lambda: process.poll() is not None), (shop.folder / "out.txt").read_text()
    os.close(master)
    os.close(slave)
    assert process.returncode == 0, (shop.folder / "out.txt").read_text() + (shop.folder / "err.txt").read_text()
    (raw,) = shop.folder.glob("capture-*.log")
    assert b"profile done" in raw.read_bytes()
    (run,) = shop.quick("runs", "--json").json
    assert run["started_at"] is not None


def test_a_port_that_is_not_there(shop: Shop) -> None:
    said = shop("capture", str(shop.folder / "ttyNONE"))
    assert said.status == 1
    assert said.err.count("\n") == 1
    assert "cannot be opened" in said.err
