"""What a column name says: its role, and the unit written in or beside it.

Names are read in English, German, French, Spanish, Italian, Portuguese, Dutch, Polish, Swedish, Danish/Norwegian and,
for the plainest words, Czech, Finnish, Hungarian, Russian, Chinese and Japanese. A name is folded (case, accents), cut
into words at signs, digits and inner capitals, and compared word by word; long words are also searched for stems, because
Germanic languages write compounds ("Solltemperatur"). The order of `vocabulary.VOCABULARY` decides: the more special meaning
comes first ("cold junction temperature" is a reference junction, "oven set temperature" a set point).

A name only proposes. `columns` and `clock` weigh it against what the values do.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from ingest.reading.folding import fold
from ingest.reading.units import is_unit, unit_of
from ingest.reading.vocabulary import VOCABULARY

_CUT = re.compile(r"[a-z]+|[^\W\d_a-z]+|\d+|#|%")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


@lru_cache(maxsize=4096)
def words_of(name: str) -> tuple[str, ...]:
    """Folded words of a name, cut at signs, digits and inner capitals: "setTemp_2" -> ("set", "temp", "2")."""
    return tuple(_CUT.findall(fold(_CAMEL.sub(" ", name))))


_RULES: tuple[tuple[str, frozenset[str], tuple[str, ...], frozenset[tuple[str, ...]]], ...] = tuple(
    (kind, frozenset(exact.split()), tuple(stems.split()), frozenset(tuple(p.split()) for p in pairs.split(",") if p))
    for kind, exact, stems, pairs in VOCABULARY
)


def is_known_word(word: str) -> bool:
    """True when the vocabulary of column names holds the word, or a part of it."""
    key = fold(word)
    return any(
        key in exact or (len(key) >= 5 and any(s in key for s in stems)) for _kind, exact, stems, _pairs in _RULES
    )


@dataclass(frozen=True)
class NameSays:
    """`kinds`: every meaning found, special ones first. `word`: the word that gave the first."""

    kinds: tuple[str, ...]
    word: str
    base: str  # the name without its unit
    unit: str  # the unit text as written, "" when none
    strong_unit: bool  # False for a lone letter at the end of a name, which may also be part of the name


def _kinds(words: tuple[str, ...]) -> tuple[tuple[str, ...], str]:
    found: list[str] = []
    first = ""
    pairs = set(pairwise(words))
    if 1 < len(words) <= 3:
        words = ("".join(words), *words)  # "dT" is no T
    for kind, exact, stems, phrases in _RULES:
        hit = next((w for w in words if w in exact), "")
        if not hit:
            hit = next((w for w in words if len(w) >= 5 and any(s in w for s in stems)), "")
        if not hit:
            hit = next((" ".join(p) for p in phrases if p in pairs), "")
        if hit:
            found.append(kind)
            first = first or hit
    return tuple(found), first


_BRACKET = re.compile(r"^(.*?)\s*[\(\[\{<]\s*([^()\[\]{}<>]*?)\s*[\)\]\}>]\s*(.*)$", re.S)
_TAIL = re.compile(r"^(.*?)(?:\s+in\s+|\s*/\s*|\s*,\s*|\s*:\s*|[\s_\-.]+)([^\s_,/:]+(?:\s?[CFK])?)\.?$", re.I | re.S)
_GLUED = re.compile(r"^(.*?[a-z0-9])((?:°|º|˚|deg)?\s?[CFK]|℃|℉|%|°)$")


@lru_cache(maxsize=4096)
def name_says(name: str) -> NameSays:
    """Role words and unit found in a column name."""
    name = name.strip().strip("\"'")
    m = _BRACKET.match(name)
    if m and is_unit(m.group(2)):
        base = f"{m.group(1)} {m.group(3)}".strip()
        return NameSays(*_kinds(words_of(base)), base, m.group(2), True)
    whole = _unit_as_name(name)
    if whole is not None:
        return whole
    for pattern in (_TAIL, _GLUED):
        m = pattern.match(name)
        if m and is_unit(m.group(2)):
            base, unit = m.group(1).strip(" _-/,:"), m.group(2)
            kinds, word = _kinds(words_of(base))
            if _fits_base(unit, base, kinds, name):
                return NameSays(kinds, word, base, unit, len(fold(unit)) > 1 or unit == "%")
    return NameSays(*_kinds(words_of(name)), name, "", False)


def _unit_as_name(name: str) -> NameSays | None:
    """A column named by its unit alone: "sec", "°C", "%"."""
    unit = unit_of(name)
    if unit is None or unit.symbol in ("h", "d") or (unit.kind == "time" and len(name) == 1 and name.isupper()):
        return None  # "Ora", "Hora" and "D" are words; "S" is more often a set point
    if len(name) == 1 and unit.kind in ("voltage", "other", "raw"):
        return None  # "A" and "V" alone are names of channels as often as amperes and volts: the values decide
    kinds, word = _kinds(words_of(name))
    by_unit = {"time": ("time",), "temperature": ("temperature",), "fraction": ("duty",)}.get(unit.kind, kinds)
    lone_letter = len(name) == 1 and unit.kind == "temperature"
    return NameSays(by_unit, word or name, name, "" if lone_letter else name, len(name) > 1)


def _fits_base(unit_text: str, base: str, kinds: tuple[str, ...], name: str) -> bool:
    """False where the tail of a name only looks like a unit: "temp_min" is a minimum, "ch_s" a name."""
    unit = unit_of(unit_text)
    assert unit is not None
    timely = "time" in kinds or "remaining" in kinds or fold(base) in {"t", ""}
    if unit.kind == "time":
        return timely
    if unit.kind in ("voltage", "other", "raw") and len(unit_text) == 1:
        return bool({"other", "duty"} & set(kinds))  # "Mains V", but not "Probe A"
    if unit.symbol == "K" and words_of(base)[-1:] in (("type",), ("typ",), ("tipo",), ("tc",), ("thermocouple",)):
        return False  # "Type K" is a kind of thermocouple
    if unit.kind == "temperature" and len(fold(unit_text)) == 1:
        if timely and "temperature" not in kinds:
            return False
        return not unit_text.islower() or "_" in name or " " in name
    return True
