"""Delimiter and decimal mark, found together.

For every delimiter the sampled lines are split and every cell is read under both decimal marks. A pair is good when many
lines are *rows*: as many cells as most rows have, at least one number, no cell with digits that is neither number nor
stamp. The wrong pair betrays itself by such cells: "12,5;25,3" cut at commas leaves "5;25". The share of lines that are
rows decides; on a near tie the more deliberate mark wins (tab, semicolon, bar, comma, blank).

When both decimal marks fit every cell (only groups of three digits after the mark: "1.234"), the reading under which
the columns run smoother is taken: a clock that goes 500, 1.000, 1.500 was written with thousands marks.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.reading.cells import kind_of, to_number

DELIMITERS = ("\t", ";", "|", ",", " ")
NAMES = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blanks"}


@dataclass(frozen=True)
class Dialect:
    """`delimiter` " " means any run of blanks and tabs. `share`: part of the sampled lines that are rows."""

    delimiter: str
    decimal: str
    columns: int
    share: float
    reason: str


def split(line: str, delimiter: str) -> list[str]:
    """Cells of one line, quotes honoured."""
    if '"' in line:
        try:
            if delimiter == " ":
                return [c for c in next(csv.reader([" ".join(line.split())], delimiter=" ")) if c]
            return [c.strip() for c in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except (csv.Error, StopIteration):
            line = line.replace('"', "")
    if delimiter == " ":
        return line.split()
    return [c.strip() for c in line.split(delimiter)]


def sample_of(lines: Sequence[str], count: int = 30) -> list[str]:
    """Lines spread over the whole log, without blanks and comments."""
    step = max(1, len(lines) // (count * 2))
    picked = [ln for ln in lines[::step] if ln.strip() and ln.lstrip()[:1] not in "#%" and "\0" not in ln]
    if len(picked) > count:
        picked = picked[:: max(1, len(picked) // count)]
    return picked


def find_dialect(lines: Sequence[str]) -> Dialect | None:
    """The delimiter and decimal mark of the log's table, or None when no sampled line looks like a row of numbers."""
    sample = sample_of(lines)
    tried: list[Dialect] = []
    for delimiter in DELIMITERS:
        if delimiter != " " and not any(delimiter in ln for ln in sample):
            continue
        found = _try(sample, delimiter, lines)
        if found is not None:
            tried.append(found)
            if found.share > 0.95 and (delimiter in "\t;|" or not any(" " in ln.strip() for ln in sample)):
                break
    if not tried:
        return None
    best = max(d.share for d in tried)
    return next(d for d in tried if d.share >= 0.9 * best)


def _try(sample: Sequence[str], delimiter: str, lines: Sequence[str]) -> Dialect | None:
    rows = [split(ln, delimiter) for ln in sample if len(ln) < 4096]
    rows = [r[:-1] if len(r) > 2 and not r[-1] else r for r in rows]
    if not rows:
        return None
    results: dict[str, tuple[float, int, int]] = {}
    for decimal in ".," if delimiter != "," or any('"' in ln for ln in sample) else ".":
        counts: Counter[int] = Counter()
        soundness = 0.0
        for row in rows:
            whole = _is_row(row, decimal) if len(row) >= 2 else 0.0
            if whole:
                counts[len(row)] += 1
                soundness += whole
        if counts:
            soundness /= sum(counts.values())
            width, hits = counts.most_common(1)[0]
            both = sum(n for w, n in counts.items() if abs(w - width) <= 2)
            results[decimal] = (soundness * (hits + 0.5 * (both - hits)) / len(rows), width, hits)
    if not results:
        return None
    point, comma = results.get(".", (0.0, 0, 0)), results.get(",", (0.0, 0, 0))
    why = f"{NAMES[delimiter]} between cells"
    if comma[0] > point[0]:
        return Dialect(delimiter, ",", comma[1], comma[0], why + ", decimal comma")
    if comma[0] == point[0] and delimiter != "," and _comma_fits_better(lines, delimiter, point[1]):
        return Dialect(
            delimiter, ",", comma[1], comma[0], why + ", decimal comma (both marks fit; this one is smoother)"
        )
    return Dialect(delimiter, ".", point[1], point[0], why + ", decimal point")


_CUT_WRONG = re.compile(r"\d\s*[;,\t|]|\d [-+]?[\d.,]|[;,\t|]\s*\d")  # two cells in one: another delimiter was meant


def _is_row(row: Sequence[str], decimal: str) -> float:
    """0 when the cells make no row, else the share of cells that are not damaged."""
    numbers = filled = damaged = 0
    for cell in row:
        kind = kind_of(cell, decimal)
        if kind == "damaged" and _CUT_WRONG.search(cell):
            return 0.0
        damaged += kind == "damaged"
        filled += kind != "empty"
        numbers += kind == "number" or kind == "stamp"
    if numbers < 1 or filled < 2 or (2 * numbers < filled and numbers < 2):
        return 0.0
    return 1.0 - damaged / filled


def _comma_fits_better(lines: Sequence[str], delimiter: str, width: int) -> bool:
    """Both marks fit every cell: the mark that is there is the decimal mark, unless the columns wander less the other way."""
    middle = lines[len(lines) // 3 : len(lines) // 3 + 200]
    rows = [r for r in (split(ln, delimiter) for ln in middle) if len(r) == width]
    numbers = "".join(c for r in rows for c in r if kind_of(c, ".") == "number")
    if "." not in numbers and "," not in numbers:
        return False
    as_comma, as_point = _wander(rows, width, ","), _wander(rows, width, ".")
    return as_comma < 0.8 * as_point or ("," in numbers and "." not in numbers and as_comma <= 1.25 * as_point)


def _wander(rows: Sequence[Sequence[str]], width: int, decimal: str) -> float:
    total = 0.0
    for column in range(width):
        values = [v for v in (to_number(r[column], decimal) for r in rows) if v is not None]
        span = max(values) - min(values) if values else 0.0
        if span > 0:
            total += sum(abs(b - a) for a, b in itertools.pairwise(values)) / span
    return total
