"""A sheet about logs of the past: a row a file, read into plain rows with a problem or none each."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from ingest.archive.fields import KINDS, ORIENTATIONS
from ingest.known_names import OptionsError, parse_start

COLUMNS = (
    "file",
    "oven",
    "started_at",
    "profile",
    "board",
    "paste",
    "lot",
    "opened",
    "kind",
    "orientation",
    "joints",
    "note",
)


@dataclass
class Row:
    """One row, its cells by column with blank ones left out. `line`: 1-based line of the sheet."""

    line: int
    cells: Mapping[str, str]
    problem: str | None = None
    started_at: datetime | None = None
    opened: datetime | None = None
    joints: int | None = None
    notices: list[str] = field(default_factory=list[str])

    @property
    def file(self) -> str:
        return self.cells["file"].replace("\\", "/").removeprefix("./")

    def get(self, column: str) -> str | None:
        return self.cells.get(column)


@dataclass
class Sheet:
    """All rows of a sheet, and the columns that were not understood."""

    name: str
    rows: list[Row]
    unknown_columns: list[str]


def read_sheet(path: str | os.PathLike[str], zone: str) -> Sheet:
    """Read a sheet: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab, as its header shows.

    Times without an offset are read in `zone`. A cell that cannot be is the row's `problem`.

    Raises OptionsError when the file cannot be read, is empty, or has no column `file`.
    """
    place = Path(path)
    try:
        text = _decode(place.read_bytes())
    except OSError as error:
        raise OptionsError(f"the sheet {place} cannot be read ({error.strerror or error})") from None
    first = text.lstrip("\r\n").splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t", key=first.count)
    table = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    header = [_column(name) for name in next((row for row in table if any(cell.strip() for cell in row)), [])]
    if "file" not in header:
        raise OptionsError(f"the sheet {place} has no column 'file'; its columns may be: {', '.join(COLUMNS)}")
    rows: list[Row] = []
    for cells in table:
        filled = {name: cell.strip() for name, cell in zip(header, cells, strict=False) if cell.strip()}
        if filled:
            rows.append(_row(table.line_num, filled, zone))
    _refuse_repeated(rows)
    return Sheet(place.name, rows, [name for name in header if name and name not in COLUMNS])


def _row(line: int, cells: dict[str, str], zone: str) -> Row:
    row = Row(line, cells)
    try:
        if "file" not in cells:
            row.cells = {**cells, "file": ""}
            raise OptionsError("it names no file")
        row.started_at = _time(cells, "started_at", zone)
        row.opened = _time(cells, "opened", zone)
        if "kind" in cells:
            cells["kind"] = cells["kind"].casefold().replace("-", "").replace(" ", "")
            if cells["kind"] not in KINDS:
                raise OptionsError(f"kind {cells['kind']!r} is not one of {', '.join(KINDS)}")
        if "orientation" in cells:
            cells["orientation"] = cells["orientation"].rstrip(" °")
            if cells["orientation"] not in ORIENTATIONS:
                raise OptionsError(
                    f"orientation {cells['orientation']!r} is not one of {', '.join(ORIENTATIONS)} (degrees)"
                )
        if "joints" in cells:
            if not re.fullmatch(r"[0-9]{1,7}", cells["joints"]):
                raise OptionsError(f"joints {cells['joints']!r} is no whole number")
            row.joints = int(cells["joints"])
        if "joints" in cells and "board" not in cells:
            row.notices.append("joints are of a board, and the row names none: left out")
        if ("lot" in cells or "opened" in cells) and "paste" not in cells:
            raise OptionsError("a lot or an opened jar is of a paste, and the row names none")
    except OptionsError as error:
        row.problem = str(error)
    return row


def _time(cells: Mapping[str, str], column: str, zone: str) -> datetime | None:
    return parse_start(cells.get(column), zone)[0]


def _refuse_repeated(rows: list[Row]) -> None:
    seen: dict[str, int] = {}
    for row in rows:
        if row.file in seen and row.file and row.problem is None:
            row.problem = f"row {seen[row.file]} names the same file"
        seen.setdefault(row.file, row.line)


def _column(name: str) -> str:
    return re.sub(r"[\s-]+", "_", name.strip().casefold())


def _decode(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")
