"""Finding the clock: which columns tell the time, and in which unit.

Order of clues
1. Stamps with a date (one column, or a date and a time of day side by side), numbers the size of an epoch, day serials.
2. A column named for time, or the unit of a time, that mostly counts up; without names the first column that does.
3. Times of day without a date; a date in the preamble completes them.
4. A sample counter, with an interval stated in the preamble, or asked.
A clock that counts from the start is preferred for the samples' spacing; one with a date gives the start. When both exist
they check each other. The unit of a bare number is taken from its text, else from what a run can be (`physics`).
What is then done to the clock (roll-over, order, jumps) is in `repair`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ingest.reading import physics
from ingest.reading.find_clock import Found, join_day
from ingest.reading.preamble import Preamble
from ingest.reading.stamps import DAY_S, Stamps, order_text
from ingest.reading.table import Table
from ingest.reading.units import SECONDS, unit_of
from ingest.reading.words import name_says, words_of
from ingest.recording import FloatArray, Notice, Question


@dataclass
class Clock:
    """Seconds per row as read (not yet repaired), the wall clock per row if known (naive unless `offset_s`), and what is open."""

    seconds: FloatArray
    step_raw: float = 1.0
    wall: FloatArray | None = None
    wall_resolution_s: float = 1.0
    offset_s: float | None = None
    zone_text: str | None = None
    modulus_s: tuple[float, ...] = ()
    coarse_s: float = 0.0  # resolution of the stamps, 0 for a counter
    of_day: bool = False
    from_wall: bool = False
    questions: list[Question] = field(default_factory=list[Question])
    notices: list[Notice] = field(default_factory=list[Notice])
    reasons: list[str] = field(default_factory=list[str])
    form: str = ""
    day_first: str = ""  # why dates of this log cannot be month first
    refusal: str | None = None


def settle_clock(
    table: Table, found: Found, pre: Preamble, curve_c: FloatArray | None, answers: Mapping[str, str]
) -> Clock:
    """Seconds per row from the found columns. `curve_c`: one representative temperature [°C] per row, for the physics."""
    n = table.rows
    clock = Clock(np.full(n, np.nan))
    clock.day_first = "the log has a decimal comma" if table.decimal == "," else _foreign(table)
    wall = _ordered(found.wall, clock, answers) if found.wall is not None else None
    if found.wall is not None and wall is None:
        return clock
    day = found.day_clock
    if wall is None and day is not None and pre.date is not None and _is_of_day(day):
        order = _ordered(pre.date, clock, answers)
        if order is None:
            return clock
        found.wall = join_day(replace(pre.date, seconds=order, readings={"": order}), day)
        wall, day = found.wall.seconds, None
        clock.modulus_s = (DAY_S,)
    if wall is not None:
        assert found.wall is not None
        clock.wall, clock.wall_resolution_s = wall, found.wall.resolution_s
        clock.offset_s, clock.zone_text = found.wall.offset_s, found.wall.zone
        clock.reasons.append(f"stamps with a date, {found.wall.why}")
    if found.elapsed is not None:
        _counter(table, found, pre, curve_c, answers, clock)
    elif day is not None and wall is None:
        _day_clock(day, curve_c, clock, answers)
    elif wall is not None:
        clock.seconds, clock.from_wall, clock.coarse_s = wall, True, clock.wall_resolution_s
        clock.form = "wall"
        if found.index is not None and clock.wall_resolution_s >= 60:
            clock.reasons.append("coarse stamps")
    elif found.index is not None or pre.interval_s or answers.get("interval_s"):
        _index(table, found, pre, answers, clock)
    else:
        clock.refusal = "no time column"
    return clock


# Words of languages whose countries write the day first.
_DAY_FIRST_WORDS = frozenset(
    [
        "zeit",
        "uhrzeit",
        "datum",
        "zeitstempel",
        "sollwert",
        "solltemperatur",
        "temperatur",
        "ofen",
        "leistung",
        "heure",
        "duree",
        "consigne",
        "puissance",
        "fecha",
        "hora",
        "tiempo",
        "consigna",
        "potencia",
        "tempo",
        "ora",
        "durata",
        "impostata",
        "potenza",
        "tijd",
        "tijdstip",
        "gewenste",
        "temperatuur",
        "vermogen",
        "czas",
        "godzina",
        "temperatura",
        "moc",
        "tid",
        "klockslag",
        "borvarde",
        "arvarde",
        "effekt",
        "setpunkt",
        "dato",
    ]
)


def _foreign(table: Table) -> str:
    for column in table.columns:
        hit = next((w for w in words_of(column.name) if w in _DAY_FIRST_WORDS), None)
        if hit:
            return f'the word "{hit}" in the header'
    return ""


def _is_of_day(day: Stamps) -> bool:
    good = day.seconds[np.isfinite(day.seconds)]
    return day.shape == "h:m:s" and len(good) > 0 and (day.half_day or float(good[0]) >= 1.0)


def _ordered(stamps: Stamps, clock: Clock, answers: Mapping[str, str]) -> FloatArray | None:
    """Seconds under the settled order of date, or None and a question."""
    if len(stamps.readings) <= 1:
        return stamps.seconds
    said = answers.get("date_order", "").strip().lower().replace("-", " ")
    for order in stamps.readings:
        if said in (order, order_text(order), order_text(order).split()[0]) or (
            said and said.startswith(order_text(order).split()[0])
        ):
            clock.reasons.append(f"{order_text(order)}: answered")
            return stamps.readings[order]
    if {"dmy", "mdy"} == set(stamps.readings) and clock.day_first:
        clock.reasons.append(f"day first: {clock.day_first}")
        clock.notices.append(Notice("day_first", f"Dates were read day first: {clock.day_first}."))
        return stamps.readings["dmy"]
    choices = tuple(order_text(o) for o in stamps.readings)
    clock.questions.append(
        Question("date_order", "Which comes first in the dates of this log, the day or the month?", choices, choices[0])
    )
    return None


def _counter(
    table: Table, found: Found, pre: Preamble, curve_c: FloatArray | None, answers: Mapping[str, str], clock: Clock
) -> None:
    assert found.elapsed is not None
    column = table.columns[found.elapsed]
    raw = column.numbers
    assert raw is not None
    if found.falling:
        raw = np.nanmax(raw) - raw
        clock.notices.append(
            Notice("clock_counts_down", f"{column.name} counts down; it was turned into time since the start.")
        )
    steps = np.diff(raw[np.isfinite(raw)])
    rising = steps[steps > 0]
    step = float(np.median(rising)) if len(rising) else 1.0
    clock.step_raw = step
    says = name_says(column.name)
    label = unit_of(column.unit or says.unit) if (column.unit or says.unit) else None
    symbol = label.symbol if label is not None and label.kind == "time" else pre.time_unit
    if symbol is None and "time" in says.kinds:
        symbol = _unit_by_word(says.word)
    answered = answers.get("time_unit")
    if answered:
        told = unit_of(answered)
        if told is not None and told.kind == "time":
            _take(clock, raw, told.symbol, "answered")
            return
        if answered.strip().lower().startswith("sample"):
            found.index, found.elapsed = found.elapsed, None
            _index(table, found, pre, answers, clock)
            return
    rise = physics.rise_count(raw, curve_c) if curve_c is not None else float("nan")
    ranked = physics.rank_time_units(rise, step)
    if symbol is None and clock.wall is not None:
        symbol = _unit_from_wall(raw, clock.wall, clock.wall_resolution_s)
    if symbol is not None:
        grade = next(g for g, s in ranked if s == symbol)
        best = ranked[0]
        if (grade > 0 and grade >= 0.05 * best[0]) or best[0] < 0.2:
            _take(clock, raw, symbol, f"{column.name} is in {symbol}")
            return
        clock.questions.append(_time_question(column.name, rise, step, ranked, symbol))
        return
    sure = (table.named and "time" in says.kinds) or column.name.strip() in ("t", "T")
    best, runner = ranked[0], ranked[1]
    counter_like = step == 1.0 and not any(table.decimal in c for c in column.cells[:50])  # "1.0" counts seconds
    if counter_like and not sure:
        if pre.interval_s:
            found.index, found.elapsed = found.elapsed, None
            _index(table, found, pre, answers, clock)
            return
        clock.questions.append(
            Question(
                "time_unit",
                f"Does {column.name} count seconds or samples? It goes up by one each row.",
                ("s", "ms", "min", "sample number"),
                "s" if best[1] == "s" else None,
            )
        )
        return
    if best[0] >= 0.04 and best[0] >= physics.CLEAR * runner[0] and best[1] in ("s", "ms", "min", "h", "us"):
        _take(
            clock,
            raw,
            best[1],
            f"no unit written; heating takes {rise:g} counts, which is a run only in {best[1]}"
            if np.isfinite(rise)
            else f"steps of {step:g} are {best[1]}",
        )
        if best[1] != "s":
            clock.notices.append(
                Notice(
                    "time_unit_inferred", f"{column.name} has no unit; the run's length is possible only in {best[1]}."
                )
            )
        return
    clock.questions.append(_time_question(column.name, rise, step, ranked, None))


def _unit_by_word(word: str) -> str | None:
    found = unit_of(word)
    return found.symbol if found is not None and found.kind == "time" else None


def _unit_from_wall(raw: FloatArray, wall: FloatArray, resolution: float) -> str | None:
    good = np.isfinite(raw) & np.isfinite(wall)
    a, b = raw[good], wall[good]
    if len(a) < 10:
        return None
    da, db = np.diff(a), np.diff(b)
    fine = (da > 0) & (db >= 0) & (db < 600)
    ticks, seconds = float(da[fine].sum()), float(db[fine].sum())
    if ticks <= 0 or seconds < 5 * resolution:
        return None
    for symbol, worth in SECONDS.items():
        if abs(ticks * worth / seconds - 1) < 0.03 + 1.5 * resolution / seconds:
            return symbol
    return None


def _time_question(name: str, rise: float, step: float, ranked: list[tuple[float, str]], said: str | None) -> Question:
    fits = [s for g, s in ranked if g >= 0.004]
    text = f"In which unit is {name}? It goes up by {step:g} a row"
    if np.isfinite(rise):
        text += f" and by {rise:g} while the oven heats up"
    if said:
        text += f"; the log says {said}, which is not possible for a run"
    choices = tuple(dict.fromkeys([*fits, "s", "ms", "min", "sample number"]))
    return Question("time_unit", text + ".", choices, fits[0] if fits else None)


def _take(clock: Clock, raw: FloatArray, symbol: str, why: str) -> None:
    clock.seconds = raw * SECONDS[symbol]
    clock.form = symbol
    clock.reasons.append(why)
    worth = SECONDS[symbol]
    clock.modulus_s = tuple(
        m * worth for m in ((2.0**32, 2.0**31, 2.0**16, 2.0**15, 2.0**24) if worth < 1 else (2.0**16,))
    )


def _day_clock(day: Stamps, curve_c: FloatArray | None, clock: Clock, answers: Mapping[str, str]) -> None:
    seconds = day.seconds
    clock.form, clock.coarse_s, clock.of_day = day.shape, day.resolution_s, True
    clock.modulus_s = (43200.0, DAY_S) if day.shape == "h:m:s" else (3600.0, 86400.0)
    clock.reasons.append(f"clock written as {day.why}")
    if day.shape == "h:m:s" and day.other is not None and curve_c is not None:
        as_written = physics.rise_count(seconds, curve_c)
        if (
            np.isfinite(as_written)
            and physics.plausible_rise(as_written) == 0.0
            and physics.plausible_rise(physics.rise_count(day.other, curve_c)) >= 0.3
        ):
            clock.seconds, clock.coarse_s, clock.form = day.other, 0.01, "m:s.f"
            clock.modulus_s = (3600.0,)
            clock.notices.append(
                Notice("clock_parts", "The clock is possible for a run only as minutes:seconds:hundredths; read so.")
            )
            return
    if day.shape == "m:s":
        steps = np.diff(seconds[np.isfinite(seconds)])
        step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
        repeated = float((steps == 0).mean()) if len(steps) else 0.0
        rise = physics.rise_count(seconds, curve_c) if curve_c is not None else float("nan")
        as_min = physics.plausible_rise(rise) if np.isfinite(rise) else 0.5
        as_hours = physics.plausible_rise(rise * 60) if np.isfinite(rise) else 0.5
        said = answers.get("time_unit", "").lower()
        if said.startswith("h"):
            as_min, as_hours = 0.0, 1.0
        elif said.startswith("m"):
            as_min, as_hours = 1.0, 0.0
        if as_hours >= physics.CLEAR * as_min and as_hours > 0:
            seconds, clock.coarse_s = seconds * 60, 60.0
            clock.reasons.append("hours:minutes, by the run's length")
            clock.modulus_s = (DAY_S,)
        elif not (as_min >= physics.CLEAR * as_hours and as_min > 0):
            clock.questions.append(
                Question(
                    "time_unit",
                    "Is the clock written as minutes:seconds or hours:minutes?",
                    ("minutes:seconds", "hours:minutes"),
                    "minutes:seconds" if repeated < 0.5 and step < 30 else "hours:minutes",
                )
            )
            return
    clock.seconds = seconds


def _index(table: Table, found: Found, pre: Preamble, answers: Mapping[str, str], clock: Clock) -> None:
    interval = pre.interval_s
    said = answers.get("interval_s")
    if said:
        from ingest.reading.preamble import seconds_of

        interval = seconds_of(said, "s") or interval
    if interval is None and pre.started is not None and pre.ended is not None and table.rows > 10:
        span = float(pre.ended.seconds[0] - pre.started.seconds[0])
        if 30 < span < DAY_S and not table.breaks:
            interval = span / (table.rows - 1)
            clock.notices.append(
                Notice("interval_from_ends", f"The interval of {interval:.3g} s follows from the stated start and end.")
            )
    if interval is None:
        clock.questions.append(
            Question(
                "interval_s",
                "How many seconds lie between two samples? The log numbers its samples but tells no time.",
                (),
                None,
            )
        )
        return
    numbers = table.columns[found.index].numbers if found.index is not None else None
    rows = np.arange(table.rows, dtype=np.float64)
    clock.seconds = (numbers if numbers is not None else rows) * interval
    clock.form = "index"
    clock.modulus_s = tuple(m * interval for m in (2.0**16, 2.0**32, 256.0))
    clock.reasons.append(f"sample number times {interval:g} s")
