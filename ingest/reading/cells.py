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

_MONTH = r"[^\W\d_]{3,10}\.?"
STAMP = re.compile(
    rf"""(?:
      [+-]?\d{{1,3}}:\d{{1,2}}(?::\d{{1,2}}){{0,2}}(?:[.,]\d+)?(?:\s?[apAP]\.?\s?[mM]\.?)?           # 1:02:03.5 PM
    | (?:[^\W\d_]{{2,10}}\.?,?\s+)?
      (?:\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}} | \d{{1,2}}[-/.]\d{{1,2}}[-/.]\d{{2,4}} | \d{{1,2}}[-\s/.]\s?{_MONTH}[-\s/,.]+\d{{2,4}}
         | {_MONTH}\s+\d{{1,2}},?\s+\d{{4}} | \d{{8}}(?=[T_ ]\d{{6}}) | \d{{4}}年\d{{1,2}}月\d{{1,2}}日)
      (?:[T_,;:\s-]+\d{{1,2}}[:.h]?\d{{2}}(?:[:.m]?\d{{2}})?(?:[.,:]\d+)?(?:\s?[apAP]\.?\s?[mM]\.?)?)?
      \s*(?:Z|UTC|GMT|[A-Z]{{3,4}}|[+-]\d{{2}}:?\d{{2}})?
    | \d+\s?h(?:\s?\d+\s?m(?:in)?)?(?:\s?\d+(?:[.,]\d+)?\s?s)? | \d+\s?m(?:in)?\s?\d+(?:[.,]\d+)?\s?s(?:ec)? | \d+'\d+(?:[.,]\d+)?"
    )$""",
    re.X,
)

_OPEN = {"open", "oc", "o.c.", "nc", "n/c", "n.c.", "unplugged", "disconnected", "open tc", "tc open", "opn", "offen", "bruch", "fuhlerbruch", "sensor open", "no tc",
         "notc", "kein fuhler", "getrennt", "ouvert", "abierto", "aperto", "aberto", "abbr", "s.brk", "sbrk", "break", "brk", "burnout", "b.out", "no sensor", "no probe", "no conn", "tc_open", "openckt",
         "open circuit", "opencircuit", "open_circuit", "sens.brk", "fault_open"}  # fmt: skip
_SHORT = {
    "short",
    "sc",
    "scg",
    "scv",
    "gnd",
    "shrt",
    "kurzschluss",
    "court-circuit",
    "short_gnd",
    "short_vcc",
    "short gnd",
    "short vcc",
    "tc short",
    "fault_short_gnd",
    "fault_short_vcc",
    "corto",
}
_RANGE = {"over", "under", "ovr", "ovrng", "overrange", "underrange", "over range", "under range", "out of range", "oor", "ol", "o.l", "o.l.", "hi", "lo", "high", "low", "hhhh", "llll", "uuuu", "oooo",
          "inf", "+inf", "-inf", "infinity", "-infinity", "overflow", "ovf", "ofl", "ufl", "++++", "+++", ">>>>", "<<<<", "limit", "range", "uberlauf", "or", "ur", "-or-", "#####", "####", "###", "1.#inf", "-1.#inf", "ovld"}  # fmt: skip
_FAULT = {"err", "error", "fault", "fail", "failed", "flt", "nan", "-nan", "+nan", "nan(ind)", "-nan(ind)", "1.#qnan", "-1.#ind", "1.#ind", "na", "n/a", "n.a.", "#n/a", "null", "none", "nil", "undefined",
          "bad", "invalid", "inv", "---", "--", "-", "----", "-----", "--.-", "---.-", "-.-", "--.--", "---.--", "...", "***", "****", "*", "?", "??", "???", "????", "fehler", "ungultig", "erreur", "fallo", "errore",
          "erro", "blad", "fel", "fout", "sensor", "sensor err", "sensor error", "tc err", "tc fault", "tc error", "#value!", "#num!", "#div/0!", "#ref!", "timeout", "crc", "nodata", "no data", "missing", "x", "xxx", "xxxx", "(null)", "e1", "e2", "e3", "e-1", "err1", "err2", "err!",
          "error!", "void", "keine", "defekt", "n/d", "nd", "s.d.", "n/v", "fault!", "read fail", "<na>", "#err"}  # fmt: skip
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
