"""The long way from lines to a table: each line is a row, a header, or neither.

A row has as many cells as its neighbours, numbers where the others have numbers, and nothing half-eaten. Single short or
long lines are half lines and are left out; a whole stretch with another number of cells is another layout of the same log.
Lines of words above rows are headers; a header in mid-file opens a new block, and columns of blocks are joined by name.
Other lines are preamble, summaries or debug text.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from ingest.reading.cells import fault_kind, kind_of, to_number
from ingest.reading.dialect import Dialect, split
from ingest.reading.header import Header, fit_header, is_header_again, read_header
from ingest.reading.table import Table, may_be_cut, numeric_column, short_way
from ingest.reading.units import is_unit
from ingest.recording import Notice, Question


def build_table(lines: Sequence[str], dialect: Dialect, ends_cleanly: bool) -> Table | None:
    """The table in `lines`, or None when there is none. `ends_cleanly`: the text ended with a line end."""
    lines = join_quoted(lines)
    table = short_way(lines, dialect, ends_cleanly)
    if table is None:
        table = long_way(lines, dialect, ends_cleanly)
    if table is not None:
        _take_unit_columns(table)
    return table


def _take_unit_columns(table: Table) -> None:
    """A column that says nothing but one unit ("25.1;C;26.0;C") belongs to the column before it."""
    for before, column in list(pairwise(table.columns)):
        seen = {c.strip() for c in column.cells[:50]}
        if (
            column.numbers is None
            and before.numbers is not None
            and len(seen) == 1
            and is_unit(next(iter(seen)))
            and len({c.strip() for c in column.cells} - {""}) == 1
        ):
            before.unit = before.unit or next(iter(seen))
            table.columns.remove(column)
    if not table.named:
        _take_name_columns(table)


def _take_name_columns(table: Table) -> None:
    """Without a header, words that never change name the number behind them ("Time 12.0 Temp1 25.1")."""
    for column, after in list(pairwise(table.columns)):
        seen = {c.strip().rstrip(":=") for c in column.cells}
        if (
            column.numbers is None
            and after.numbers is not None
            and len(seen) == 1
            and kind_of(next(iter(seen)), ".") == "word"
        ):
            after.name = next(iter(seen))
            table.columns.remove(column)
            table.named = True


_COMMENT = re.compile(r"^\s*(?:#+|//+|%+|!+|\*+|--+\s|>+|rem\s)\s?", re.I)


def is_comment(line: str, delimiter: str) -> bool:
    m = _COMMENT.match(line)
    return bool(m and m.end()) and not line.startswith(delimiter)


@dataclass
class _Row:
    line: int
    cells: list[str]


@dataclass
class _Block:
    """A header (or none) and the rows below it."""

    header: Header | None
    text: list[str]  # lines of words above it
    rows: list[_Row] = field(default_factory=list[_Row])


def long_way(lines: Sequence[str], dialect: Dialect, ends_cleanly: bool) -> Table | None:
    delimiter, decimal = dialect.delimiter, dialect.decimal
    blocks: list[_Block] = []
    pending: list[str] = []  # lines of words since the last row
    lost: list[int] = []
    debris: list[int] = []
    pattern = _pattern(lines, dialect)
    last_line = max((i for i, ln in enumerate(lines) if ln.strip()), default=-1)
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        if "\0" in line:
            lost.append(number + 1)
            continue
        if line.count(delimiter) > 3 * dialect.columns + 50:  # far too wide to be a row or a header of this table
            pending.append(line)
            continue
        commented = is_comment(line, delimiter)
        cells = split(line, delimiter)
        if not commented and " #" in line:  # a remark behind the row
            short = split(line.partition(" #")[0].rstrip(), delimiter)
            if is_data(short, pattern, decimal):
                cells = short
        if not commented and is_data(cells, pattern, decimal):
            if (
                number == last_line
                and not ends_cleanly
                and blocks
                and blocks[-1].rows
                and may_be_cut(
                    [" ".join(r.cells) if delimiter == " " else delimiter.join(r.cells) for r in blocks[-1].rows[-40:]]
                    + [line],
                    dialect,
                )
            ):
                lost.append(number + 1)
                continue
            if not blocks or pending:
                width = len(cells)
                header = read_header(pending, delimiter, width, decimal) if pending else None
                if header is not None and blocks and not is_header_again(header, blocks[-1].header, width):
                    header = None
                if not blocks or header is not None:
                    blocks.append(_Block(header, pending[: header.first] if header else pending))
                else:
                    debris.append(len(pending))
                    blocks[-1].text.extend(pending)
                pending = []
            blocks[-1].rows.append(_Row(number + 1, cells))
        elif commented:
            pending.append(line)
        elif _is_debris(cells, decimal):
            lost.append(number + 1)
        else:
            pending.append(line)
    blocks = [b for b in blocks if b.rows]
    if (
        len(blocks) > 1
        and blocks[0].header is None
        and blocks[1].header is not None
        and _goes_on(blocks[0], blocks[1], decimal)
    ):
        blocks[0].header = blocks[1].header
    if not blocks:
        return None
    return _join(blocks, pending, lost, debris, dialect)


def _goes_on(early: _Block, late: _Block, decimal: str) -> bool:
    """True when rows without a header run on into rows that have one: same width, and a first column that continues."""
    if len(early.rows) < 3 or len(early.rows[-1].cells) != len(late.rows[0].cells):
        return False
    ends = [to_number(r.cells[0], decimal) for r in (early.rows[-2], early.rows[-1], late.rows[0])]
    if any(e is None for e in ends):
        return all(kind_of(r.cells[0], decimal) == "stamp" for r in (early.rows[-1], late.rows[0]))
    before, last, first = ends
    return 0 < first - last <= 10 * abs(last - before)  # type: ignore[operator]


def join_quoted(lines: Sequence[str]) -> Sequence[str]:
    """Header cells may hold line ends inside quotes; the lines are joined, their number is kept by blank lines."""
    if not any(ln.count('"') % 2 for ln in lines[:60]):
        return lines
    out = list(lines)
    i = 0
    while i < min(len(out), 60):
        j = i
        while out[i].count('"') % 2 and j + 1 < min(len(out), i + 12):
            j += 1
            out[i] += " " + out[j]
            out[j] = ""
        i = j + 1
    return out


def _pattern(lines: Sequence[str], dialect: Dialect) -> list[str]:
    """Usual kind of each column: "number", "stamp" or "word"."""
    step = max(1, len(lines) // 200)
    votes: list[Counter[str]] = [Counter() for _ in range(dialect.columns)]
    for line in lines[::step]:
        cells = split(line, dialect.delimiter)
        if len(cells) in (dialect.columns, dialect.columns + 1) and "\0" not in line:
            kinds = [kind_of(c, dialect.decimal) for c in cells[: dialect.columns]]
            if sum(k in ("number", "stamp") for k in kinds) >= max(1, kinds.count("damaged")):
                for vote, kind in zip(votes, kinds, strict=True):
                    if kind in ("fault", "empty"):
                        vote["number"] += 1  # says little: any other kind outweighs it
                    else:
                        vote["word" if kind == "damaged" else kind] += 10
    return [v.most_common(1)[0][0] if v else "word" for v in votes]


def is_data(cells: list[str], pattern: list[str], decimal: str) -> bool:
    """True for a row: numbers or stamps where most rows have them, and nothing half-eaten in more than one cell."""
    if len(cells) < 2:
        return False
    wrong = good = wanted = 0
    for j, cell in enumerate(cells):
        expect = pattern[j] if j < len(pattern) else "number"
        kind = kind_of(cell, decimal)
        if kind == "damaged":
            wrong += 1
        if expect in ("number", "stamp"):
            wanted += 1
            if kind in ("number", "stamp"):
                good += 1
                if (
                    expect == "stamp"
                    and kind == "number"
                    and pattern.count("stamp")
                    and ":" not in cell
                    and len(cell) < 6
                ):
                    wrong += 1
            elif kind == "word":
                wrong += 1
                if j == 0:
                    return False
    return (
        wrong <= max(1, len(cells) // 4)
        and good >= 1
        and good + sum(1 for c in cells if not c or fault_kind(c)) >= 0.5 * wanted
    )


def _is_debris(cells: list[str], decimal: str) -> bool:
    """True for a broken row: mostly numbers, but not readable as one."""
    kinds = [kind_of(c, decimal) for c in cells]
    return (
        len(cells) >= 2
        and kinds[0] in ("number", "damaged", "stamp", "empty")
        and sum(k in ("number", "damaged", "stamp") for k in kinds) > 0.5 * len(cells)
    )


def _join(
    blocks: list[_Block], trailer: list[str], lost: list[int], debris: list[int], dialect: Dialect
) -> Table | None:
    delimiter, decimal = dialect.delimiter, dialect.decimal
    notices: list[Notice] = []
    asked: list[Question] = []
    parts: list[tuple[list[str], list[str], list[_Row], list[str], bool, bool]] = []
    for block in blocks:
        if block.header is not None:
            _fill_up(block.rows, block.header.names, decimal)
        stretches, half = _stretches(block.rows)
        lost += half
        for k, rows in enumerate(stretches):
            width = len(rows[0].cells)
            fitted = fit_header(block.header, rows[0].cells, [r.cells for r in rows], width, dialect)
            if fitted.question is not None:
                asked.append(fitted.question)
            if fitted.notice is not None:
                notices.append(fitted.notice)
            for row, cells in zip(rows, fitted.rows, strict=True):
                row.cells = cells
            parts.append((fitted.names, fitted.units, rows, block.text if k == 0 else [], fitted.named, k == 0))
    if not parts:
        return None
    main = max(parts, key=lambda p: len(p[2]))
    kept = [p for p in parts if p[0] == main[0] or _shares_names(p, main)]
    for p in parts:
        if not any(p is q for q in kept):
            told = f"Lines {p[2][0].line} to {p[2][-1].line} hold another table ({', '.join(p[0])[:80]})"
            notices.append(Notice("table_left_out", f"{told} and were not read as samples."))
            if len(p[2]) >= max(20, 0.1 * len(main[2])):
                asked.append(
                    Question("other_table", f"{told}, too different to be joined. Leave it out?", ("leave out",))
                )
    names: list[str] = []
    units: dict[str, str] = {}
    for p in kept:
        for n, u in zip(p[0], p[1], strict=True):
            if n not in units:
                names.append(n)
                units[n] = u
    order = [p[0] for p in kept]
    if any(o != order[0] for o in order):
        notices.append(
            Notice("columns_change", "The order or number of columns changes in mid-file; columns were joined by name.")
        )
    cells_of: dict[str, list[str]] = {n: [] for n in names}
    line_numbers: list[int] = []
    breaks: list[int] = []
    texts: list[tuple[int, list[str]]] = []
    for i, (part_names, _u, rows, text, _named, header_here) in enumerate(kept):
        start = len(line_numbers)
        if i and header_here:
            breaks.append(start)
        texts.append((start, text))
        line_numbers += [r.line for r in rows]
        columns = dict(zip(part_names, zip(*[r.cells for r in rows], strict=True), strict=True))
        for n in names:
            cells_of[n] += columns.get(n, ("",) * len(rows))
    if lost:
        shown = ", ".join(map(str, sorted(lost)[:8])) + (" ..." if len(lost) > 8 else "")
        notices.append(Notice("lines_left_out", f"{len(lost)} damaged or half lines were left out (line {shown})."))
    if sum(debris):
        notices.append(Notice("text_between_rows", f"{sum(debris)} lines of text between the rows were skipped."))
    columns = [numeric_column(n, units[n], cells_of[n], decimal) for n in names]
    table = Table(
        columns,
        np.array(line_numbers),
        delimiter,
        decimal,
        named=main[4],
        breaks=breaks,
        blocks=texts,
        notices=notices,
        asked=asked[:1],
        reason=dialect.reason,
    )
    if asked:
        table.header = next((b.header.names for b in blocks if b.header is not None), [])
    kept_rows = len(line_numbers)
    if len(lost) > 0.2 * (kept_rows + len(lost)):
        table.asked.append(
            Question(
                "damage",
                f"{len(lost)} of {kept_rows + len(lost)} lines are damaged or do not fit the table. Read the rest?",
                ("read the rest",),
            )
        )
    if trailer:
        table.blocks.append((len(line_numbers), trailer))
    return table


def _shares_names(part: tuple, main: tuple) -> bool:
    if not (part[4] and main[4]):
        return False
    common = set(part[0]) & set(main[0])
    return (len(common) >= 2 and part[0][0] in main[0]) or len(common) >= 0.6 * len(part[0]) > 1


def _fill_up(rows: list[_Row], names: Sequence[str], decimal: str) -> None:
    """Rows that leave out the cells of the last columns (notes, events: words, in the few rows that have them) get them
    empty, so that all rows of the block are as wide as its header."""
    counts = Counter(len(r.cells) for r in rows)
    usual = counts.most_common(1)[0][0]
    full = [r for r in rows if len(r.cells) == len(names)]
    if not usual < len(names) or not full:
        return
    if all(kind_of(c, decimal) in ("word", "empty", "fault") for r in full for c in r.cells[usual:]):
        for row in rows:
            if len(row.cells) == usual:
                row.cells += [""] * (len(names) - usual)


def _stretches(rows: list[_Row]) -> tuple[list[list[_Row]], list[int]]:
    """Stretches of rows with equally many cells; single odd rows (half lines) apart. A trailing empty cell that only some
    rows have does not count."""
    counts = Counter(len(r.cells) for r in rows)
    if len(counts) > 1:
        for width in sorted(counts, reverse=True):  # rows that only lack or only have trailing empty cells
            longer = [r for r in rows if len(r.cells) == width]
            if width - 1 in counts and all(not r.cells[-1] for r in longer):
                for r in longer:
                    r.cells.pop()
        counts = Counter(len(r.cells) for r in rows)
    common = {w for w, n in counts.items() if n >= max(5, 0.05 * len(rows)) or n == max(counts.values())}
    out: list[list[_Row]] = []
    half: list[int] = []
    for row in rows:
        if len(row.cells) not in common:
            half.append(row.line)
        elif out and len(out[-1][0].cells) == len(row.cells):
            out[-1].append(row)
        else:
            out.append([row])
    if len(out) > 4 and len(common) > 1:  # interleaved: only the usual width can be trusted
        usual = counts.most_common(1)[0][0]
        half += [r.line for s in out for r in s if len(r.cells) != usual]
        out = [[r for s in out for r in s if len(r.cells) == usual]]
    return out, half
