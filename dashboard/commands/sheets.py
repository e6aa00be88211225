"""Sheets of people (inspections, events): CSV from any spreadsheet, read to rows with their line numbers."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from dashboard.commands.output import Refusal

Row = dict[str, str]


def read_sheet(sheet: str | Path, needed: Sequence[str]) -> list[tuple[int, Row]]:
    """Rows with their 1-based lines, cells stripped, keyed by the column names in lower case.

    Comma, semicolon or tab; UTF-8, UTF-16 or Windows-1252. Empty rows are left out. `needed` columns: "file or run"
    stands for either.

    Raises
    ------
    Refusal
        When the sheet is no text, is empty, or lacks a needed column.
    OSError
        When the file cannot be read.
    """
    text = _text(Path(sheet))
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise Refusal(f"{sheet} is empty.")
    reader = csv.reader(text.splitlines(), delimiter=max(",;\t", key=first.count))
    names: list[str] = []
    rows: list[tuple[int, Row]] = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if not names:
            names = [cell.strip().lower() for cell in cells]
        else:
            rows.append((reader.line_num, {name: cell.strip() for name, cell in zip(names, cells, strict=False)}))
    missing = [column for column in needed if not set(column.split(" or ")) & set(names)]
    if missing:
        raise Refusal(f"{sheet} lacks the columns: {', '.join(missing)}. Needed: {', '.join(needed)}.")
    return rows


def whole_number(row: Row, column: str) -> int | None:
    """A count, or None when the cell is empty. ValueError for anything else."""
    text = row.get(column, "")
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        raise ValueError(f"'{text}' under {column} is not a whole number") from None
    if number != number or number < 0 or number != int(number):
        raise ValueError(f"'{text}' under {column} is not a whole number")
    return int(number)


def _text(sheet: Path) -> str:
    data = sheet.read_bytes()
    if b"\0" in data and data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise Refusal(f"{sheet} is not a text file. Save the sheet as CSV.")
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise Refusal(f"{sheet} is not a text file. Save the sheet as CSV.")
