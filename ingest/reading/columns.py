"""What each column is: role and unit, from its name, its unit text and what its values do, with the reasons.

Order of clues for the role: the name's most special word; the unit text; what the values do (a curve that starts near room
temperature and rises smoothly to a peak is a temperature; one that consists of flat stretches and straight lines is a
set point). A name nobody knows is taken by its values only when they are clear.
Order of clues for the unit: unit text beside the name or in a unit row, then a unit stated in the preamble; both are checked
against what a run can be (`physics`), and a unit that makes the run impossible is asked about. Without a text the run itself
decides, if only one unit fits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ingest.reading import physics
from ingest.reading.faults import strip_for_ranking
from ingest.reading.stamps import parse_stamps
from ingest.reading.table import Column, Table
from ingest.reading.units import CELSIUS, FAHRENHEIT, KELVIN, Unit, unit_of
from ingest.reading.words import NameSays, name_says, words_of
from ingest.recording import FloatArray, Notice, Question, Role

_SENSOR_WORDS = (("t",), ("k",), ("typek",), ("tk",), ("a",), ("ai",), ("ain",))
TEMPERATURE_KINDS = {"temperature", "place", "setpoint", "average", "smoothed", "ambient", "reference", "extreme"}


@dataclass
class Plan:
    """How one column becomes a channel. `unit` is None for states and for numbers without a unit."""

    column: Column
    role: Role
    unit: Unit | None
    says: NameSays
    judged: bool = True
    confidence: float = 0.9
    reasons: list[str] = field(default_factory=list[str])
    group: bool = False  # its unit is the log's common temperature unit
    celsius: FloatArray | None = None
    marked: np.ndarray | None = None  # True where a number is a fault marker


@dataclass
class Planned:
    plans: list[Plan]
    questions: list[Question] = field(default_factory=list[Question])
    notices: list[Notice] = field(default_factory=list[Notice])
    refusal: str | None = None


def plan_columns(table: Table, clock_columns: set[int], stated_unit: str | None, answers: Mapping[str, str]) -> Planned:
    """Roles and units of all columns that are not the clock."""
    planned = Planned([])
    for index, column in enumerate(table.columns):
        if index not in clock_columns:
            plan = _by_name(column, answers.get(f"role:{column.name}"))
            if plan is None and column.numbers is None and f"role:{column.name}" not in answers:
                _unreadable(planned, column)
            if plan is not None:
                planned.plans.append(plan)
    _unknown_by_values(planned, table, answers)
    if not any(p.role == "temperature" for p in planned.plans):
        _raw_only(planned, answers)
        if not any(p.role == "temperature" for p in planned.plans):
            planned.refusal = None if planned.questions else "no temperature column"
            return planned
    _named_but_programmed(planned, answers)
    _units(planned, stated_unit, answers)
    _duty_scale(planned, answers)
    if not planned.questions:
        _averages(planned)
        _same_in_other_unit(planned)
        _smoothed_alone(planned)
    return planned


def _smoothed_alone(planned: Planned) -> None:
    """A filtered value is judged when the log has no other."""
    temps = [p for p in planned.plans if p.role == "temperature"]
    if not any(p.judged for p in temps):
        for plan in temps:
            if "smoothed" in plan.says.kinds:
                plan.judged = True
                plan.reasons.append("filtered, but the only value of its sensor")


def _raw_only(planned: Planned, answers: Mapping[str, str]) -> None:
    """Sensors logged as voltages or counts: their temperature is not in the log, so it is asked for."""
    raw = []
    for plan in planned.plans:
        values = plan.column.numbers
        if (
            plan.role != "other"
            or values is None
            or not _curve_like(values)
            or {"other", "difference", "duty"} & set(plan.says.kinds)
        ):
            continue
        electric = plan.unit is not None and plan.unit.kind in ("voltage", "raw")
        if (
            electric
            or {"raw", "place", "temperature"} & set(plan.says.kinds)
            or words_of(plan.column.name)[:1] in _SENSOR_WORDS
        ):
            raw.append(plan)
    if not raw:
        return
    told = unit_of(answers.get("unit", ""))
    if told is not None and told.kind == "temperature":
        for plan in raw:
            plan.role, plan.unit, plan.group, plan.confidence = "temperature", told, False, 1.0
            plan.reasons.append("unit answered")
        return
    cold, peak, _whole_, name = _core(raw)
    text = (
        f"{name} goes from {cold:g} to {peak:g}, which is no temperature: a voltage or a raw count? Ovenbook does not convert voltages; "
        "answer with the worth of one step (for example 0.25 °C) if the numbers are scaled temperatures."
    )
    planned.questions.append(Question("unit", text, ("0.25 °C", "0.1 °C", "0.0625 °C", "°C", "°F", "K"), None))


def _by_name(column: Column, answered: str | None) -> Plan | None:
    says = name_says(column.name)
    unit = unit_of(column.unit or says.unit) if (column.unit or says.unit) else None
    if answered is not None:
        role = answered.strip().lower().replace(" ", "_")
        plan = Plan(column, role, unit, says, confidence=1.0, reasons=["answered"])  # type: ignore[arg-type]
        return None if role in ("ignore", "leave_out") or column.numbers is None and role != "state" else plan
    kinds = set(says.kinds)
    first = says.kinds[0] if says.kinds else ""
    if column.numbers is None:
        return _text_column(column, says, first)
    if not np.isfinite(column.numbers).any() and not column.marks:
        return None
    why = [f'name says {first} ("{says.word}")'] if first else []
    if unit is not None:
        why.append(f"unit {unit.text} written {'in the unit row' if column.unit else 'with the name'}")
    if unit is not None and unit.kind == "voltage" and "duty" in kinds and column.name.strip() in ("MV", "mv"):
        unit = None
    if (
        unit is not None
        and unit.kind == "temperature"
        and not (
            {"difference", "duty", "state", "time"} & kinds - {"temperature"}
            and first != "temperature"
            and _weak(says, column)
        )
    ):
        return _temperature(column, unit, says, kinds, first, why)
    if unit is not None and unit.kind == "fraction":
        return Plan(column, "other" if "other" in kinds else "duty", unit, says, reasons=why)
    if unit is not None and unit.kind in ("voltage", "raw"):
        return Plan(column, "other", unit, says, reasons=why, confidence=0.6)
    if unit is not None and unit.kind in ("other", "time"):
        return Plan(column, "other", unit, says, reasons=why)
    if first in ("time", "date", "index", "remaining"):
        return None
    if first == "raw" and "temperature" in kinds:
        return _temperature(column, None, says, kinds, first, why)
    if first in ("difference", "other", "raw"):
        return Plan(column, "other", None, says, reasons=why)
    if first == "duty":
        return Plan(column, "duty", None, says, reasons=why)
    if first == "state":
        return Plan(column, "state", None, says, reasons=why)
    if first in TEMPERATURE_KINDS and first not in ("place", "extreme"):
        return _temperature(column, None, says, kinds, first, why)
    return Plan(column, "other", None, replace(says, kinds=("unknown", *says.kinds)), confidence=0.0, reasons=why)


def _unreadable(planned: Planned, column: Column) -> None:
    """A column named as a measured value whose cells are mostly no numbers is not passed over in silence."""
    says = name_says(column.name)
    filled = [c.strip() for c in column.cells if c.strip()]
    if not filled or parse_stamps(column.cells) is not None:
        return
    if set(says.kinds[:1]) & {"temperature", "setpoint", "place"} or (unit := unit_of(column.unit or says.unit)) and unit.kind == "temperature":
        text = f'{column.name} is named as a temperature, but most of its cells are no numbers (for example "{filled[len(filled) // 2][:30]}"). Leave it out?'
        planned.questions.append(Question(f"role:{column.name}", text, ("leave out",), "leave out"))
    else:
        planned.notices.append(Notice("column_not_kept", f"{column.name} holds free text and was not kept as a channel."))


def _weak(says: NameSays, column: Column) -> bool:
    return not column.unit and not says.strong_unit


def _temperature(
    column: Column, unit: Unit | None, says: NameSays, kinds: set[str], first: str, why: list[str]
) -> Plan:
    plan = Plan(column, "temperature", unit, says, reasons=why, group=unit is None)
    if first == "reference":
        plan.role, plan.judged = "reference_junction", False
    elif first == "setpoint":
        plan.role, plan.judged = "setpoint", False
    elif first == "ambient" or "ambient" in kinds and first == "temperature":
        plan.role, plan.judged = "other", False
        plan.reasons.append("room temperature, not the oven's")
    elif first in ("difference",):
        plan.role, plan.judged, plan.group = "other", False, False
    elif first == "duty":
        plan.reasons.append("a heater name with a temperature unit")
    if "average" in kinds and plan.role == "temperature":
        plan.judged = False
        plan.reasons.append("an average of other channels: kept, never judged")
    if ("extreme" in kinds or "smoothed" in kinds) and plan.role == "temperature":
        plan.reasons.append("computed from other values by its name")
        plan.judged = False
    return plan


def _text_column(column: Column, says: NameSays, first: str) -> Plan | None:
    seen = {c.strip() for c in column.cells} - {""}
    if not seen or len(seen) > 64:
        return None
    switch = {s.lower() for s in seen} <= {"on", "off", "ein", "aus", "true", "false", "1", "0", "an", "yes", "no"}
    if first == "duty" and switch:
        return Plan(
            column,
            "duty",
            Unit("fraction", "on/off"),
            says,
            reasons=[f'name says {first} ("{says.word}")', "written as on and off"],
        )
    return Plan(column, "state", None, says, reasons=["words, few different ones"])


def looks_programmed(values: FloatArray) -> float:
    """Share of the samples above cold that lie on long, perfectly flat stretches (a set point holds, a sensor wavers)."""
    good = values[np.isfinite(values)]
    if len(good) < 20:
        return 0.0
    low, high = physics.cold_and_peak(good)
    hot = good > low + 0.25 * (high - low)
    if hot.sum() < 10:
        return 0.0
    change = np.flatnonzero(np.diff(good) != 0)
    edges = np.concatenate([[-1], change, [len(good) - 1]])
    lengths = np.diff(edges)
    long_flat = np.repeat(lengths >= 12, lengths)
    return float((long_flat & hot).sum() / hot.sum())


def is_straight(values: FloatArray) -> bool:
    """True for a trace of straight lines: the slope changes at a few corners only, apart from rounding."""
    good = values[np.isfinite(values)]
    if len(good) < 30:
        return False
    bend = np.abs(np.diff(good, 2))
    steps = np.abs(np.diff(good))
    quantum = float(np.min(steps[steps > 0])) if (steps > 0).any() else 0.0
    return float((bend <= quantum * 1.01 + 1e-9).mean()) > 0.97 and float(np.ptp(good)) > 50 * quantum


def _curve_like(values: FloatArray) -> bool:
    """True when the values rise and fall as a heated thing does: in small steps compared with their range."""
    good = strip_for_ranking(values)
    if len(good) < 8:
        return False
    low, high = physics.cold_and_peak(good)
    span = high - low
    if span <= 0:
        return False
    steps = np.abs(np.diff(good))
    return float(np.percentile(steps, 95)) < 0.12 * span and len(np.unique(good)) >= 8


def _unknown_by_values(planned: Planned, table: Table, answers: Mapping[str, str]) -> None:
    unknown = [p for p in planned.plans if p.says.kinds[:1] == ("unknown",)]
    if not unknown:
        return
    known = [p for p in planned.plans if p.role == "temperature"]
    for plan in unknown:
        values = plan.column.numbers
        assert values is not None
        core = strip_for_ranking(values)
        cold, peak = physics.cold_and_peak(core)
        best, unit = physics.rank_units(cold, peak, _whole(values))[0] if len(core) else (0.0, CELSIUS)
        place = "place" in plan.says.kinds or words_of(plan.column.name)[:1] in _SENSOR_WORDS[:4]
        if _curve_like(values) and best >= (0.04 if place or known else 0.25):
            plan.role, plan.group, plan.confidence = "temperature", True, 0.8 if place else 0.7
            plan.judged = "extreme" not in plan.says.kinds
            plan.reasons.append(f"rises from {cold:g} to {peak:g} as a run does")
            _programmed(plan, planned, table)
        elif place and (known or _is_broken_sensor(values, plan.column)):
            plan.role, plan.group, plan.confidence = "temperature", True, 0.6
            plan.reasons.append("named like the other sensors")
        elif "duty" in plan.says.kinds:
            plan.role = "duty"
        elif not table.named and _is_duty(values):
            plan.role, plan.confidence = "duty", 0.6
            plan.reasons.append("jumps between 0 and a full scale as heater commands do")
        else:
            plan.role, plan.confidence = "other", 0.5
            plan.reasons.append("neither the name nor the values say what it is")


def _is_broken_sensor(values: FloatArray, column: Column) -> bool:
    good = values[np.isfinite(values)]
    return len(good) == 0 and bool(column.marks) or len(good) > 0 and float(np.ptp(good)) == 0.0


def _is_duty(values: FloatArray) -> bool:
    good = values[np.isfinite(values)]
    return len(good) > 0 and good.min() >= 0 and float(good.max()) in (1.0, 100.0, 255.0)


def _flat_levels(values: FloatArray) -> int:
    """How many different hot levels are held dead flat over twelve samples or more."""
    good = values[np.isfinite(values)]
    if len(good) < 20:
        return 0
    low, high = physics.cold_and_peak(good)
    edges = np.concatenate([[-1], np.flatnonzero(np.diff(good) != 0), [len(good) - 1]])
    held = good[edges[1:]][np.diff(edges) >= 12]
    return len(set(held[held > low + 0.25 * (high - low)].tolist()))


def _named_but_programmed(planned: Planned, answers: Mapping[str, str]) -> None:
    """A column named as a temperature that holds several levels dead flat while the others waver is asked about: it may be
    the set point under a name nobody knows. (A stuck sensor holds one.)"""
    temps = [
        p
        for p in planned.plans
        if p.role == "temperature" and p.judged and p.column.numbers is not None and "unknown" not in p.says.kinds
    ]
    if len(temps) < 2 or any(p.role == "setpoint" for p in planned.plans):
        return
    flat = {p.column.name: looks_programmed(p.column.numbers) for p in temps if p.column.numbers is not None}
    for plan in temps:
        name = plan.column.name
        assert plan.column.numbers is not None
        others = [v for n, v in flat.items() if n != name]
        if (
            flat[name] > 0.2
            and max(others) < 0.1
            and _flat_levels(plan.column.numbers) >= 2
            and f"role:{name}" not in answers
        ):
            planned.questions.append(
                Question(
                    f"role:{name}",
                    f"Is {name} a measured temperature or the set point? It holds several levels dead flat.",
                    ("temperature", "setpoint", "other"),
                    "setpoint",
                )
            )


def _programmed(plan: Plan, planned: Planned, table: Table) -> None:
    """An unnamed trace that holds dead flat or runs dead straight may be the set point: sure only beside wavering ones."""
    if plan.says.kinds[1:] and table.named:
        return
    values = plan.column.numbers
    assert values is not None
    others = [
        c.numbers for c in table.columns if c.numbers is not None and c is not plan.column and _curve_like(c.numbers)
    ]
    rivals = [o for o in others if _counts_not(o)]
    flat = looks_programmed(values)
    if flat < 0.2 and (not is_straight(values) or all(is_straight(o) for o in rivals)):
        return  # wavers, or every trace of the log is that smooth
    if rivals and all(looks_programmed(o) < 0.1 and not is_straight(o) for o in rivals) and flat > 0.2:
        plan.role, plan.judged, plan.confidence = "setpoint", False, 0.85
        plan.reasons.append("holds dead flat and runs dead straight while the others waver: a set point")
        return
    name = plan.column.name
    planned.questions.append(
        Question(
            f"role:{name}",
            f"Is {name} a measured temperature or the set point? It holds flat or runs straight like a set point.",
            ("temperature", "setpoint", "other"),
            "setpoint",
        )
    )


def _counts_not(values: FloatArray) -> bool:
    return float((np.diff(values[np.isfinite(values)]) >= 0).mean()) < 0.97


def _whole(values: FloatArray) -> bool:
    good = values[np.isfinite(values)]
    return bool(len(good)) and bool((good == np.floor(good)).all())


def _units(planned: Planned, stated: str | None, answers: Mapping[str, str]) -> None:
    heated = [p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None]
    answered = unit_of(answers["unit"]) if answers.get("unit") else None
    for plan in heated:
        own = unit_of(answers.get(f"unit:{plan.column.name}", "")) if answers.get(f"unit:{plan.column.name}") else None
        if own is not None and own.kind == "temperature":
            plan.unit, plan.group = own, False
            plan.reasons.append("unit answered")
    grouped = [p for p in heated if p.group]
    if grouped:
        unit = _group_unit(planned, grouped, stated, answered)
        if unit is not None:
            for plan in planned.plans:
                if (
                    plan.group
                    and plan.unit is None
                    and plan.role in ("temperature", "setpoint", "reference_junction", "other")
                ):
                    plan.unit = unit
        _odd_one_out(planned, grouped, answers)
    labelled = [p for p in heated if not p.group and p.unit is not None]
    for unit in {p.unit for p in labelled if p.unit}:
        _check_label(planned, [p for p in labelled if p.unit == unit], unit, answered)
    common = next((p.unit for p in heated if p.unit is not None), None)
    for plan in planned.plans:
        if plan.group and plan.unit is None and plan.role != "temperature":
            plan.unit = common
    _follow(planned, common)


def _odd_one_out(planned: Planned, plans: list[Plan], answers: Mapping[str, str]) -> None:
    """A channel that makes no run in the common unit but a good one in another is asked about."""
    for plan in plans:
        if plan.unit is None or plan.column.numbers is None:
            continue
        cold, peak = physics.cold_and_peak(strip_for_ranking(plan.column.numbers))
        if not np.isfinite(peak) or physics.plausible_as(plan.unit, cold, peak) > 0.02:
            continue
        best = physics.rank_units(cold, peak, _whole(plan.column.numbers))[0]
        if best[0] >= 0.4 and best[1] != plan.unit:
            name = plan.column.name
            text = f"In which unit is {name}? It goes from {cold:g} to {peak:g}; the other channels are in {plan.unit.text}."
            planned.questions.append(Question(f"unit:{name}", text, (best[1].text, plan.unit.text), best[1].text))


def _core(plans: list[Plan]) -> tuple[float, float, bool, str]:
    """Coldest and hottest of the channel that got hottest, whether all channels hold whole numbers, and its name."""
    best = (float("nan"), float("-inf"), "")
    for plan in plans:
        assert plan.column.numbers is not None
        core = strip_for_ranking(plan.column.numbers)
        if len(core) >= 3:
            cold, peak = physics.cold_and_peak(core)
            if peak > best[1]:
                best = (cold, peak, plan.column.name)
    whole = all(
        _whole(p.column.numbers) for p in plans if p.column.numbers is not None and np.isfinite(p.column.numbers).any()
    )
    return best[0], best[1], whole, best[2]


def _group_unit(planned: Planned, plans: list[Plan], stated: str | None, answered: Unit | None) -> Unit | None:
    cold, peak, whole, name = _core(plans)
    if not np.isfinite(peak):
        planned.refusal = "no temperature was recorded: every temperature cell is empty or a fault marker"
        return None
    label = unit_of(stated) if stated else None
    if answered is not None and answered.kind == "temperature":
        _say(plans, "unit answered", 1.0)
        return answered
    ranked = physics.rank_units(cold, peak, whole)
    if label is not None:
        if physics.plausible_as(label, cold, peak) >= 0.008:
            _say(plans, f"unit {label.text} stated in the preamble", 0.95)
            return label
    best, runner = ranked[0], ranked[1]
    unnamed = all(
        p.says.kinds[:1] == ("unknown",)
        and "place" not in p.says.kinds
        and words_of(p.column.name)[:1] not in _SENSOR_WORDS[:4]
        for p in plans
    )
    if (any("raw" in p.says.kinds for p in plans) or unnamed) and best[1] not in (CELSIUS, FAHRENHEIT, KELVIN):
        best = (0.0, best[1])  # whole numbers under a name that says nothing may as well be raw counts
    if (
        best[0] >= 0.08
        and best[0] >= physics.CLEAR * runner[0]
        and best[1] not in physics.RARE
        and (label is None or label.symbol == best[1].symbol)
    ):
        _say(plans, f"no unit written; {cold:g} to {peak:g} is a run only in {best[1].text}", 0.85)
        if best[1] != CELSIUS:
            planned.notices.append(
                Notice(
                    "unit_inferred",
                    f"No unit is written; {cold:g} to {peak:g} ({name}) is a run only when read as {best[1].text}.",
                )
            )
        return best[1]
    planned.questions.append(_unit_question(name, cold, peak, ranked, label))
    return None


def _unit_question(
    name: str, cold: float, peak: float, ranked: list[tuple[float, Unit]], label: Unit | None
) -> Question:
    fits = [u.text for g, u in ranked if g >= 0.004]
    choices = list(dict.fromkeys([*fits, "°C", "°F", "K", "0.1 °C", "0.25 °C"]))
    said = f" The log says {label.text}, which would make that {_celsius_range(label, cold, peak)}." if label else ""
    if not fits and peak < 20:
        said += " It may be a thermocouple voltage; Ovenbook does not convert voltages."
    return Question(
        "unit",
        f"In which unit are the temperatures? {name} goes from {cold:g} to {peak:g}.{said}",
        tuple(choices),
        fits[0] if fits else None,
    )


def _celsius_range(unit: Unit, cold: float, peak: float) -> str:
    c, p = unit.to_celsius(np.array([cold, peak]))
    return f"{c:.0f} to {p:.0f} °C"


def _say(plans: list[Plan], why: str, confidence: float) -> None:
    for plan in plans:
        plan.reasons.append(why)
        plan.confidence = min(plan.confidence, confidence)


def _check_label(planned: Planned, plans: list[Plan], unit: Unit, answered: Unit | None) -> None:
    """A written unit is believed unless it makes the run impossible."""
    cold, peak, whole, name = _core(plans)
    if not np.isfinite(peak):
        return
    if answered is not None and answered.kind == "temperature":
        if answered != unit:
            for plan in plans:
                plan.unit = answered
        _say(plans, "unit answered", 1.0)
        return
    grade = physics.plausible_as(unit, cold, peak)
    ranked = physics.rank_units(cold, peak, whole)
    best = ranked[0]
    if grade >= 0.04 or (grade > 0 and best[0] < physics.CLEAR * grade):
        return
    c, p = unit.to_celsius(np.array([cold, peak]))
    if grade == 0 and best[0] < 0.08:
        if physics.LOWEST_C <= float(c) and float(p) <= physics.HIGHEST_C:
            return  # no other unit does better: a room log or a broken run, for the channel checks to say
    same = [r for r in ranked if r[1].symbol == unit.symbol and r[1] != unit]
    if (
        same
        and same[0][0] >= 0.08
        and same[0][0] >= physics.CLEAR * max(grade, ranked[0][0] if ranked[0][1] is not same[0][1] else ranked[1][0])
    ):
        scaled = same[0][1]
        for plan in plans:
            plan.unit = scaled
        _say(plans, f"{unit.text} would reach {p:.0f} °C; whole numbers in steps of {scaled.text} fit", 0.8)
        planned.notices.append(
            Notice(
                "unit_scaled",
                f"{name} is labelled {unit.text}, but {cold:g} to {peak:g} is a run only as {scaled.text} steps; read so.",
            )
        )
        return
    planned.questions.append(_unit_question(name, cold, peak, ranked, unit))


def _follow(planned: Planned, common: Unit | None) -> None:
    """Set points, reference junctions and room sensors without a unit of their own: the common unit if it makes sense for
    them, else °C, °F or K if exactly one does, else kept as a bare number."""
    for plan in planned.plans:
        if (
            plan.unit is None
            or plan.unit.kind != "temperature"
            or not plan.group
            or plan.column.numbers is None
            or plan.role == "temperature"
        ):
            continue
        good = plan.column.numbers[np.isfinite(plan.column.numbers)]
        if not len(good):
            continue
        low, high = (0.0, 420.0) if plan.role == "setpoint" else (-20.0, 110.0)
        middle = float(np.max(good)) if plan.role == "setpoint" else float(np.median(good))
        fits = [
            u
            for u in dict.fromkeys([plan.unit, CELSIUS, FAHRENHEIT, KELVIN, *physics.SCALED[:3]])
            if low <= float(u.to_celsius(np.array([middle]))[0]) <= high
        ]
        if plan.unit in fits:
            continue
        if plan.role == "setpoint" or not fits:
            plan.reasons.append(f"its values fit no temperature in {plan.unit.text}: kept as a number")
            plan.role, plan.unit, plan.judged = "other", None, False
        else:
            plan.unit = fits[0]
            plan.reasons.append(f"only {fits[0].text} makes sense of its values")


def _duty_scale(planned: Planned, answers: Mapping[str, str]) -> None:
    for plan in planned.plans:
        if plan.role != "duty" or plan.unit is not None or plan.column.numbers is None:
            continue
        good = plan.column.numbers[np.isfinite(plan.column.numbers)]
        if not len(good):
            plan.unit = Unit("fraction", "%", 0.01)
            continue
        top, low = float(good.max()), float(good.min())
        words = set(words_of(plan.column.name))
        if low < 0 or top > 1023:
            plan.role, plan.confidence = "other", 0.5
            plan.reasons.append("values outside any duty scale: kept as a number")
        elif top <= 1.0:
            plan.unit = Unit("fraction", "0-1")
            plan.reasons.append("never above 1: a fraction")
        elif top <= 100.0:
            plan.unit = Unit("fraction", "%", 0.01)
            plan.reasons.append("never above 100: per cent")
            if "pwm" in words and top < 99.0:
                plan.confidence = 0.5
            if top < 99.0:
                planned.notices.append(
                    Notice("duty_scale", f"{plan.column.name} has no unit and never exceeds {top:g}; read as per cent.")
                )
        elif top <= 255.0:
            plan.unit = Unit("fraction", "0-255", 1 / 255)
            plan.reasons.append("never above 255: a byte")
        else:
            plan.unit = Unit("fraction", "0-1000", 0.001) if top <= 1000.0 else Unit("fraction", "0-1023", 1 / 1023)
            plan.reasons.append(f"never above {top:g}")


def _averages(planned: Planned) -> None:
    """A temperature column that equals the mean of the others, whatever its name, is an average."""
    temps = [
        p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None and p.unit is not None
    ]
    if len(temps) < 3:
        return
    for plan in temps:
        others = [p for p in temps if p is not plan and p.judged and p.unit == plan.unit]
        if not plan.judged or len(others) < 2:
            continue
        assert plan.column.numbers is not None
        stack = np.array([o.column.numbers for o in others])
        if not np.isfinite(stack).any():
            continue
        mean = stack.mean(axis=0)
        apart = np.abs(plan.column.numbers - mean)
        apart = apart[np.isfinite(apart)]
        spread = np.ptp(stack, axis=0)
        spread = spread[np.isfinite(spread)]
        if (
            len(apart) >= 20
            and float(np.median(spread)) > 2.0
            and float(np.percentile(apart, 95)) <= _resolution(plan.column.numbers) * 1.01
        ):
            plan.judged = False
            plan.reasons.append("equals the mean of the other channels: an average, kept and never judged")
            return


def _resolution(values: FloatArray) -> float:
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if len(steps) else 0.0


def _same_in_other_unit(planned: Planned) -> None:
    """The same sensor written in two units is one channel."""
    temps = [
        p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None and p.unit is not None
    ]
    if len({p.unit for p in temps}) < 2:
        return
    for i, plan in enumerate(temps):
        for other in temps[:i]:
            if plan.unit != other.unit and other.role == "temperature" and plan.unit and other.unit:
                a, b = plan.unit.to_celsius(plan.column.numbers), other.unit.to_celsius(other.column.numbers)  # type: ignore[arg-type]
                apart = np.abs(a - b)
                if np.isfinite(apart).any() and float(np.nanmax(apart)) <= 0.6:
                    plan.role, plan.judged = "other", False
                    plan.reasons.append(f"the same as {other.column.name}, in another unit")
