"""The reader, called so that one log it fails on never stops the others, and what else needs no archive."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.archive.log_rows import pack
from ingest.reading import read_log
from ingest.recording import LayoutFound, Reading
from ingest.setpoints import Table, setpoint_table


@dataclass(frozen=True)
class Prepared:
    """A log as far as it can be taken without the archive. `packed`: its bytes as the archive keeps them; `set_points`:
    the table of each recording. Both empty for a log that was not read."""

    reading: Reading
    packed: bytes | None = None
    set_points: tuple[Table, ...] = ()


def prepare(data: bytes, name: str, answers: Mapping[str, str], layouts: Sequence[LayoutFound], zone: str) -> Prepared:
    """Everything that can be done for a log in another process."""
    reading = understand(data, name, answers, layouts, zone)
    if reading.status != "read":
        return Prepared(reading)
    return Prepared(reading, pack(data), tuple(setpoint_table(recording) for recording in reading.recordings))


def understand(
    data: bytes, name: str, answers: Mapping[str, str], layouts: Sequence[LayoutFound], zone: str
) -> Reading:
    """One log's reading. An error of the reader itself is a rejection that says so; its trace goes to the log."""
    try:
        readings = read_log(data, name, answers=answers, layouts=layouts, zone=zone)
    except Exception as error:
        logging.getLogger(__name__).debug("reading %s failed", name, exc_info=True)
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{type(error).__name__}, {Path(last.filename).name} line {last.lineno}"
        return Reading("rejected", f"an error in reading it, not in the log ({where}): please report it with the file")
    if len(readings) != 1:
        return Reading("rejected", "the file holds several logs packed in a way that is not known: unpack it first")
    return readings[0]
