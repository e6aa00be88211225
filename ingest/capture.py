"""A controller's serial output, recorded byte for byte into a raw log file, and imported when the run ends.

Only listens, sends nothing. Every byte is on its way to the disk before the next is read. A run has ended when the port
was quiet for a while, when a line says so (`end_marker`), or when everything has been hot and is cold again, as far as
the log can be read without a question. The file stays, whatever the import says.
"""

from __future__ import annotations

import os
import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ingest.archive import Archive, ArchiveError
from ingest.completeness import missing_from
from ingest.import_result import ImportOptions, ImportResult
from ingest.importing import import_bytes
from ingest.keeping import AfterStore
from ingest.layout_memory import remembered
from ingest.recording import LayoutFound, Recording
from ingest.understanding import understand

if TYPE_CHECKING:
    import serial

HOT_C = 100.0  # a run has been hot: no solder paste is dried below, no room reaches it
COLD_C = 50.0  # and is cold again: safe to touch, and far below every liquidus
LOOK_EVERY_S = 10.0  # how often the log is read to see whether it is cold again
SYNC_EVERY_S = 5.0  # what a power cut may cost
REOPEN_EVERY_S = 1.0  # a controller on a USB lead comes back some seconds after a reset

EndedBy = Literal["silence", "marker", "cold", "unplugged", "stopped"]


@dataclass
class Captured:
    """One recorded run: the raw file, why recording ended, and when each line began to arrive (aware UTC)."""

    path: Path
    ended_by: EndedBy = "stopped"
    line_times: list[datetime] = field(default_factory=list[datetime])


def capture(
    archive: Archive,
    port: str,
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    *,
    baud: int = 115200,
    folder: str | os.PathLike[str] = ".",
    quiet_s: float = 60.0,
    end_marker: str | None = None,
    once: bool = False,
    stop: threading.Event | None = None,
) -> Iterator[ImportResult]:
    """Record runs from a serial port and import each when it ends. Yields the results of each import.

    Stops when `stop` is set, on Ctrl-C, or after one run with `once`; what was heard until then is kept and imported.
    `end_marker`: regular expression searched for in each line, case ignored. A log that tells no start gets the moment its
    first line arrived, recorded as derived. What the log lacks for later questions is said as warnings.

    Raises ArchiveError when the port cannot be opened, the folder cannot be written, or the marker is no expression.
    """
    options = replace(options or ImportOptions(), source="capture")
    marker = _expression(end_marker)
    stop = stop or threading.Event()
    place = Path(folder).expanduser()
    place.mkdir(parents=True, exist_ok=True)
    line = _open(port, baud)
    try:
        while not stop.is_set():
            with archive.connect() as con:
                layouts = remembered(con)
            captured = _record(line, place, quiet_s, marker, stop, layouts, archive.zone)
            if captured is None:
                return
            yield from _import(archive, captured, options, after_store)
            if once or captured.ended_by == "stopped":
                return
            if captured.ended_by == "unplugged":
                line.close()
                reopened = _reopen(port, baud, stop)
                if reopened is None:
                    return
                line = reopened
    finally:
        line.close()


def _record(
    line: serial.Serial,
    folder: Path,
    quiet_s: float,
    marker: re.Pattern[str] | None,
    stop: threading.Event,
    layouts: list[LayoutFound],
    zone: str,
) -> Captured | None:
    """Record from the first byte to the end of the run; None when stopped before anything came."""
    captured: Captured | None = None
    raw: Any = None
    line_start = True
    tail = b""
    last_byte = synced = looked = 0.0
    pause = LOOK_EVERY_S
    try:
        while True:
            try:
                chunk = line.read(max(1, line.in_waiting))
            except KeyboardInterrupt:
                break
            except (OSError, TypeError):  # pyserial's own exception is an OSError; a closed handle gives a TypeError
                if captured is None:
                    raise ArchiveError(f"{line.port} was unplugged before anything was heard") from None
                captured.ended_by = "unplugged"
                break
            now = time.monotonic()
            if chunk:
                if captured is None:
                    captured, raw = _new_file(folder)
                    synced = looked = now
                raw.write(chunk)
                line_start = _note_lines(captured, chunk, line_start)
                last_byte = now
                said = _said(tail, chunk)
                tail = said[-1]
                if marker is not None and any(marker.search(text.decode("utf-8", "replace")) for text in said[:-1]):
                    captured.ended_by = "marker"
                    break
            if captured is None:
                if stop.is_set():
                    return None
                continue
            if now - synced >= SYNC_EVERY_S:
                os.fsync(raw.fileno())
                synced = now
            if stop.is_set():
                break
            if now - last_byte >= quiet_s:
                captured.ended_by = "silence"
                break
            if chunk and now - looked >= pause:
                if _is_cold_again(captured.path, layouts, zone):
                    captured.ended_by = "cold"
                    break
                looked = time.monotonic()
                pause = max(LOOK_EVERY_S, 20 * (looked - now))  # looking takes at most a twentieth of the time
    except KeyboardInterrupt:
        pass
    finally:
        if raw is not None:
            os.fsync(raw.fileno())
            raw.close()
    return captured


