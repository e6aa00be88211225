"""Lines of name=value pairs, as controllers print them to a serial port, and lines of JSON: brought to a table.

A log is of this kind when most of its lines hold two pairs or more under the same names. `=` counts alone where a line has
two of them, else `:`. What stands before the first pair (a stamp put there by the capturing program, a counter in
brackets) becomes a column of its own. When each line holds one pair and the names come round in turn, a new row begins
where a name comes again.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence

import numpy as np

from ingest.reading.table import Column, Table, numeric_column
from ingest.recording import Notice

_UNIT = r"(?:\s?(?:°\s?[CFK]|º[CFK]|deg ?[CF]|[CFK]\b|%|ms\b|s\b|mV\b|V\b|W\b))?"
_CLOCK = r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)?|\d+(?::\d+)+(?:[.,]\d+)?"
_VALUE = rf"{_CLOCK}|\"[^\"]*\"|[-+]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d+)?{_UNIT}|[^\s,;|{{}}\[\]=:]+"
_NAME = r"\"?([^\W\d_][\w.°%#/\-\[\]()]*(?: [\w.°%#/\-()]+){0,2}?)\"?"
_EQUALS = re.compile(rf"{_NAME}\s*=\s*({_VALUE})")
_COLON = re.compile(rf"{_NAME}\s*:\s*({_VALUE})")
_STAMP = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?"
    r"|\d{1,2}[./]\d{1,2}[./]\d{2,4} \d\d?:\d\d:\d\d(?:[.,]\d+)?|\d{1,2}:\d\d:\d\d(?:[.,]\d+)?|\d+(?:[.,]\d+)?"
)
# A stamp or counter before the first pair, as capturing programs and loggers write it: "12:00:01.5 -> ", "I (1234) tag: ".
_PREFIX = re.compile(rf"^\W{{0,2}}(?:[A-Z]\s)?[\[(<]?\s*({_STAMP})\s*(ms|s)?[\])>]?\s*(?:->|=>|>|,|;|\||-|\t|:)?\s+")


def serial_table(lines: Sequence[str], ends_cleanly: bool) -> Table | None:
    """The log as a table, or None when its lines are no pairs."""
    sample = [ln for ln in lines[:: max(1, len(lines) // 40)] if ln.strip()]
    if not sum("=" in ln or ":" in ln for ln in sample) > 0.5 * len(sample):
        return None
    filled = [(i, ln) for i, ln in enumerate(lines) if ln.strip()]
    if len(filled) < 5:
        return None
    counts = [len(_pairs(ln)[1]) for ln in sample]
    many = sum(c >= 2 for c in counts)
    if many >= 0.5 * len(sample):
        return _by_line(filled, ends_cleanly)
    if sum(c == 1 for c in counts) >= 0.7 * len(sample):
        return _by_turn(filled)
    return None


def _pairs(line: str) -> tuple[str, list[tuple[str, str]]]:
    """The prefix stamp and the pairs of one line."""
    text = line.strip()
    if text.startswith("{"):
        flat = _flat_json(text)
        if flat is not None:
            return "", flat
    m = _PREFIX.match(text)
    prefix = ""
    if m and re.search(r"[^\W\d_]\S*\s*[=:]", text[m.end() :]):
        prefix = m.group(1) + (f" {m.group(2)}" if m.group(2) else "")
        text = text[m.end() :]
    pattern = _EQUALS if text.count("=") >= 2 or ("=" in text and ":" not in text) else _COLON
    out: list[tuple[str, str]] = []
    seen: set[str] = set()
    for name, value in pattern.findall(text):
        name, value = name.strip(), value.strip().strip('"').rstrip(",.;")
        if name in seen:
            return prefix, []
        seen.add(name)
        out.append((name, value))
    return prefix, out


def _flat_json(text: str) -> list[tuple[str, str]] | None:
    try:
        found = json.loads(text.rstrip(","))
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict):
        return None
    out: list[tuple[str, str]] = []
    for key, value in found.items():
        items = (
            [(f"{key}{i + 1}", v) for i, v in enumerate(value)]
            if isinstance(value, list)
            else [(f"{key} {k}", v) for k, v in value.items()]
            if isinstance(value, dict)
            else [(key, value)]
        )
        for name, v in items:
            if not isinstance(v, (list, dict)):
                out.append((str(name), "" if v is None else str(v)))
    return out


def json_lines(text: str) -> str | None:
    """A JSON array of objects as one object a line, or None."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if isinstance(found, dict):
        series = {
            k: v for k, v in found.items() if isinstance(v, list) and len(v) > 4 and not isinstance(v[0], (dict, list))
        }
        if len(series) > 1 and len({len(v) for v in series.values()}) == 1:
            found = {k: v for k, v in found.items() if k not in series} | {
                "rows": [dict(zip(series, r, strict=True)) for r in zip(*series.values(), strict=True)]
            }
        lists = [v for v in found.values() if isinstance(v, list) and v and isinstance(v[0], dict)]
        head = "".join(f"{k}: {v}\n" for k, v in found.items() if isinstance(v, (str, int, float)))
        return head + "\n".join(json.dumps(o) for o in lists[0]) + "\n" if len(lists) == 1 else None
    if isinstance(found, list) and len(found) > 4 and all(isinstance(o, dict) for o in found):
        return "\n".join(json.dumps(o) for o in found) + "\n"
    return None


