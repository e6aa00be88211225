"""The reader, called so that one log it fails on never stops the others."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path

from ingest.reading import read_log
from ingest.recording import LayoutFound, Reading


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