def _new_file(folder: Path) -> tuple[Captured, Any]:
    name = datetime.now(UTC).strftime("capture-%Y%m%dT%H%M%SZ")
    for number in range(1, 1000):
        path = folder / (f"{name}.log" if number == 1 else f"{name}-{number}.log")
        try:
            return Captured(path), path.open("xb", buffering=0)
        except FileExistsError:
            continue
        except OSError as error:
            raise ArchiveError(f"{folder} cannot be written ({error.strerror}): name another folder") from None
    raise ArchiveError(f"{folder} holds too many captures of this second: name another folder")


def _note_lines(captured: Captured, chunk: bytes, line_start: bool) -> bool:
    """Note the arrival of each line's first byte. Returns whether the next byte begins a line."""
    now = datetime.now(UTC)
    begun = chunk.count(b"\n") + (1 if line_start else 0) - (1 if chunk.endswith(b"\n") else 0)
    captured.line_times += [now] * begun
    return chunk.endswith(b"\n")


def _said(tail: bytes, chunk: bytes) -> list[bytes]:
    """Whole lines, then the unfinished rest (bounded: a port that never ends a line must not fill the memory)."""
    parts = re.split(rb"[\r\n]+", tail + chunk)
    parts[-1] = parts[-1][-65536:]
    return parts


def _is_cold_again(path: Path, layouts: list[LayoutFound], zone: str) -> bool:
    """True when the log so far reads without a question, was hot, and all its judged channels are cold now."""
    reading = understand(path.read_bytes(), path.name, {}, layouts, zone)
    return reading.status == "read" and ended_cold(reading.recordings[-1])


def ended_cold(recording: Recording) -> bool:
    """True when some judged channel has been at 100 °C or above and the last value of each is at 50 °C or below."""
    import numpy as np

    hottest, last = -np.inf, -np.inf
    for channel in recording.of_role("temperature"):
        present = channel.values[np.isfinite(channel.values)]
        if channel.judged and len(present):
            hottest, last = max(hottest, float(present.max())), max(last, float(present[-1]))
    return bool(hottest >= HOT_C and last <= COLD_C)


def _import(
    archive: Archive, captured: Captured, options: ImportOptions, after_store: AfterStore | None
) -> Iterator[ImportResult]:
    data = captured.path.read_bytes()
    name = captured.path.name
    if options.started_at is None and captured.line_times:
        tried = import_bytes(archive, data, name, replace(options, dry_run=True))[0].reading
        first = tried.recordings[0].first_line if tried is not None and tried.recordings else 1
        arrived = captured.line_times[min(first, len(captured.line_times)) - 1]
        options = replace(options, started_at=arrived, started_at_origin="derived")
    for result in import_bytes(archive, data, name, options, after_store):
        lacks = tuple(missing_from(result.reading)) if result.reading is not None else ()
        yield replace(result, file=str(captured.path), warnings=(*result.warnings, *lacks))


def _open(port: str, baud: int) -> serial.Serial:
    import serial

    try:
        return serial.Serial(port, baud, timeout=0.2)
    except (OSError, ValueError) as error:
        known = ", ".join(_ports()) or "none was found"
        raise ArchiveError(f"the port {port} cannot be opened ({_first_line(error)}); ports here: {known}") from None


def _reopen(port: str, baud: int, stop: threading.Event) -> serial.Serial | None:
    """Wait for a port that went away. None when stopped meanwhile."""
    while not stop.wait(REOPEN_EVERY_S):
        try:
            return _open(port, baud)
        except ArchiveError:
            continue
    return None


def _ports() -> list[str]:
    from serial.tools import list_ports

    return [port.device for port in list_ports.comports()]


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def _expression(text: str | None) -> re.Pattern[str] | None:
    if text is None:
        return None
    try:
        return re.compile(text, re.IGNORECASE)
    except re.error as error:
        raise ArchiveError(f"the end marker {text!r} is no regular expression ({error})") from None
