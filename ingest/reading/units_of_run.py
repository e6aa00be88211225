"""The temperature unit of a log: written, stated, or the only one under which the values make a run.

Order: an answer; a unit text beside the name or in the unit row; a unit stated in the preamble; the run itself. A written
unit is believed unless it makes the run impossible. A channel that does not fit the common unit is asked about.
"""

from __future__ import annotations

import numpy as np

from ingest.reading import physics
from ingest.reading.faults import strip_for_ranking
from ingest.reading.layout import Answers
from ingest.reading.plans import SENSOR_WORDS, Plan, Planned, is_whole
from ingest.reading.units import CELSIUS, FAHRENHEIT, KELVIN, Unit, unit_of
from ingest.reading.words import words_of
from ingest.recording import Notice, Question


def settle_units(planned: Planned, stated: str | None, answers: Answers) -> None:
    heated = [p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None]
    answered = unit_of(answers["unit"]) if answers.get("unit") else None
    if answered is not None and "unit" not in answers.given:
        cold, peak, whole, _name = core_of(heated)
        if not _is_believable(physics.plausible_as(answered, cold, peak), physics.rank_units(cold, peak, whole)[0][0]):
            answered = None  # remembered, but the controller seems to write another unit now
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
        _odd_one_out(planned, grouped)
    labelled = [p for p in heated if not p.group and p.unit is not None]
    for unit in {p.unit for p in labelled if p.unit}:
        _check_label(planned, [p for p in labelled if p.unit == unit], unit, answered)
    common = next((p.unit for p in heated if p.unit is not None), None)
    for plan in planned.plans:
        if plan.group and plan.unit is None and plan.role != "temperature":
            plan.unit = common
    _follow(planned)


def _odd_one_out(planned: Planned, plans: list[Plan]) -> None:
    """A channel that makes no run in the common unit but a good one in another is asked about."""
    for plan in plans:
        if plan.unit is None or plan.column.numbers is None:
            continue
        cold, peak = physics.cold_and_peak(strip_for_ranking(plan.column.numbers))
        if not np.isfinite(peak) or physics.plausible_as(plan.unit, cold, peak) > 0.02:
            continue
        best = physics.rank_units(cold, peak, is_whole(plan.column.numbers))[0]
        if best[0] >= 0.4 and best[1] != plan.unit:
            name = plan.column.name
            text = f"In which unit is {name}? It goes from {cold:g} to {peak:g}; the other channels are in {plan.unit.text}."
            planned.questions.append(Question(f"unit:{name}", text, (best[1].text, plan.unit.text), best[1].text))


def core_of(plans: list[Plan]) -> tuple[float, float, bool, str]:
    """Coldest and hottest of the channel that got hottest, whether all channels hold whole numbers, and its name."""
    best = still = (float("-inf"), float("nan"), "")
    for plan in plans:
        assert plan.column.numbers is not None
        core = strip_for_ranking(plan.column.numbers)
        if len(core) >= 3:
            cold, peak = physics.cold_and_peak(core)
            if peak - cold > 0.02 * abs(peak):
                best = max(best, (peak, cold, plan.column.name))
            else:  # never moves: says nothing about the unit unless no channel does
                still = max(still, (peak, cold, plan.column.name))
    whole = all(
        is_whole(p.column.numbers)
        for p in plans
        if p.column.numbers is not None and np.isfinite(p.column.numbers).any()
    )
    peak, cold, name = best if np.isfinite(best[0]) else still
    return cold, peak, whole, name


def _group_unit(planned: Planned, plans: list[Plan], stated: str | None, answered: Unit | None) -> Unit | None:
    cold, peak, whole, name = core_of(plans)
    if not np.isfinite(peak):
        planned.refusal = "no temperature was recorded: every temperature cell is empty or a fault marker"
        return None
    label = unit_of(stated) if stated else None
    if answered is not None and answered.kind == "temperature":
        _say(plans, "unit answered", 1.0)
        return answered
    ranked = physics.rank_units(cold, peak, whole)
    if (commanded := _commanded(planned, peak)) is not None:
        ranked = sorted(((g * physics.setpoint_fits(u, *commanded), u) for g, u in ranked), key=lambda r: -r[0])
    best, runner = ranked[0], ranked[1]
    if label is not None and _is_believable(physics.plausible_as(label, cold, peak), best[0]):
        _say(plans, f"unit {label.text} stated in the preamble", 0.95)
        return label
    unnamed = all(
        p.says.kinds[:1] == ("unknown",)
        and "place" not in p.says.kinds
        and words_of(p.column.name)[:1] not in SENSOR_WORDS[:4]
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


def _commanded(planned: Planned, peak: float) -> tuple[float, float] | None:
    """Lowest set point above 0 and highest (raw), if one is logged without a unit of its own and the run follows it, so
    that it is surely in the unit of the temperatures."""
    for plan in planned.plans:
        if plan.role == "setpoint" and plan.group and plan.unit is None and plan.column.numbers is not None:
            core = strip_for_ranking(plan.column.numbers)
            above = core[np.isfinite(core) & (core > 0)]
            if len(above) and float(np.ptp(above)) > 0 and 0.75 <= peak / float(above.max()) <= 1.35:
                return float(above.min()), float(above.max())
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


def _is_believable(grade: float, best: float) -> bool:
    """True when a written unit makes a fair run, or no other unit makes a much better one."""
    return grade >= 0.04 or (grade > 0 and best < physics.CLEAR * grade)


def _check_label(planned: Planned, plans: list[Plan], unit: Unit, answered: Unit | None) -> None:
    """A written unit is believed unless it makes the run impossible."""
    cold, peak, whole, name = core_of(plans)
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
    if _is_believable(grade, best[0]):
        return
    c, p = unit.to_celsius(np.array([cold, peak]))
    possible = float(c) >= physics.LOWEST_C and float(p) <= physics.HIGHEST_C
    if grade == 0 and best[0] < 0.08 and possible:
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


def _follow(planned: Planned) -> None:
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
