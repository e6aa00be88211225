"""Names and units above the rows: up to two rows of names and one of units, with or without comment marks.

The nearest line of words above the rows whose cells fit the rows' number is the header. A line of units (most cells are
units or empty) directly above the rows belongs to the names above it. A line above the names that groups columns
("Zone 1;;Zone 2;") is put before them. When names and cells differ in number the reasons known from practice are tried
in turn (blanks inside names, an unnamed row counter, date and time as two cells, a decimal comma that is also the
delimiter); what remains open is asked, not shifted.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.reading.cells import STAMP, kind_of
from ingest.reading.dialect import Dialect, split
from ingest.reading.keys import MARK as _MARK
from ingest.reading.keys import is_known_key
from ingest.reading.units import is_stamp_format, is_unit
from ingest.reading.words import name_says
from ingest.recording import Notice, Question

_RULE = re.compile(r"^[\s\-=+|:_*#~.,;]+$")


@dataclass
class Header:
    """`first`: index, in the lines given, of the first line that belongs to the header."""

    names: list[str]
    units: list[str]
    first: int
    raw: str  # the line of names as written


@dataclass
class Fitted:
    names: list[str]
    units: list[str]
    rows: list[list[str]]
    named: bool
    question: Question | None = None
    notice: Notice | None = None
    extra: dict[str, str] = field(default_factory=dict[str, str])


def read_header(above: Sequence[str], delimiter: str, width: int, decimal: str) -> Header | None:
    """The header in the lines above the rows, or None."""
    found: list[tuple[int, list[str], str]] = []
    for index in range(len(above) - 1, max(-1, len(above) - 12), -1):
        line = above[index]
        if not line.strip() or _RULE.match(line) or _states_a_key(line):
            continue
        cells = _cells(line, delimiter, width)
        if cells is None:
            if found:
                break
            continue
        found.append((index, cells, line))
        if len(found) == 3:
            break
    if not found:
        return None
    units = [""] * width
    used = 0
    if _is_units(found[0][1]) and len(found) > 1:
        if len(found[0][1]) == width:  # fewer: which column lacks one cannot be told
            units = found[0][1]
        used = 1
    index, names, raw = found[used]
    if not _is_names(names, decimal) or _is_pair(names):
        return None
    if delimiter == " " and is_known_key(names[0]) and not _named_share(names):
        return None  # "Profile SAC test" is a preamble line that happens to have as many words as the rows have cells
    first = index
    if used + 1 < len(found):
        above_index, group, _line = found[used + 1]
        if above_index >= index - 1 and len(group) == len(names):
            if used == 0 and _is_units(names):
                units, names, first = names, group, above_index
            elif _is_group(group, names):
                names = _grouped(group, names)
                first = above_index
    if used == 0 and _is_units(names) and not any(name_says(n).kinds for n in names):
        return None
    return Header(_unique(names), [u if is_unit(u) else "" for u in _pad(units, len(names))], first, raw)


def is_header_again(header: Header, before: Header | None, width: int) -> bool:
    """True when words in mid-file are a header: names seen before, or as many as the cells and mostly known words."""
    if before is not None and len(set(header.names) & set(before.names)) >= 2:
        return True
    return len(header.names) == width and width >= 3 and _named_share(header.names) >= 0.6


def _cells(line: str, delimiter: str, width: int) -> list[str] | None:
    """Cells of a candidate header line, when their number can fit the rows."""
    m = _MARK.match(line)
    bare = line[m.end() :] if m else line
    if m and delimiter == ";" and line.lstrip().startswith(";"):
        bare = line
    tries = [split(bare, delimiter)]
    if delimiter == " ":
        wide = [c.strip() for c in re.split(r"\s{2,}|\t|\s*[;|]\s*", bare.strip())]
        tries = [wide, tries[0]] if len(wide) == width else [tries[0], wide]
        tries.append([c.strip() for c in bare.split(",")])
    elif delimiter not in bare:
        for other in ("\t", ";", ",", "|"):
            if other in bare:
                tries.append(split(bare, other))
    for cells in tries:
        while len(cells) > width and not cells[-1]:
            cells = cells[:-1]
        if len(cells) == width and any(cells):
            return cells
    for cells in tries:
        if width >= 3 and len(cells) >= 3 and width / 2 <= len(cells) <= width + 3 and _named_share(cells) >= 0.6:
            return cells
    return None


def _named_share(cells: Sequence[str]) -> float:
    return sum(1 for c in cells if c and len(c) < 40 and (name_says(c).kinds or is_unit(c))) / max(1, len(cells))


def _pad(cells: Sequence[str], width: int) -> list[str]:
    return [*cells, *[""] * (width - len(cells))][:width]


def _is_units(cells: Sequence[str]) -> bool:
    filled = [c for c in cells if c.strip() and c.strip() not in {"-", "--", "n/a"}]
    hits = sum(
        1 for c in filled if is_unit(c) or is_stamp_format(c) or c.strip("()[]") in {"on/off", "0/1", "text", "1", "#"}
    )
    return bool(filled) and hits >= 0.6 * len(filled) and sum(1 for c in filled if is_unit(c)) >= 1


def _is_names(cells: Sequence[str], decimal: str) -> bool:
    """True when the cells name columns: words, at most bare channel numbers beside at least one word."""
    kinds = [kind_of(c, decimal) for c in cells]
    if not any(k in ("word", "fault") for k in kinds):
        return False
    numbers = sum(k in ("number", "stamp", "damaged") for k in kinds)
    words = sum(k in ("word", "fault") for k in kinds)
    if numbers == 0:
        return True
    return kinds[0] in ("word", "fault") and (
        numbers <= words or all(c.isdigit() and len(c) <= 3 for c, k in zip(cells, kinds, strict=True) if k == "number")
    )


_KEY = re.compile(r"^([^\W\d][^:=,;\t|]{0,40}?)\s*(?::(?!\d)|=)")


def _states_a_key(line: str) -> bool:
    """True for a preamble line with a key everybody knows ("Firmware: 2.1")."""
    m = _KEY.match(_MARK.sub("", line, count=1).strip())
    return bool(m) and is_known_key(m.group(1))


def _is_pair(cells: Sequence[str]) -> bool:
    """True for a `key, value` line that happens to be as wide as a table of two columns."""
    return len(cells) == 2 and is_known_key(cells[0]) and not set(name_says(cells[0]).kinds) & {"time", "date", "index"}


def _is_group(group: Sequence[str], names: Sequence[str]) -> bool:
    empty = sum(not c for c in group)
    repeated = len({c for c in group if c}) < sum(bool(c) for c in group)
    same = len(set(names)) < len(names)
    return (
        any(group)
        and (same or (empty >= 1 and repeated) or (empty >= 0.3 * len(group) and same))
        and all(len(c) < 40 for c in group)
    )


def _grouped(group: Sequence[str], names: Sequence[str]) -> list[str]:
    out, current = [], ""
    for g, n in zip(group, names, strict=True):
        current = g or current
        out.append(f"{current} {n}".strip() if current and current != n else n)
    return out


def _unique(names: Sequence[str]) -> list[str]:
    out: list[str] = []
    for i, name in enumerate(names):
        base = " ".join(name.strip().strip("\"'").split()) or f"column {i + 1}"
        new, k = base, 2
        while new in out:
            new = f"{base} ({k})"
            k += 1
        out.append(new)
    return out


def fit_header(header: Header | None, first: list[str], rows: list[list[str]], width: int, dialect: Dialect) -> Fitted:
    """Header and rows brought to the same number of columns."""
    if header is None:
        return Fitted([f"column {i + 1}" for i in range(width)], [""] * width, rows, False)
    names, units = header.names, header.units
    if len(names) == width:
        return Fitted(names, units, rows, True)
    if len(names) == width + 1 and all(not r[-1] for r in rows[:50]):
        return Fitted(names[:width], units[:width], rows, True)
    if len(names) + 1 == width and all(not r[-1] for r in rows):
        return Fitted(names, units, [r[:-1] for r in rows], True)
    if len(names) + 1 == width and STAMP.match(first[0]) and STAMP.match(first[1]) and ":" in first[1]:
        return Fitted(names, units, [[f"{r[0]} {r[1]}", *r[2:]] for r in rows], True)
    if len(names) + 1 == width and _counts_up(rows):
        return Fitted(["column 0", *names], ["", *units], rows, True)
    joined = _decimal_comma_pairs(len(names), rows, dialect)
    if joined is not None:
        text = "The comma is both delimiter and decimal mark; cells were joined in pairs so that they fit the header."
        return Fitted(names, units, joined, True, notice=Notice("comma_both", text))
    if len(names) > width and all(set(name_says(n).kinds) & {"state", "other"} for n in names[width:]):
        text = f"The rows have no cell for {', '.join(names[width:])}."
        return Fitted(names[:width], units[:width], rows, True, notice=Notice("cells_missing", text))
    question = Question(
        "columns",
        f"The header names {len(names)} columns ({', '.join(names)[:120]}) but the rows have {width} cells. "
        f"Which names belong to the cells? Answer with {width} names separated by commas, or choose the side the names fit from.",
        ("from the left", "from the right"),
        "from the left",
    )
    if len(names) > width:
        return Fitted(names[:width], units[:width], rows, True, question)
    more = [f"column {i + 1}" for i in range(len(names), width)]
    return Fitted([*names, *more], [*units, *[""] * len(more)], rows, True, question)


def _counts_up(rows: list[list[str]]) -> bool:
    try:
        values = [int(r[0]) for r in rows[:200]]
    except ValueError:
        return False
    return all(b - a == 1 for a, b in itertools.pairwise(values))


def _decimal_comma_pairs(wanted: int, rows: list[list[str]], dialect: Dialect) -> list[list[str]] | None:
    """Rows cut at a comma that is also the decimal mark, put together again; None when that is not what happened.

    Only when every row has the same number of cells and one way alone pairs them: whole column first ("0,25,3,25,1" for
    three names) or every column with decimals.
    """
    width = len(rows[0])
    if dialect.delimiter != "," or not wanted < width <= 2 * wanted:
        return None
    if any(not all(c.strip("+-").isdigit() for c in r) for r in rows):
        return None
    lengths = [{len(r[j]) for r in rows} for j in range(width)]
    if width == 2 * wanted:
        tails = range(1, width, 2)
        if all(len(lengths[j]) == 1 for j in tails) and all(
            not r[j].startswith(("+", "-")) for r in rows for j in tails
        ):
            return [[f"{r[j]}.{r[j + 1]}" for j in range(0, width, 2)] for r in rows]
        return None
    if width == 2 * wanted - 1:
        tails = range(2, width, 2)
        if all(len(lengths[j]) == 1 for j in tails) and _counts_steadily(rows):
            return [[r[0], *[f"{r[j]}.{r[j + 1]}" for j in range(1, width, 2)]] for r in rows]
    return None


def _counts_steadily(rows: list[list[str]]) -> bool:
    values = [int(r[0]) for r in rows]
    steps = {b - a for a, b in itertools.pairwise(values)}
    return len(steps) <= 3 and min(steps, default=0) > 0
