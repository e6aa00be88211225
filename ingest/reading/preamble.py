"""Lines around the table: `key: value` pairs become metadata, and some of them settle a clock or a unit.

A pair is a short name, one of the signs `:`, `=`, tab, or the table's own delimiter, and a value. Keys known in several
languages are stored under one name (profile, firmware, operator, oven, controller, board, paste, lot, serial, started_at,
ended_at, interval, unit, time_unit, zone, note); other keys stay as written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from ingest.reading.cells import to_number
from ingest.reading.find_clock import join_day
from ingest.reading.keys import MARK, canonical, is_known_key
from ingest.reading.stamps import Stamps, parse_stamps
from ingest.reading.units import SECONDS, unit_of

_PAIR = re.compile(r"^\s*[\"']?([^\W\d][^:=;,\t|]{0,40}?)[\"']?\s*(?::\s|:$|=|:(?=\S)|\t|;|,|\|)\s*(.*?)\s*$")
_NAME = r"[^\W\d][\w /.-]{0,24}?"
_SEVERAL = re.compile(
    rf"({_NAME})\s*[=:]\s*([^=:;,|]+?)"
    rf"(?=\s*[;,|]\s*{_NAME}\s*[=:]|\s{{2,}}[^\W\d][\w/.-]{{0,24}}\s*[=:]|\s+[^\W\d][\w/.-]{{0,24}}=|$)"
)


@dataclass
class Preamble:
    """`pairs`: canonical key -> value. The rest are clues taken from them (None: not stated)."""

    pairs: dict[str, str] = field(default_factory=dict[str, str])
    units_in_keys: dict[str, str] = field(default_factory=dict[str, str])
    interval_s: float | None = None
    temperature_unit: str | None = None
    time_unit: str | None = None
    zone: str | None = None
    started: Stamps | None = None
    date: Stamps | None = None
    ended: Stamps | None = None


def read_preamble(lines: Iterable[str], delimiter: str) -> Preamble:
    found = Preamble()
    for line in lines:
        for key, value in pairs_of(line, delimiter):
            name = canonical(key)
            if value and name not in found.pairs:
                found.pairs[name] = value
                bracket = re.search(r"[\(\[_ ]\s*(ms|s|sec|min|Hz)\s*[\)\]]?\s*$", key)
                if bracket:
                    found.units_in_keys[name] = bracket.group(1)
    _settle(found)
    return found


def pairs_of(line: str, delimiter: str) -> list[tuple[str, str]]:
    m = MARK.match(line)
    bare = (line[m.end() :] if m else line).strip().rstrip(delimiter if delimiter != " " else "").strip()
    if not bare or len(bare) > 400:
        return []
    several = _SEVERAL.findall(bare)
    if len(several) > 1:
        return [(k.strip(), v.strip().strip("\"'")) for k, v in several]
    m = _PAIR.match(bare)
    if not m:
        key, _blank, value = bare.partition(" ")
        return (
            [(key, value.strip())]
            if delimiter == " " and value and is_known_key(key) and len(value.split()) < 8
            else []
        )
    value = m.group(2).strip().strip(delimiter if delimiter != " " else "").strip().strip("\"'").strip()
    return [(m.group(1).strip(), value)]


def _settle(p: Preamble) -> None:
    interval = p.pairs.get("interval")
    if interval:
        p.interval_s = seconds_of(interval, p.units_in_keys.get("interval", ""))
    rate = p.pairs.get("rate")
    if rate and p.interval_s is None:
        p.interval_s = _from_rate(f"{rate} {p.units_in_keys.get('rate', '')}")
    unit = p.pairs.get("unit")
    if unit:
        for word in re.split(r"[,;/\s]+", unit):
            found = unit_of(word)
            if found is not None and found.kind == "temperature":
                p.temperature_unit = word
            elif found is not None and found.kind == "time":
                p.time_unit = found.symbol
    unit = p.pairs.get("time_unit")
    if unit and (found := unit_of(unit)) and found.kind == "time":
        p.time_unit = found.symbol
    p.zone = p.pairs.get("zone")
    p.ended = _stamp(p.pairs.get("ended_at"))
    stamps = [s for k in ("started_at", "start_time", "start_date", "date", "time") if (s := _stamp(p.pairs.get(k)))]
    whole = next((s for s in stamps if s.kind == "datetime"), None)
    p.date = next((s for s in stamps if s.kind in ("date", "datetime")), None)
    clock = next((s for s in stamps if s.kind == "clock"), None)
    if whole is not None:
        p.started = whole
    elif p.date is not None and clock is not None:
        p.started = join_day(p.date, clock)


def _stamp(text: str | None) -> Stamps | None:
    if not text:
        return None
    text = re.sub(r"\s+(uhr|o'clock|local)\b.*$", "", text.strip(), flags=re.I)
    found = parse_stamps([text])
    return found if found is not None and bool((found.seconds == found.seconds).all()) else None


_QUANTITY = re.compile(r"^\s*([\d.,]+)\s*([^\W\d]*)")


def seconds_of(text: str, default: str = "") -> float | None:
    """A duration with its unit in seconds; a bare number counts as seconds only when `default` says so or it has no unit
    and is at most 60."""
    m = _QUANTITY.match(text)
    if not m:
        return None
    value = to_number(m.group(1), "." if "." in m.group(1) or "," not in m.group(1) else ",")
    if value is None or value <= 0:
        return None
    unit = unit_of(m.group(2) or default) if (m.group(2) or default) else None
    if unit is not None and unit.kind == "time":
        return value * SECONDS[unit.symbol]
    if m.group(2).lower() == "hz":
        return 1.0 / value
    return None


def _from_rate(text: str) -> float | None:
    m = re.match(r"^\s*([\d.,]+)\s*(?:hz|/s|1/s|s/s|sps|per second|samples/s|samples per second)", text, re.I)
    if m:
        value = to_number(m.group(1), "." if "." in m.group(1) or "," not in m.group(1) else ",")
        return 1.0 / value if value else None
    return seconds_of(text)
