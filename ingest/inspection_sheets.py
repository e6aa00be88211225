"""Sheets of inspections, from any machine or spreadsheet: read, ask what cannot be told, remember the answer.

Known headers are read without a question, in English and German. A needed column that no known header names is asked
for; the answer is remembered with the sheet's header, so that the next sheet of its kind needs none. Columns that nobody
needs are left out and said.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.archive.errors import ArchiveError
from ingest.archive.sheet_layouts import sheet_columns
from ingest.defect_terms import is_known
from ingest.reading.decode import decode
from ingest.recording import Question

if TYPE_CHECKING:
    from ingest.archive import Archive

NONE = "(no column)"

# Role -> headers that name it, compared without case, blanks and signs.
HEADERS: dict[str, tuple[str, ...]] = {
    "run": ("run", "run no", "run number", "lauf"),
    "file": ("file", "log", "log file", "filename", "file name", "datei", "protokoll"),
    "serial": ("serial", "serial number", "serial no", "board serial", "sn", "barcode", "seriennummer"),
    "defect": (
        *("defect", "defects", "defect type", "defect code", "fault", "fault type", "failure", "failure mode"),
        *("defect name", "error", "error type", "finding", "fehler", "fehlerart", "fehlercode", "befund"),
    ),
    "count": ("count", "number", "qty", "quantity", "n", "number of defects", "defect count", "anzahl", "menge"),
    "inspected": (
        *("inspected", "joints", "joints inspected", "joints looked at", "inspected joints", "looked", "opportunities"),
        *("terminations", "geprüft", "geprüfte lötstellen", "lötstellen"),
    ),
    "boards": ("boards", "boards inspected", "boards looked at", "panels", "leiterplatten", "baugruppen"),
    "ref_des": ("ref des", "refdes", "ref", "reference", "reference designator", "designator", "component", "bauteil"),
    "side": ("side", "oven side", "side of the oven", "seite", "ofenseite"),
    "method": ("method", "inspection method", "verfahren", "methode"),
    "who": ("who", "inspector", "inspected by", "operator", "by", "prüfer"),
    "scope": ("scope", "umfang"),
    "severity": ("severity", "class", "schwere"),
    "rework": ("rework", "repair", "nacharbeit"),
    "note": ("note", "remark", "comment", "bemerkung", "notiz"),
}
ASKED = {
    "where": "Which column says which run a row belongs to (the run's number, the log's file name, or a serial)?",
    "defect": "Which column names the defect?",
    "count": "Which column counts the defects? Without one, each row counts as one defect.",
    "inspected": "Which column says how many joints were looked at? Without one, no rate per joint can be given.",
}
NUMBER = re.compile(r"\d+([.,]0+)?$")


@dataclass(frozen=True)
class SheetRead:
    """A sheet's table: `columns` role -> header; `rows` (line, header -> cell). With `questions`, rows are not ready."""

    name: str
    sha256: str
    fingerprint: str
    header: tuple[str, ...]
    columns: Mapping[str, str]
    rows: tuple[tuple[int, dict[str, str]], ...]
    questions: tuple[Question, ...]
    left_out: tuple[str, ...]

    def cell(self, row: Mapping[str, str], role: str) -> str:
        return row.get(self.columns.get(role, ""), "")


def read_sheet(data: bytes, name: str, answers: Mapping[str, str] | None = None) -> SheetRead:
    """The table and what its columns mean. `answers`: question id (where, defect, count, inspected) -> header.

    Comma, semicolon, tab or bar; UTF-8, UTF-16 or Windows-1252; lines of a preamble before the header are skipped.
    Raises ArchiveError with one line: no text, no table, an answer that names no column.
    """
    decoded = decode(data)
    if decoded.refusal:
        said = "it is empty" if decoded.refusal == "empty" else "it is not a text file: save the sheet as CSV"
        raise ArchiveError(f"{name} cannot be read: {said}")
    lines = decoded.text.splitlines()
    delimiter, at = _header_at(lines)
    if at is None:
        raise ArchiveError(f"{name} has no table: a header and rows of cells with the same separator are needed")
    reader = csv.reader(lines[at:], delimiter=delimiter)
    header: tuple[str, ...] = ()
    rows: list[tuple[int, dict[str, str]]] = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if not header:
            header = tuple(_distinct([cell.strip() for cell in cells]))
        else:
            named = {h: c.strip() for h, c in zip(header, cells, strict=False) if h}
            rows.append((at + reader.line_num, named))
    columns = {}
    for role, words in HEADERS.items():
        found = next((h for h in header if _key(h) in {_key(w) for w in words}), None)
        if found is not None and found not in columns.values():
            columns[role] = found
    given = dict(answers or {})
    columns |= _answered(name, header, given, [row for _, row in rows])
    fingerprint = hashlib.sha256("\n".join(map(_key, header)).encode()).hexdigest()
    free = [h for h in header if h and h not in columns.values()]
    questions = tuple(_questions(columns, free, [row for _, row in rows], given))
    return SheetRead(
        *(name, hashlib.sha256(data).hexdigest(), fingerprint, header, columns, tuple(rows), questions),
        tuple(free),
    )


