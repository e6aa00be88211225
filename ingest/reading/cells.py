"""What one cell of a log is: number, stamp, fault marker, word, damaged.

Numbers are read under a stated decimal and thousands mark. A cell with digits that is neither number nor stamp is
*damaged*: it becomes missing, never a nearby number.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal

from ingest.reading.folding import fold

CellKind = Literal["number", "stamp", "empty", "fault", "word", "damaged"]
FaultKind = Literal["open", "short", "out_of_range", "fault"]

_UNIT_TAIL = r"(?:\s?(?:°\s?[CFK]|º\s?[CFK]|deg\s?[CF]|[CFK]|℃|℉|\ufffd[CF]|°|%|ms|sec|s|min|V|mV|W|A|Hz)\.?)?"
_SIGN = r"[+\-\u2212]?"
_EXP = r"(?:[eE][+-]?\d{1,3})?"
NUMBER_DOT = re.compile(rf"({_SIGN}(?:\d+(?:\.\d*)?|\.\d+){_EXP}){_UNIT_TAIL}$")
NUMBER_COMMA = re.compile(rf"({_SIGN}(?:\d+(?:,\d*)?|,\d+){_EXP}){_UNIT_TAIL}$")
_GROUP_DOT = re.compile(
    rf"({_SIGN}[1-9]\d{{0,2}}(?:([,' \u00a0\u202f\u2009\u2019])\d{{3}})(?:\2\d{{3}})*(?:\.\d+)?){_UNIT_TAIL}$"
)
_GROUP_COMMA = re.compile(
    rf"({_SIGN}[1-9]\d{{0,2}}(?:([.' \u00a0\u202f\u2009\u2019])\d{{3}})(?:\2\d{{3}})*(?:,\d+)?){_UNIT_TAIL}$"
)
_UNIT_OF_CELL = re.compile(r"^[+\-\u2212]?[\d.,' \u00a0\u202f]+(?:[eE][+-]?\d+)?\s?(\D+)$")

_HALF_DAY = r"(?:\s?[apAP]\.?\s?[mM]\.?)?"
_MONTH = r"[^\W\d_]{3,10}\.?"
_CLOCK = rf"[+-]?\d{{1,3}}:\d{{1,2}}(?::\d{{1,2}}){{0,2}}(?:[.,]\d+)?{_HALF_DAY}"  # 1:02:03.5 PM
_DATE = (
    r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}"  # 2024-05-03, 3/5/24
    rf"|\d{{1,2}}[-\s/.]\s?{_MONTH}[-\s/,.]+\d{{2,4}}|{_MONTH}\s+\d{{1,2}},?\s+\d{{4}}"  # 3. Mai 2024, May 3, 2024
    r"|\d{8}(?=[T_ ]\d{6})|\d{4}年\d{1,2}月\d{1,2}日)"
)
_OF_DAY = rf"(?:[T_,;:\s-]+\d{{1,2}}[:.h]?\d{{2}}(?:[:.m]?\d{{2}})?(?:[.,:]\d+)?{_HALF_DAY})?"
_ZONE = r"\s*(?:Z|UTC|GMT|[A-Z]{3,4}|[+-]\d{2}:?\d{2})?"
_WORDED = (
    r"\d+\s?h(?:\s?\d+\s?m(?:in)?)?(?:\s?\d+(?:[.,]\d+)?\s?s)?"  # 1h 2m 3s
    r"|\d+\s?m(?:in)?\s?\d+(?:[.,]\d+)?\s?s(?:ec)?|\d+'\d+(?:[.,]\d+)?\""  # 2m 3s, 2'03"
)
STAMP = re.compile(rf"(?:{_CLOCK}|(?:[^\W\d_]{{2,10}}\.?,?\s+)?{_DATE}{_OF_DAY}{_ZONE}|{_WORDED})$")

# Texts controllers write for a failed sensor, folded, by what they mean.
_OPEN = set(
    [
        "abbr",
        "aberto",
        "abierto",
        "aperto",
        "b.out",
        "break",
        "brk",
        "bruch",
        "burnout",
        "disconnected",
        "fault_open",
        "fuhlerbruch",
        "getrennt",
        "kein fuhler",
        "n.c.",
        "n/c",
        "nc",
        "no conn",
        "no probe",
        "no sensor",
        "no tc",
        "notc",
        "o.c.",
        "oc",
        "offen",
        "open",
        "open circuit",
        "open tc",
        "open_circuit",
        "opencircuit",
        "openckt",
        "opn",
        "ouvert",
        "s.brk",
        "sbrk",
        "sens.brk",
        "sensor open",
        "tc open",
        "tc_open",
        "unplugged",
    ]
)
_SHORT = set(
    [
        "corto",
        "court-circuit",
        "fault_short_gnd",
        "fault_short_vcc",
        "gnd",
        "kurzschluss",
        "sc",
        "scg",
        "scv",
        "short",
        "short gnd",
        "short vcc",
        "short_gnd",
        "short_vcc",
        "shrt",
        "tc short",
    ]
)
_RANGE = set(
    [
        "###",
        "####",
        "#####",
        "+++",
        "++++",
        "+inf",
        "-1.#inf",
        "-inf",
        "-infinity",
        "-or-",
        "1.#inf",
        "<<<<",
        ">>>>",
        "hhhh",
        "hi",
        "high",
        "inf",
        "infinity",
        "limit",
        "llll",
        "lo",
        "low",
        "o.l",
        "o.l.",
        "ofl",
        "ol",
        "oooo",
        "oor",
        "or",
        "out of range",
        "over",
        "over range",
        "overflow",
        "overrange",
        "ovf",
        "ovld",
        "ovr",
        "ovrng",
        "range",
        "uberlauf",
        "ufl",
        "under",
        "under range",
        "underrange",
        "ur",
        "uuuu",
    ]
)
_FAULT = set(
    [
        "#div/0!",
        "#err",
        "#n/a",
        "#num!",
        "#ref!",
        "#value!",
        "(null)",
        "*",
        "***",
        "****",
        "+nan",
        "-",
        "--",
        "---",
        "----",
        "-----",
        "---.-",
        "---.--",
        "--.-",
        "--.--",
        "-.-",
        "-1.#ind",
        "-nan",
        "-nan(ind)",
        "...",
        "1.#ind",
        "1.#qnan",
        "<na>",
        "?",
        "??",
        "???",
        "????",
        "bad",
        "blad",
        "crc",
        "defekt",
        "e-1",
        "e1",
        "e2",
        "e3",
        "err",
        "err!",
        "err1",
        "err2",
        "erreur",
        "erro",
        "error",
        "error!",
        "errore",
        "fail",
        "failed",
        "fallo",
        "fault",
        "fault!",
        "fehler",
        "fel",
        "flt",
        "fout",
        "inv",
        "invalid",
        "keine",
        "missing",
        "n.a.",
        "n/a",
        "n/d",
        "n/v",
        "na",
        "nan",
        "nan(ind)",
        "nd",
        "nil",
        "no data",
        "nodata",
        "none",
        "null",
        "read fail",
        "s.d.",
        "sensor",
        "sensor err",
        "sensor error",
        "tc err",
        "tc error",
        "tc fault",
        "timeout",
        "undefined",
        "ungultig",
        "void",
        "x",
        "xxx",
        "xxxx",
    ]
)
_NAN_WORDS = re.compile(r"^(?:err|error|fault|fail|e)[\s:_#-]?(?:0x)?[0-9a-f]{1,4}$")


@lru_cache(maxsize=8192)
def fault_kind(text: str) -> FaultKind | None:
    """Kind of a fault marker written as text, or None when the text is no known marker."""

    key = fold(text.strip().strip("\"'<>[]()!").strip()) or text.strip()
    if key in _OPEN:
        return "open"
    if key in _SHORT:
        return "short"
    if key in _RANGE:
        return "out_of_range"
    if key in _FAULT or text.strip() in _FAULT or _NAN_WORDS.match(key):
        return "fault"
    if set(key) <= set("-.*?_=~") and key:
        return "fault"
    return None


def to_number(cell: str, decimal: str, grouped: bool = True) -> float | None:
    """The number in a cell, or None. A unit behind it is allowed ("25.3 °C")."""
    cell = cell.strip()
    m = (NUMBER_DOT if decimal == "." else NUMBER_COMMA).match(cell)
    if m is None and grouped:
        m = (_GROUP_DOT if decimal == "." else _GROUP_COMMA).match(cell)
    if m is None:
        return None
    digits = m.group(1)
    for mark in " '\u00a0\u202f\u2009\u2019":
        digits = digits.replace(mark, "")
    digits = digits.replace("," if decimal == "." else ".", "").replace("\u2212", "-")
    return float(digits.replace(",", "."))


def unit_in_cell(cell: str) -> str:
    m = _UNIT_OF_CELL.match(cell.strip())
    return m.group(1).strip() if m else ""


def kind_of(cell: str, decimal: str) -> CellKind:
    cell = cell.strip()
    if not cell:
        return "empty"
    first = cell[0]
    if decimal == "." and first.isdigit() and cell.replace(".", "", 1).isdigit():
        return "number"
    if (first.isdigit() or first in "+-.,\u2212") and to_number(cell, decimal) is not None:
        return "number"
    if STAMP.match(cell):
        return "stamp"
    if fault_kind(cell):
        return "fault"
    if any(c.isdigit() for c in cell):
        lettered = cell[0].isalpha() or cell[0] in '#_"('
        return "word" if lettered else "damaged"
    return "word"