def _by_line(filled: Sequence[tuple[int, str]], ends_cleanly: bool) -> Table | None:
    parsed = [(i, *_pairs(ln)) for i, ln in filled]
    usual = Counter(len(p) for _i, _x, p in parsed if len(p) >= 2)
    if not usual:
        return None
    counts = Counter(n for _i, _x, p in parsed for n, _v in p if len(p) >= 2)
    enough = max(3, 0.02 * sum(usual.values()))
    names = [n for n, c in counts.items() if c >= enough]
    width = usual.most_common(1)[0][0]
    rows: list[tuple[int, str, dict[str, str]]] = []
    text: list[tuple[int, list[str]]] = [(0, [])]
    half: list[int] = []
    between = 0
    for k, (i, prefix, pairs) in enumerate(parsed):
        good = {n: v for n, v in pairs if n in names}
        last = k == len(parsed) - 1 and not ends_cleanly
        if (
            len(good) >= 2
            and (usual[len(good)] >= enough or len(good) == width)
            and not _damaged(filled[k][1])
            and not (last and _cut(pairs, rows))
        ):
            rows.append((i, prefix, good))
        elif (good and (len(good) >= 2 or last or len(pairs) > 1)) or "\0" in filled[k][1]:
            half.append(i + 1)
        elif rows:
            between += 1
            text.append((len(rows), [filled[k][1]]))
        else:
            text[0][1].append(filled[k][1])
    return _finish(rows, names, text, half, between)


def _cut(pairs: list[tuple[str, str]], rows: list[tuple[int, str, dict[str, str]]]) -> bool:
    """True when the last pair of the last line may have lost its end."""
    if not pairs or not rows:
        return False
    name, value = pairs[-1]
    before = [r[2].get(name, "") for r in rows[-40:]]
    lengths = {len(b.partition(".")[2]) for b in before}
    return len(value.partition(".")[2]) < min(lengths) or (
        len(value) < len(before[-1]) and not ("." in value and len(lengths) == 1)
    )


def _damaged(line: str) -> bool:
    return "\0" in line


def _by_turn(filled: Sequence[tuple[int, str]]) -> Table | None:
    rows: list[tuple[int, str, dict[str, str]]] = []
    current: dict[str, str] = {}
    start, stamp = 0, ""
    text: list[tuple[int, list[str]]] = [(0, [])]
    for i, ln in filled:
        prefix, pairs = _pairs(ln)
        if len(pairs) != 1 or "\0" in ln:
            text.append((len(rows), [ln]))
            continue
        name, value = pairs[0]
        if name in current:
            rows.append((start, stamp, current))
            current = {}
        if not current:
            start, stamp = i, prefix
        current[name] = value
    rows.append((start, stamp, current))
    counts = Counter(n for r in rows for n in r[2])
    names = [n for n, c in counts.items() if c >= max(3, 0.5 * len(rows))]
    if len(names) < 2:
        return None
    whole = [r for r in rows if all(n in r[2] for n in names)]
    if len(whole) < 0.8 * len(rows):
        return None
    return _finish(whole, names, text, [], 0)


def _finish(rows, names: list[str], text, half: list[int], between: int) -> Table | None:
    if len(rows) < 5:
        return None
    cells = {n: [r[2].get(n, "") for r in rows] for n in names}
    decimal = "," if _decimal_comma(cells) else "."
    columns: list[Column] = []
    prefixes = [r[1] for r in rows]
    if sum(bool(p) for p in prefixes) > 0.9 * len(rows):
        unit = "ms" if all(p.endswith(" ms") for p in prefixes if p) else ""
        bare = [p.removesuffix(" ms").removesuffix(" s") for p in prefixes]
        columns.append(numeric_column("time" if ":" in bare[0] else "stamp", unit, bare, decimal))
    columns += [numeric_column(n, "", cells[n], decimal) for n in names]
    notices = []
    if half:
        shown = ", ".join(map(str, half[:8])) + (" ..." if len(half) > 8 else "")
        notices.append(Notice("lines_left_out", f"{len(half)} damaged or half lines were left out (line {shown})."))
    if between:
        notices.append(Notice("text_between_rows", f"{between} lines of text between the rows were skipped."))
    return Table(
        columns,
        np.array([r[0] + 1 for r in rows]),
        " ",
        decimal,
        kind="pairs",
        blocks=text,
        notices=notices,
        reason="lines of name=value pairs",
    )


def _decimal_comma(cells: dict[str, list[str]]) -> bool:
    flat = [c for column in cells.values() for c in column[:100]]
    return sum(bool(re.match(r"^-?\d+,\d+\D*$", c)) for c in flat) > sum(
        bool(re.match(r"^-?\d+\.\d+\D*$", c)) for c in flat
    )
