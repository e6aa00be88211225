"""Capture from a real serial line: both ends of a pseudo-terminal, driven as a controller would."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from import_bakes import bake

from ingest.archive import Archive, ArchiveError, open_archive
from ingest.capture import capture, ended_cold
from ingest.completeness import what_a_log_should_carry
from ingest.importing import ImportOptions, ImportResult
from ingest.recording import Channel, Recording

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="UTC")


class Line:
    """A controller on a serial line: `say` writes as the controller does, `port` is what to listen on.

    Each end is closed once only: a number closed twice may by then be another file's.
    """

    def __init__(self) -> None:
        import tty

        self._controller, self._listener = os.openpty()
        tty.setraw(self._listener)
        self.port = os.ttyname(self._listener)
        self._plugged = True
        self._lock = threading.Lock()

    def say(self, data: bytes) -> None:
        for start in range(0, len(data), 512):
            with self._lock:
                if self._plugged:
                    os.write(self._controller, data[start : start + 512])

    def unplug(self) -> None:
        with self._lock:
            if self._plugged:
                self._plugged = False
                os.close(self._controller)
                os.close(self._listener)


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    made.unplug()


def speak(line: Line, *pieces: bytes | float) -> threading.Thread:
    """Say pieces one after the other in the background; a number is a pause in seconds. Begins when listened to."""

    def run() -> None:
        time.sleep(0.5)
        for piece in pieces:
            if isinstance(piece, bytes):
                line.say(piece)
            else:
                time.sleep(piece)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def test_a_run_ends_in_silence_and_every_byte_is_kept(archive: Archive, line: Line, tmp_path: Path) -> None:
    data = bake(None)
    half = len(data) // 2
    speak(line, data[:half], 0.4, data[half:])
    before = datetime.now(UTC)
    results = list(capture(archive, line.port, folder=tmp_path / "raw", quiet_s=1.5, once=True))
    assert [r.status for r in results] == ["stored"]
    file = Path(results[0].file)
    assert file.parent == tmp_path / "raw"
    assert file.read_bytes() == data
    run = results[0].runs[0]
    # The log tells no start: it gets the moment its first line came in, and says that this was derived.
    assert run.started_at is not None
    assert before <= run.started_at <= before + timedelta(seconds=20)
    origin = archive.read("SELECT origin FROM run_origin WHERE field = 'started_at'")["origin"]
    assert list(origin) == ["derived"]
    assert archive.read("SELECT source FROM log")["source"][0] == "capture"


def test_a_start_that_the_log_tells_wins_over_the_computers_clock(archive: Archive, line: Line, tmp_path: Path) -> None:
    speak(line, bake("2025-03-03T09:00:00"))
    results = list(capture(archive, line.port, folder=tmp_path, quiet_s=1.0, once=True))
    assert results[0].runs[0].started_at == datetime(2025, 3, 3, 9, tzinfo=UTC)


def test_a_marker_ends_one_run_and_the_next_is_another_log(archive: Archive, line: Line, tmp_path: Path) -> None:
    speak(line, bake(None), b"*** Run Finished ***\n", 2.0, bake(None, variant=4), b"*** RUN FINISHED ***\n")
    stop = threading.Event()
    results: list[ImportResult] = []
    for result in capture(archive, line.port, folder=tmp_path, quiet_s=30, end_marker="run finished", stop=stop):
        results.append(result)
        if len(results) == 2:
            stop.set()
    assert [r.status for r in results] == ["stored", "stored"]
    assert results[0].file != results[1].file
    assert b"Finished" in Path(results[0].file).read_bytes()


def test_back_to_cold_ends_a_run_on_a_line_that_never_falls_silent(
    archive: Archive, line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.capture.LOOK_EVERY_S", 0.3)
    cooling = b"".join(b"%.1f,25.0,%.2f,%.2f\n" % (421 + i, 60 - i / 4, 58 - i / 4) for i in range(200))
    rows = cooling.splitlines(keepends=True)
    pieces: list[bytes | float] = [bake(None)]
    for row in rows:
        pieces += [row, 0.05]
    speak(line, *pieces)
    results = list(capture(archive, line.port, folder=tmp_path, quiet_s=30, once=True))
    assert [r.status for r in results] == ["stored"]
    last = Path(results[0].file).read_bytes().splitlines()[-2].split(b",")
    assert float(last[2]) <= 50.0
    assert len(Path(results[0].file).read_bytes()) < len(bake(None)) + len(cooling)


def test_an_unplugged_line_keeps_and_imports_what_was_heard(archive: Archive, line: Line, tmp_path: Path) -> None:
    def then_pull() -> None:
        thread.join()
        time.sleep(1.0)
        line.unplug()

    thread = speak(line, bake(None))
    threading.Thread(target=then_pull, daemon=True).start()
    results = list(capture(archive, line.port, folder=tmp_path, quiet_s=60, once=True))
    assert [r.status for r in results] == ["stored"]
    assert Path(results[0].file).read_bytes() == bake(None)


def test_stopping_imports_what_was_heard_and_nothing_heard_is_nothing(
    archive: Archive, line: Line, tmp_path: Path
) -> None:
    stop = threading.Event()
    threading.Timer(1.0, stop.set).start()
    assert list(capture(archive, line.port, folder=tmp_path / "raw", stop=stop)) == []
    assert list((tmp_path / "raw").iterdir()) == []
    stop.clear()
    speak(line, bake(None))
    threading.Timer(2.5, stop.set).start()
    results = list(capture(archive, line.port, folder=tmp_path / "raw", stop=stop))
    assert [r.status for r in results] == ["stored"]


def test_ctrl_c_keeps_and_imports_what_was_heard(archive: Archive, line: Line, tmp_path: Path) -> None:
    program = (
        "import sys; from ingest.archive import open_archive; from ingest.capture import capture\n"
        "print('listening', flush=True)\n"
        "for r in capture(open_archive(sys.argv[1]), sys.argv[2], folder=sys.argv[3]): print(r.status, flush=True)\n"
    )
    arguments = [sys.executable, "-c", program, str(archive.path), line.port, str(tmp_path / "raw")]
    listener = subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert listener.stdout is not None
    assert listener.stdout.readline() == "listening\n"
    speak(line, 3.0, bake(None)).join()
    heard, deadline = -1, time.monotonic() + 60
    while time.monotonic() < deadline:
        now = sum(raw.stat().st_size for raw in (tmp_path / "raw").glob("*"))
        if now == heard > 0:
            break
        heard = now
        time.sleep(1.0)
    listener.send_signal(signal.SIGINT)
    said, trouble = listener.communicate(timeout=60)
    assert (said, trouble) == ("stored\n", "")


def test_what_the_log_lacks_is_said_and_what_it_should_carry_can_be_asked(
    archive: Archive, line: Line, tmp_path: Path
) -> None:
    speak(line, bake(None, names=("board_c",)))
    result = next(iter(capture(archive, line.port, folder=tmp_path, quiet_s=1.0, once=True)))
    said = {w.code: w.text for w in result.warnings}
    assert "no early sign of heater loss" in said["log_lacks_duty"]
    assert "no sensor check" in said["log_lacks_second"]
    assert "cannot confirm" in said["log_lacks_firmware"]
    assert "log_lacks_setpoint" not in said
    for word in ("set point", "every channel", "heater command", "firmware version", "fault flags"):
        assert word in what_a_log_should_carry()


def test_a_port_or_marker_that_cannot_be_is_one_clear_line(archive: Archive, line: Line, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match=r"the port /dev/none cannot be opened .*; ports here: "):
        list(capture(archive, "/dev/none", folder=tmp_path))
    with pytest.raises(ArchiveError, match="is no regular expression"):
        list(capture(archive, line.port, folder=tmp_path, end_marker="(("))


def test_options_reach_the_run(archive: Archive, line: Line, tmp_path: Path) -> None:
    speak(line, bake(None))
    options = ImportOptions(note="second shelf", operator="Ada")
    list(capture(archive, line.port, options, folder=tmp_path, quiet_s=1.0, once=True))
    row = archive.read("SELECT note, operator FROM run").iloc[0]
    assert (row["note"], row["operator"]) == ("second shelf", "Ada")


def test_cold_means_every_judged_channel() -> None:
    t = np.arange(4.0)

    def recording(*last: float, judged: bool = True) -> Recording:
        channels = [Channel(f"T{i}", "temperature", "°C", np.array([20, 240, 120, v])) for i, v in enumerate(last)]
        if not judged:
            channels[-1] = Channel("mean", "temperature", "°C", np.array([20, 240, 120, last[-1]]), judged=False)
        return Recording(t, tuple(channels))

    assert ended_cold(recording(40.0, 49.0))
    assert not ended_cold(recording(40.0, 51.0))
    assert ended_cold(recording(40.0, 90.0, judged=False))
    assert not ended_cold(Recording(t, (Channel("T", "temperature", "°C", np.array([20, 30, 30, 25.0])),)))
    assert not ended_cold(Recording(t, ()))
