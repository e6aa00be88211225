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
from dataclasses import replace

import numpy as np

from ingest.reading import physics
from ingest.reading.derived_columns import judge_lone_smoothed, mark_averages, merge_units, settle_duty
from ingest.reading.faults import strip_for_ranking
from ingest.reading.layout import Answers
from ingest.reading.plans import (
    OFF_WORDS,
    SENSOR_WORDS,
    TEMPERATURE_KINDS,
    Plan,
    Planned,
    curve_like,
    flat_levels,
    is_broken_sensor,
    is_duty,
    is_no_counter,
    is_straight,
    is_whole,
    looks_programmed,
)
from ingest.reading.stamps import parse_stamps
from ingest.reading.table import Column, Table
from ingest.reading.units import CELSIUS, Unit, unit_of
from ingest.reading.units_of_run import core_of, settle_units
from ingest.reading.words import NameSays, name_says, words_of
from ingest.recording import Notice, Question


def plan_columns(table: Table, clock_columns: set[int], stated_unit: str | None, answers: Answers) -> Planned:
    """Roles and units of all columns that are not the clock."""
    planned = Planned([])
    for index, column in enumerate(table.columns):
        if index not in clock_columns:
            plan = _by_name(column, answers.get(f"role:{column.name}"))
            if plan is None and column.numbers is None and f"role:{column.name}" not in answers:
                _unreadable(planned, column)
            if plan is not None:
                planned.plans.append(plan)
    _unknown_by_values(planned, table)
    if not any(p.role == "temperature" for p in planned.plans):
        _raw_only(planned, answers)
        if not any(p.role == "temperature" for p in planned.plans):
            planned.refusal = None if planned.questions else "no temperature column"
            return planned
    _named_but_programmed(planned, answers)
    settle_units(planned, stated_unit, answers)
    settle_duty(planned)
    if not planned.questions:
        mark_averages(planned)
        merge_units(planned)
        judge_lone_smoothed(planned)
    return planned


def _raw_only(planned: Planned, answers: Mapping[str, str]) -> None:
    """Sensors logged as voltages or counts: their temperature is not in the log, so it is asked for."""
    raw = []
    for plan in planned.plans:
        values = plan.column.numbers
        if (
            plan.role != "other"
            or values is None
            or not curve_like(values)
            or {"other", "difference", "duty"} & set(plan.says.kinds)
        ):
            continue
        electric = plan.unit is not None and plan.unit.kind in ("voltage", "raw")
        if (
            electric
            or {"raw", "place", "temperature"} & set(plan.says.kinds)
            or words_of(plan.column.name)[:1] in SENSOR_WORDS
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
    cold, peak, _is_whole, name = core_of(raw)
    text = (
        f"{name} goes from {cold:g} to {peak:g}, which is no temperature: a voltage or a raw count? "
        "Ovenbook does not convert voltages; "
        "answer with the worth of one step (for example 0.25 °C) if the numbers are scaled temperatures."
    )
    planned.questions.append(Question("unit", text, ("0.25 °C", "0.1 °C", "0.0625 °C", "°C", "°F", "K"), None))


def _by_name(column: Column, answered: str | None) -> Plan | None:
    says = name_says(column.name)
    unit = unit_of(column.unit or says.unit) if (column.unit or says.unit) else None
    if answered is not None:
        role = answered.strip().lower().replace(" ", "_")
        plan = Plan(column, role, unit, says, confidence=1.0, reasons=["answered"])  # type: ignore[arg-type]
        return None if role in ("ignore", "leave_out") or (column.numbers is None and role != "state") else plan
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
    if set(says.kinds[:1]) & {"temperature", "setpoint", "place"} or (
        (unit := unit_of(column.unit or says.unit)) and unit.kind == "temperature"
    ):
        text = (
            f"{column.name} is named as a temperature, but most of its cells are no numbers "
            f'(for example "{filled[len(filled) // 2][:30]}"). Leave it out?'
        )
        planned.questions.append(Question(f"role:{column.name}", text, ("leave out",), "leave out"))
    else:
        planned.notices.append(
            Notice("column_not_kept", f"{column.name} holds free text and was not kept as a channel.")
        )


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
    elif first == "ambient" or ("ambient" in kinds and first == "temperature"):
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
    measured = first in ("temperature", "setpoint", "place") and sum(
        any(c.isdigit() for c in s) for s in seen
    ) > 0.5 * len(seen)
    if not seen or len(seen) > 64 or measured:
        return None
    switch = len(seen) <= 2 and bool({s.lower() for s in seen} & OFF_WORDS)
    if first == "duty" and switch:
        return Plan(
            column,
            "duty",
            Unit("fraction", "on/off"),
            says,
            reasons=[f'name says {first} ("{says.word}")', "written as on and off"],
        )
    return Plan(column, "state", None, says, reasons=["words, few different ones"])


def _unknown_by_values(planned: Planned, table: Table) -> None:
    unknown = [p for p in planned.plans if p.says.kinds[:1] == ("unknown",)]
    if not unknown:
        return
    known = [p for p in planned.plans if p.role == "temperature"]
    for plan in unknown:
        values = plan.column.numbers
        assert values is not None
        core = strip_for_ranking(values)
        cold, peak = physics.cold_and_peak(core)
        best, _unit = physics.rank_units(cold, peak, is_whole(values))[0] if len(core) else (0.0, CELSIUS)
        place = "place" in plan.says.kinds or words_of(plan.column.name)[:1] in SENSOR_WORDS[:4]
        if curve_like(values, 0.35 if place else 0.12) and best >= (0.04 if place or known else 0.25):
            plan.role, plan.group, plan.confidence = "temperature", True, 0.8 if place else 0.7
            plan.judged = "extreme" not in plan.says.kinds
            plan.reasons.append(f"rises from {cold:g} to {peak:g} as a run does")
            _programmed(plan, planned, table)
        elif place and (known or is_broken_sensor(values, plan.column)):
            plan.role, plan.group, plan.confidence = "temperature", True, 0.6
            plan.reasons.append("named like the other sensors")
        elif "duty" in plan.says.kinds:
            plan.role = "duty"
        elif not table.named and is_duty(values):
            plan.role, plan.confidence = "duty", 0.6
            plan.reasons.append("jumps between 0 and a full scale as heater commands do")
        else:
            plan.role, plan.confidence = "other", 0.5
            plan.reasons.append("neither the name nor the values say what it is")


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
            and flat_levels(plan.column.numbers) >= 2
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
        c.numbers for c in table.columns if c.numbers is not None and c is not plan.column and curve_like(c.numbers)
    ]
    rivals = [o for o in others if is_no_counter(o)]
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
