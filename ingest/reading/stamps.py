"""Stamps written as text: dates, times of day, durations, and both together.

Order of a date, by these clues in turn: a four-digit year in front; a month written as a word; points between the parts
(day first wherever points are used); a part above 12 somewhere in the column; a column that spans days, where one order
gives neighbouring days and the other months. What is left is ambiguous and is handed back with every possible reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from ingest.reading.folding import fold
from ingest.recording import FloatArray

DAY_S = 86400.0


@dataclass
class Stamps:
    """A column of stamps in seconds.

    `kind`: "datetime" (seconds since 1970 as written, no zone applied unless `offset_s` is set), "date" (same, midnight),
    "clock" (seconds since midnight or since a start). NaN where a cell could not be read.
    `readings`: order of date -> seconds, more than one only when the order is ambiguous.
    `shape`: "h:m:s", "m:s" (two parts, may also be hours and minutes), "m:s.f" for clocks.
    """

    kind: str
    seconds: FloatArray
    resolution_s: float
    readings: dict[str, FloatArray] = field(default_factory=dict[str, FloatArray])
    why: str = ""
    shape: str = ""
    zone: str | None = None
    offset_s: float | None = None  # seconds east of UTC, when the stamps say so; `seconds` are then UTC
    half_day: bool = False  # am/pm was written
    other: FloatArray | None = None  # three parts read as minutes:seconds:hundredths, for a clock that is far too slow


_MONTHS: dict[str, int] = {}
for _names in (
    "jan feb mar apr may jun jul aug sep oct nov dec",
    "januar februar marz april mai juni juli august september oktober november dezember",
    "janv fevr mars avril mai juin juil aout sept octobre novembre dec",
    "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "janeiro fevereiro marco abril maio junho julho agosto setembro outubro novembro dezembro",
    "jan feb maart april mei juni juli augustus september oktober november december",
    "stycznia lutego marca kwietnia maja czerwca lipca sierpnia wrzesnia pazdziernika listopada grudnia",
    "sty lut mar kwi maj cze lip sie wrz paz lis gru",
    "january february march april may june july august september october november december",
    "ene feb mar abr may jun jul ago set okt nov dic",
    "jan feb mrt apr mei jun jul aug sep okt nov dez",
    "jan fev mar abr mai jun jul ago set out nov dez",
    "gen feb mar apr mag giu lug ago set ott nov dic",
):
    for _i, _n in enumerate(_names.split(), 1):
        _MONTHS.setdefault(_n, _i)
_MONTHS |= {
    "maj": 5,
    "okt": 10,
    "mai": 5,
    "mrz": 3,
    "maerz": 3,
    "janvier": 1,
    "fevrier": 2,
    "juillet": 7,
    "decembre": 12,
    "septembre": 9,
}

_TIME_PART = (
    r"(?P<h>\d{1,3})[:h](?P<m>\d{2})(?:[:m](?P<s>\d{1,2})(?:[.,:](?P<f>\d+))?s?)?\s?(?P<ap>[apAP]\.?\s?[mM]\.?)?"
)
_DATE_TIME = re.compile(
    rf"""^\s*(?:[^\W\d_]{{2,10}}\.?,?\s+)?
    (?P<date>\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}}|\d{{1,2}}[-/.]\d{{1,2}}[-/.]\d{{2,4}}|\d{{1,2}}[-\s/.]{{1,2}}[^\W\d_]{{3,10}}\.?[-\s/,.]{{1,2}}\d{{2,4}}
      |[^\W\d_]{{3,10}}\.?\s+\d{{1,2}},?\s+\d{{4}}|\d{{8}}(?=[T_ -]?\d{{6}}|$)|\d{{4}}年\d{{1,2}}月\d{{1,2}}日)
    (?:[T_,;:\s-]*(?:{_TIME_PART}|(?P<c>\d{{6}})(?:[.,](?P<cf>\d+))?))?
    \s*(?P<zone>Z|[A-Z]{{3,4}}|(?:UTC|GMT)?[+-]\d{{2}}:?\d{{2}}|(?:UTC|GMT)[+-]\d{{1,2}})?\s*$""",
    re.X,
)
_CLOCK = re.compile(
    r"^\s*(?P<sign>[+-])?(?P<a>\d{1,4}):(?P<b>\d{1,2})(?::(?P<c>\d{1,3}))?(?::(?P<d>\d{1,3}))?(?:[.,](?P<f>\d+))?\s?(?P<ap>[apAP]\.?\s?[mM]\.?)?\s*$"
)
_DOT_CLOCK = re.compile(r"^[0-2]?\d\.[0-5]\d\.[0-5]\d$")
_WORDED = re.compile(
    r"^\s*(?:(?P<h>\d+)\s?h(?:rs?|ours?)?\s?)?(?:(?P<m>\d+)\s?(?:m(?:in(?:utes?)?)?|'|′)\s?)?"
    r"(?:(?P<s>\d+(?:[.,]\d+)?)\s?(?:s(?:ec(?:onds?)?)?|\"|″))?\s*$",
    re.I,
)
ZONE_HOURS = {
    "Z": 0.0, "UTC": 0.0, "GMT": 0.0, "WET": 0.0, "WEST": 1.0, "CET": 1.0, "MEZ": 1.0, "CEST": 2.0, "MESZ": 2.0, "EET": 2.0,
    "EEST": 3.0, "JST": 9.0, "AEST": 10.0, "AEDT": 11.0, "EDT": -4.0, "CDT": -5.0, "MDT": -6.0, "PDT": -7.0, "PST": -8.0,
}  # fmt: skip


def parse_stamps(cells: Sequence[str]) -> Stamps | None:
    """The column as stamps, or None when most cells are none."""
    filled = [c for c in cells[:400] if c.strip()]
    if not filled:
        return None
    fast = _iso_fast(cells)
    if fast is not None:
        return fast
    probe = filled[:: max(1, len(filled) // 20)]
    if len(set(filled)) > 32 and all(_DOT_CLOCK.match(c.strip()) for c in probe):  # too many to be dates
        return _parse_clocks([c.replace(".", ":") for c in cells])
    for test, parse in ((_DATE_TIME.match, _parse_datetimes), (_CLOCK.match, _parse_clocks), (_worded, _parse_worded)):
        if sum(bool(test(c)) for c in probe) >= 0.7 * len(probe):
            return parse(cells)
    return None


_ISO = re.compile(r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d([.]\d{1,6})?$")


def _iso_fast(cells: Sequence[str]) -> Stamps | None:
    m = _ISO.match(cells[0])
    if not m or len(set(map(len, cells))) != 1 or not all(map(_ISO.match, cells)):
        return None
    try:
        stamps = np.array(cells, dtype="datetime64[us]")
    except ValueError:
        return None
    digits = len(m.group(1) or ".") - 1
    seconds = stamps.astype(np.int64) / 1e6
    return Stamps("datetime", seconds, 10.0**-digits, {"ymd": seconds}, "year first", "h:m:s")


def _worded(cell: str) -> bool:
    m = _WORDED.match(cell)
    return bool(m and (m.group("h") or m.group("m")) and cell.strip())


def _parse_worded(cells: Sequence[str]) -> Stamps:
    out = np.full(len(cells), np.nan)
    for i, cell in enumerate(cells):
        m = _WORDED.match(cell)
        if m and any(m.groups()):
            h, mi, s = m.group("h"), m.group("m"), m.group("s")
            out[i] = 3600 * int(h or 0) + 60 * int(mi or 0) + float((s or "0").replace(",", "."))
    return Stamps("clock", out, 1.0, shape="h:m:s", why="hours, minutes, seconds in words")


def _parse_clocks(cells: Sequence[str]) -> Stamps:
    n = len(cells)
    a, b, c, d, f = (np.full(n, np.nan) for _ in range(5))
    half = np.zeros(n)
    sign = np.ones(n)
    parts, digits, ampm, third_width = 2, 0, False, 0
    for i, cell in enumerate(cells):
        m = _CLOCK.match(cell)
        if not m:
            continue
        a[i], b[i] = int(m["a"]), int(m["b"])
        if m["sign"] == "-":
            sign[i] = -1.0
        if m["c"] is not None:
            c[i] = int(m["c"])
            parts = max(parts, 3)
            third_width = max(third_width, len(m["c"]))
        if m["d"] is not None:
            d[i] = int(m["d"]) / 10 ** len(m["d"])
            parts = 4
            digits = max(digits, len(m["d"]))
        f[i] = float("0." + m["f"]) if m["f"] else 0.0
        digits = max(digits, len(m["f"] or ""))
        if m["ap"]:
            ampm = True
            half[i] = 12.0 if m["ap"][0] in "pP" else 0.0
    if ampm:
        a = np.where(a == 12, 0, a) + half
    if parts == 2:
        return Stamps(
            "clock", sign * (60 * a + b + f), 10.0**-digits, shape="m:s.f" if digits else "m:s", why="minutes:seconds"
        )
    if parts == 3 and (third_width == 3 or np.nanmax(c) > 59) and digits == 0:
        scale = 10.0**third_width
        return Stamps(
            "clock", sign * (60 * a + b + c / scale), 1 / scale, shape="m:s.f", why="minutes:seconds:fraction"
        )
    seconds = sign * (3600 * a + 60 * b + c + (d if parts == 4 else 0.0) + f)
    other = 60 * a + b + c / 100.0 if parts == 3 and not digits and not ampm else None
    return Stamps(
        "clock", seconds, 10.0**-digits, shape="h:m:s", why="hours:minutes:seconds", half_day=ampm, other=other
    )


def _parse_datetimes(cells: Sequence[str]) -> Stamps:
    n = len(cells)
    of_day, offsets = np.full(n, np.nan), np.full(n, np.nan)
    dates: list[str] = [""] * n
    digits, with_time, with_seconds, ampm = 0, False, False, False
    zone_text: str | None = None
    for i, cell in enumerate(cells):
        m = _DATE_TIME.match(cell)
        if not m:
            continue
        dates[i] = m["date"]
        if m["h"] is not None:
            hours = int(m["h"])
            if m["ap"]:
                ampm = True
                hours = hours % 12 + (12 if m["ap"][0] in "pP" else 0)
            of_day[i] = 3600 * hours + 60 * int(m["m"]) + int(m["s"] or 0) + float("0." + (m["f"] or "0"))
            digits, with_time, with_seconds = max(digits, len(m["f"] or "")), True, with_seconds or m["s"] is not None
        elif m["c"] is not None:
            t = m["c"]
            of_day[i] = 3600 * int(t[:2]) + 60 * int(t[2:4]) + int(t[4:]) + float("0." + (m["cf"] or "0"))
            digits, with_time, with_seconds = max(digits, len(m["cf"] or "")), True, True
        else:
            of_day[i] = 0.0
        if m["zone"]:
            hours_east = zone_hours(m["zone"])
            zone_text = m["zone"]
            if hours_east is not None:
                offsets[i] = hours_east * 3600
    readings, why = _dates(dates)
    if len(readings) > 1:
        readings, why = _by_weekday(cells, readings, why)
    zoned = bool(np.isfinite(offsets).any())
    east = np.where(np.isfinite(offsets), offsets, np.nanmedian(offsets)) if zoned else 0.0
    readings = {order: days * DAY_S + of_day - east for order, days in readings.items()}
    if not readings:
        readings = {"ymd": np.full(n, np.nan)}
    first = next(iter(readings.values()))
    resolution = 10.0**-digits if with_seconds else 60.0 if with_time else DAY_S
    return Stamps(
        "datetime" if with_time else "date",
        first,
        resolution,
        readings,
        why,
        "h:m:s",
        zone=zone_text,
        offset_s=float(np.nanmedian(offsets)) if zoned else None,
        half_day=ampm,
    )


def zone_hours(text: str) -> float | None:
    """Hours east of UTC of a written zone, None for an abbreviation that means different places."""
    text = text.strip()
    if text in ZONE_HOURS:
        return ZONE_HOURS[text]
    m = re.match(r"^(?:UTC|GMT)?\s?([+-])(\d{1,2}):?(\d{2})?$", text)
    if m:
        hours = int(m[2]) + int(m[3] or 0) / 60
        return (-hours if m[1] == "-" else hours) if hours <= 14 else None  # UTC+14 is the farthest there is
    return None


_WEEKDAYS = {
    w: i % 7
    for names in (
        "mon tue wed thu fri sat sun", "montag dienstag mittwoch donnerstag freitag samstag sonntag", "mo di mi do fr sa so",
        "lun mar mer jeu ven sam dim", "lun mar mie jue vie sab dom", "lun mar mer gio ven sab dom", "ma di wo do vr za zo",
    )
    for i, w in enumerate(names.split())
}  # fmt: skip


def _by_weekday(cells: Sequence[str], readings: dict[str, FloatArray], why: str) -> tuple[dict[str, FloatArray], str]:
    """A weekday written with the date settles its order."""
    for i, cell in enumerate(cells):
        m = re.match(r"^\s*([^\W\d_]{2,10})", cell)
        if m:
            key = fold(m.group(1))
            weekday = _WEEKDAYS.get(key, _WEEKDAYS.get(key[:3]))
            fits = {o: d for o, d in readings.items() if np.isfinite(d[i]) and (int(d[i]) + 3) % 7 == weekday}
            return (fits, "the weekday settles the order") if len(fits) == 1 else (readings, why)
    return readings, why


_ORDER_TEXT = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
_SPLIT = re.compile(r"[-/.\s,年月日]+")


def _dates(texts: Sequence[str]) -> tuple[dict[str, FloatArray], str]:
    """Days since 1970 under every order that fits all dates, and the clue that settled the order."""
    distinct = sorted(set(texts) - {""})
    if not distinct:
        return {}, ""
    days: dict[str, dict[str, float]] = {}
    for order in ("ymd", "dmy", "mdy"):
        table = {t: _day(t, order) for t in distinct}
        known = [v for v in table.values() if v is not None]
        if len(known) >= 0.9 * len(distinct):
            days[order] = {t: (np.nan if v is None else v) for t, v in table.items()}
    why = "only one order fits"
    if len(days) > 1:
        if all("." in t for t in distinct) and "dmy" in days:
            days, why = {"dmy": days["dmy"]}, "day first: points between the parts"
        else:
            same = {tuple(v.values()) for v in days.values()}
            if len(same) == 1:  # 03/03 reads the same
                days, why = {next(iter(days)): next(iter(days.values()))}, "every order gives the same day"
            elif len(distinct) > 1:
                spans = {o: np.nanmax(list(v.values())) - np.nanmin(list(v.values())) for o, v in days.items()}
                near = [o for o, s in spans.items() if s <= len(distinct) + 1]
                if len(near) == 1:
                    days, why = {near[0]: days[near[0]]}, "only this order gives neighbouring days"
    out: dict[str, FloatArray] = {}
    for order, table in days.items():
        out[order] = np.array([table.get(t, np.nan) for t in texts], dtype=np.float64)
    return out, why


def _day(text: str, order: str) -> float | None:
    parts = [p for p in _SPLIT.split(text) if p]
    if len(parts) == 1 and len(text) == 8 and text.isdigit():
        parts = [text[:4], text[4:6], text[6:]]
    if len(parts) != 3:
        return None
    if not all(p.isdigit() for p in parts):
        return _worded_day(parts) if order == "ymd" else None
    if len(parts[0]) == 4 and order != "ymd":
        return None
    if len(parts[2]) == 4 and order == "ymd":
        return None
    a, b, c = (int(p) for p in parts)
    y, m, d = {"ymd": (a, b, c), "dmy": (c, b, a), "mdy": (c, a, b)}[order]
    if y < 100:
        y += 2000 if y < 70 else 1900
        if not 2000 <= y <= 2045:
            return None
    return _ordinal(y, m, d)


def _worded_day(parts: list[str]) -> float | None:
    words = [fold(p).strip(".") for p in parts]
    month_at = next((i for i, w in enumerate(words) if not w.isdigit()), -1)
    month = _MONTHS.get(words[month_at]) or _MONTHS.get(words[month_at][:3])
    rest = [int(w) for i, w in enumerate(words) if i != month_at and w.isdigit()]
    if month is None or len(rest) != 2:
        return None
    day, year = (rest[1], rest[0]) if rest[0] > 31 else (rest[0], rest[1])
    return _ordinal(year + 2000 if year < 70 else year, month, day)


def _ordinal(y: int, m: int, d: int) -> float | None:
    try:
        return float(date(y, m, d).toordinal() - 719163)
    except ValueError:
        return None


def order_text(order: str) -> str:
    return _ORDER_TEXT[order]