def read_with_memory(archive: Archive, data: bytes, name: str, answers: Mapping[str, str] | None = None) -> SheetRead:
    """As `read_sheet`, with what was answered for sheets of the same header before; new answers win."""
    plain = read_sheet(data, name)
    with archive.connect() as con:
        known = sheet_columns(con, plain.fingerprint)
    wanted = {**known, **(answers or {})}
    return read_sheet(data, name, wanted) if wanted else plain


def _key(text: str) -> str:
    return re.sub(r"[\W_]+", "", text.casefold())


def _header_at(lines: Sequence[str]) -> tuple[str, int | None]:
    """The separator, and the first line that most later lines have as many cells as."""
    best: tuple[int, str, int | None] = (0, ",", None)
    for delimiter in "\t;,|":
        widths = [len(next(csv.reader([line], delimiter=delimiter), [])) for line in lines[:400]]
        for at, width in enumerate(widths[:60]):
            if width < 2 or not lines[at].strip():
                continue
            below = [w for w, line in zip(widths[at:], lines[at:], strict=False) if line.strip()]
            same = sum(w == width for w in below)
            if same >= 0.6 * len(below):
                if same * width > best[0]:
                    best = (same * width, delimiter, at)
                break
    return best[1], best[2]


def _distinct(header: Sequence[str]) -> list[str]:
    out: list[str] = []
    for name in header:
        number, free = 2, name
        while free and free in out:
            free, number = f"{name} ({number})", number + 1
        out.append(free)
    return out


def _answered(
    name: str, header: Sequence[str], answers: Mapping[str, str], rows: Sequence[Mapping[str, str]]
) -> dict[str, str]:
    out = {}
    for role, column in answers.items():
        if column == NONE:
            continue
        real = next((h for h in header if h == column or _key(h) == _key(column)), None)
        if real is None:
            known = ", ".join(h for h in header if h)
            raise ArchiveError(f"{name} has no column '{column}'; its columns are: {known}")
        if role == "where":
            cells = [row.get(real, "") for row in rows if row.get(real)]
            role = "run" if all(c.removeprefix("#").isdigit() for c in cells) else "file"
        elif role not in HEADERS:
            raise ArchiveError(f"'{role}' is nothing a column can be: there are where, {', '.join(HEADERS)}")
        out[role] = real
    return out


def _questions(
    columns: Mapping[str, str], free: Sequence[str], rows: Sequence[Mapping[str, str]], given: Mapping[str, str]
) -> list[Question]:
    """What is needed and named by no known header. Counts are asked for only when a column of numbers is left."""

    def cells(column: str) -> list[str]:
        return [row[column] for row in rows if row.get(column)]

    numbers = [c for c in free if cells(c) and all(NUMBER.match(x) for x in cells(c))]
    texts = [c for c in free if c not in numbers]
    out = []
    if not set(columns) & {"run", "file", "serial"}:
        guess = next((c for c in texts if any("." in x for x in cells(c))), None) or next(iter(free), None)
        out.append(Question("where", ASKED["where"], tuple(free), guess))
    if "defect" not in columns:
        guess = max(texts, key=lambda c: sum(is_known(x) for x in cells(c)), default=None)
        out.append(Question("defect", ASKED["defect"], tuple(free), guess))
    for role in ("count", "inspected"):
        if role not in columns and numbers and role not in given and not (role == "inspected" and "boards" in columns):
            out.append(Question(role, ASKED[role], (*numbers, NONE), NONE))
    return out
