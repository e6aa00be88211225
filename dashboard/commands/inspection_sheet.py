"""Inspections from a sheet, for the command line and the demo: read with what was answered before, store, say what is open.

A row a defect of a run, or one row with count 0 for a run that was looked at and clean; a run without a row was not
inspected. What the columns mean and what is asked: ingest.inspection_sheets.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands.output import Refusal
from ingest.inspection_rows import SheetInspection, Stored, inspections_of, store_sheet
from ingest.inspection_sheets import SheetRead, read_with_memory

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ingest.archive import Archive


def open_sheet(archive: Archive, sheet: str | Path, answers: Mapping[str, str] | None = None) -> SheetRead:
    """The sheet with its columns as far as they are understood; open questions are in it."""
    path = Path(sheet)
    return read_with_memory(archive, path.read_bytes(), path.name, answers)


def read_inspections(archive: Archive, sheet: str | Path) -> tuple[list[SheetInspection], list[str]]:
    """The inspections of a sheet that needs no answer, and every wrong line as a line of text.

    Raises Refusal when a column is not understood, ArchiveError when the sheet cannot be read at all.
    """
    read = open_sheet(archive, sheet)
    if read.questions:
        raise Refusal(read.questions[0].text)
    return inspections_of(archive, read)


def store_inspections(archive: Archive, inspections: Sequence[SheetInspection], who: str | None) -> int:
    """All in one transaction; returns how many were stored."""
    from ingest.inspection_rows import store_inspections as store

    with archive.transaction() as con:
        return len(store(con, inspections, who)[0])


__all__ = [
    "SheetInspection",
    "Stored",
    "inspections_of",
    "open_sheet",
    "read_inspections",
    "store_inspections",
    "store_sheet",
]
