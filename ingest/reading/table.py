"""Decoded text to a table of columns.

Order of steps
1. Short way: when every line below the header splits into the same number of cells, the columns are taken as they stand.
2. Long way, for everything else: each line is a row, a header, or neither. A row has as many cells as its neighbours
   have, numbers where the others have numbers, and nothing half-eaten. Single short or long lines are half lines and are
   left out; a whole stretch with another number of cells is another layout of the same log. Lines of words above rows
   are headers (one or two rows of names and a row of units). Other lines are preamble, summaries or debug text.
3. A header in mid-file opens a new block; columns of blocks are joined by name, so their order and number may change.
4. A last line without line end is trusted only when it cannot have been cut short.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from operator import itemgetter

import numpy as np

from ingest.reading.cells import fault_kind, kind_of, to_number, unit_in_cell
from ingest.reading.dialect import Dialect, split
from ingest.reading.faults import is_marker_number
from ingest.reading.header import read_header
from ingest.recording import FloatArray, Notice, Question


@dataclass
class Column:
    """One column as written. `numbers` is None for a column of words or stamps; `marks` holds, for a numeric column, the
    text of the cells that are no numbers (row -> text)."""

    name: str
    unit: str
    cells: Sequence[str]
    numbers: FloatArray | None = None
    marks: dict[int, str] = field(default_factory=dict[int, str])


@dataclass
class Table:
    """`lines`: 1-based line of each row. `breaks`: rows before which a header was repeated. `blocks`: preamble text
    found before a row (row 0: before the table). `asked`: questions that the shape of the table leaves open."""

    columns: list[Column]
    lines: np.ndarray
    delimiter: str
    decimal: str
    kind: str = "wide"
    named: bool = True
    breaks: list[int] = field(default_factory=list[int])
    blocks: list[tuple[int, list[str]]] = field(default_factory=list[tuple[int, list[str]]])
    notices: list[Notice] = field(default_factory=list[Notice])
    asked: list[Question] = field(default_factory=list[Question])
    header: list[str] = field(default_factory=list[str])  # names as read, when they did not fit the cells
    reason: str = ""

    @property
    def rows(self) -> int:
        return len(self.lines)


def numeric_column(name: str, unit: str, cells: Sequence[str], decimal: str) -> Column:
    """A column with its numbers, when at least half of its filled cells are numbers or fault markers."""
    try:
        numbers = np.array(cells if decimal == "." else [c.replace(",", ".") for c in cells], dtype=np.float64)
        if (
            np.isfinite(numbers).all()
            and (decimal == "." or not any("." in c for c in cells))
            and "_" not in "".join(cells)  # "1_000" is a float to Python only
            and not _odd_decimals(cells, decimal)
        ):
            return Column(name, unit, cells, numbers)
    except ValueError:
        pass
    values = np.full(len(cells), np.nan)
    marks: dict[int, str] = {}
    numbers_seen = faults_seen = 0
    odd = _odd_decimals(cells, decimal)
    for i, cell in enumerate(cells):
        text = cell.strip()
        if not text:
            continue
        value = to_number(text, decimal) if i not in odd else None
        if value is not None:
            values[i] = value
            numbers_seen += 1
        else:
            marks[i] = text
            faults_seen += fault_kind(text) is not None
    filled = numbers_seen + len(marks)
    only_faults = filled > 0 and faults_seen == filled
    mostly = numbers_seen >= 0.5 * filled or (numbers_seen >= 3 and numbers_seen + faults_seen >= 0.9 * filled)
    if not mostly and not only_faults:
        return Column(name, unit, cells)
    if not unit and numbers_seen:
        unit = _common_cell_unit(cells, decimal)
    return Column(name, unit, cells, values, marks)


_DECIMALS = {".": re.compile(r"^[+-]?\d*\.(\d+)(?!\S*[eE])"), ",": re.compile(r"^[+-]?\d*,(\d+)(?!\S*[eE])")}
FIXED_SHARE = 0.985  # a program that writes a fixed number of decimals does so always; one that trims zeros, seldom


def _odd_decimals(cells: Sequence[str], decimal: str) -> set[int]:
    """Rows whose cell has other decimals than all the rest of a column of fixed decimals: digits were lost or glued on.

    Cells without decimals do not count: markers are written so.
    """
    d = len(cells[0].partition(decimal)[2])
    try:
        if len(cells) < 50 or (d and set(map(itemgetter(-d - 1), cells)) == {decimal}):
            return set()
    except IndexError:
        pass
    if decimal not in "".join(cells):
        return set()
    pattern = _DECIMALS[decimal]
    found = {i: len(m.group(1)) for i, c in enumerate(cells) if (m := pattern.match(c.strip()))}
    if len(found) < 50:
        return set()
    usual, n = Counter(found.values()).most_common(1)[0]
    if not FIXED_SHARE * len(found) <= n < len(found):
        return set()
    return {i for i, k in found.items() if k != usual and not is_marker_number(to_number(cells[i], decimal))}


def _common_cell_unit(cells: Sequence[str], decimal: str) -> str:
    units = Counter(unit_in_cell(c) for c in cells if c.strip() and to_number(c, decimal) is not None)
    unit, n = units.most_common(1)[0] if units else ("", 0)
    return unit if n >= 0.9 * sum(units.values()) else ""


def short_way(lines: Sequence[str], dialect: Dialect, ends_cleanly: bool) -> Table | None:
    delimiter, width = dialect.delimiter, dialect.columns
    first = next((i for i, ln in enumerate(lines[:200]) if _plain_row(ln, dialect)), None)
    if first is None:
        return None
    block = list(lines[first:])
    while block and not block[-1]:
        block.pop()
    if len(block) < 3:
        return None
    text = "\n".join(block)
    if '"' in text or "\0" in text:
        return None
    by_column = _cells_by_column(block, text, delimiter, width)
    if by_column is None:
        return None
    header = read_header(lines[:first], delimiter, width, dialect.decimal)
    if header is not None and len(header.names) != width:
        return None
    columns: list[Column] = []
    for j, cells in enumerate(by_column):
        column = numeric_column(
            header.names[j] if header else f"column {j + 1}", header.units[j] if header else "", cells, dialect.decimal
        )
        if column.marks or (column.numbers is None and not _steady_text(cells)):
            return None
        columns.append(column)
    if not ends_cleanly and may_be_cut(block, dialect):
        return None
    table = Table(
        columns,
        np.arange(first + 1, first + 1 + len(block)),
        delimiter,
        dialect.decimal,
        named=header is not None,
        reason=dialect.reason,
    )
    table.blocks.append((0, list(lines[: header.first if header else first])))
    return table


def _cells_by_column(block: Sequence[str], text: str, delimiter: str, width: int) -> Sequence[Sequence[str]] | None:
    """The cells of each column; None unless every line of `block`, which is `text`, has so many."""
    if delimiter == " ":
        rows = [ln.split() for ln in block]
        return list(zip(*rows, strict=True)) if set(map(len, rows)) == {width} else None
    if {ln.count(delimiter) for ln in block} != {width - 1}:
        return None
    cells = text.replace("\n", delimiter).split(delimiter)
    return [cells[j::width] for j in range(width)]


def _steady_text(cells: Sequence[str]) -> bool:
    """True for a column of stamps of one length or of a few state words: nothing a damaged row could hide in."""
    seen = set(cells)
    if len(seen) <= 12:
        return all(kind_of(c, ".") in ("word", "stamp") for c in seen)
    lengths = {len(c) for c in seen}
    marks = {"".join(c for c in s if not c.isdigit()) for s in seen}
    return len(lengths) <= 2 and len(marks) <= 1 and kind_of(cells[0], ".") in ("stamp", "number")


def _plain_row(line: str, dialect: Dialect) -> bool:
    cells = split(line, dialect.delimiter)
    if len(cells) != dialect.columns:
        return False
    kinds = [kind_of(c, dialect.decimal) for c in cells]
    return (
        "damaged" not in kinds
        and kinds[0] in ("number", "stamp")
        and sum(k in ("number", "stamp") for k in kinds) >= min(2, len(kinds) / 2)
    )


def may_be_cut(block: Sequence[str], dialect: Dialect) -> bool:
    """True when the last line may have lost its end: its last cell is shorter than all others' of fixed decimals."""
    last, before = block[-1], block[-40:-1]
    if dialect.delimiter == " " and last != last.rstrip():
        return False
    tail = split(last, dialect.delimiter)[-1]
    tails = [split(ln, dialect.delimiter)[-1] for ln in before if ln]
    if not tails:
        return False
    decimals = {_decimals(t, dialect.decimal) for t in tails}
    if _decimals(tail, dialect.decimal) < min(decimals):
        return True
    if len(decimals) == 1 and min(decimals) > 0:
        return False
    a, b = to_number(tail, dialect.decimal), to_number(tails[-1], dialect.decimal)
    if a is None or b is None:
        return tail != "" and tail not in tails and any(t.startswith(tail) for t in tails)
    return len(tail) < len(tails[-1]) and abs(a - b) > 0.05 * abs(b) + 1.0


def _decimals(cell: str, decimal: str) -> int:
    head, mark, tail = cell.strip().partition(decimal)
    return len(tail) if mark and head is not None else 0
