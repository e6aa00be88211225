"""Metrics and limits in words: names, the parameters that define them, where a limit stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.quantities import QUANTITIES
from dashboard.words.numbers import MARGIN_UNITS, decimals_of, number, with_unit


def metric_label(metric: str) -> str:
    return QUANTITIES[metric].label if metric in QUANTITIES else metric.replace("_", " ")


def unit_of(metric: str) -> str | None:
    return QUANTITIES[metric].unit if metric in QUANTITIES else None


def shown_unit(metric: str) -> str:
    """The unit people see: percent for a fraction, nothing for a count."""
    if metric not in QUANTITIES:
        return ""
    quantity = QUANTITIES[metric]
    return "%" if quantity.kind == "fraction" else quantity.unit.removeprefix("1")


def group_of(metric: str) -> str:
    """result, effort or sensor: what a metric is about."""
    return QUANTITIES[metric].group if metric in QUANTITIES else "result"


# For narrow tables; TAL is the usual short form of time above liquidus (IPC-7530).
_SHORT = {
    "peak_c": "peak",
    "time_above_liquidus_s": "TAL",
    "time_above_liquidus_longest_s": "longest TAL",
    "soak_time_s": "soak",
    "ramp_up_max_c_per_s": "ramp up",
    "ramp_up_mean_c_per_s": "mean ramp up",
    "cooling_rate_max_c_per_s": "cooling",
    "cooling_rate_mean_c_per_s": "mean cooling",
    "time_near_peak_s": "near peak",
}
SHORT_FORMS = "Margin: distance to the nearest limit, minus is outside. TAL: time above liquidus."


def short_margin(metric: str, margin: float, unit: str | None) -> str:
    """A margin for a table's cell: "+7.0 K peak", "−12.0 s TAL"."""
    sign = "−" if margin < 0 else "+"
    amount = with_unit(number(abs(margin), decimals_of(metric)), MARGIN_UNITS.get(unit or "", unit))
    return f"{sign}{amount} {_SHORT.get(metric, metric_label(metric))}"


def parameters_text(parameters: Mapping[str, Any]) -> str:
    """The parameters that define a metric, in words: "150 to 200 °C", "over 20 s", "above 217 °C"; empty for none."""
    p = dict(parameters)

    def one(key: str) -> str:
        value = p[key]
        return f"{value:g}" if isinstance(value, (int, float)) else str(value)

    parts: list[str] = []
    if "liquidus_c" in p:
        parts.append(f"{one('liquidus_c')} °C")
    if "low_c" in p and "high_c" in p:
        parts.append(f"{one('low_c')} to {one('high_c')} °C")
    elif "high_c" in p:
        parts.append(f"at {one('high_c')} °C")
    if "from_c" in p and "to_c" in p:
        to = one("to_c")
        parts.append(f"{one('from_c')} °C to {to if to == 'peak' else to + ' °C'}")
    elif "from_c" in p:
        parts.append(f"from {one('from_c')}{'' if p['from_c'] == 'start' else ' °C'}")
    elif "to_c" in p:
        parts.append(f"down to {one('to_c')} °C")
    if "from_fraction" in p and "to_fraction" in p:
        parts.append(f"{float(p['from_fraction']):.0%} to {float(p['to_fraction']):.0%} of the fall")
    if "below_k" in p:
        reference = p.get("reference", "peak")
        named = f"{reference:g} °C" if isinstance(reference, (int, float)) else f"the {reference}"
        parts.append(f"within {one('below_k')} K of {named}")
    if "hold_c" in p:
        parts.append(f"hold at {one('hold_c')} °C")
    if "window_s" in p:
        parts.append(f"over {one('window_s')} s")
    if "full_at" in p:
        parts.append(f"full power from {float(p['full_at']):.0%}")
    return ", ".join(parts)


def metric_text(metric: str, parameters: Mapping[str, Any] | None = None) -> str:
    """A metric's name with what defines it: "soak time (150 to 200 °C)"."""
    detail = parameters_text(parameters or {})
    return f"{metric_label(metric)} ({detail})" if detail else metric_label(metric)


def limit_text(metric: str, low: float | None, high: float | None, unit: str | None = None) -> str:
    """A limit as people say it: "235 to 250 °C", "at most 3 °C/s", "at least 60 s"."""
    if unit is None and metric in QUANTITIES:
        unit = QUANTITIES[metric].unit
    if low is not None and high is not None:
        return with_unit(f"{low:g} to {high:g}", unit)
    if high is not None:
        return with_unit(f"at most {high:g}", unit)
    if low is not None:
        return with_unit(f"at least {low:g}", unit)
    return "no limit"


def source_text(source: str, revision: str | None) -> str:
    if not revision:
        return source
    return f"{source}, {revision if revision.lower().startswith(('rev', 'edition')) else 'revision ' + revision}"


def window_owner(window: Mapping[str, Any]) -> str:
    """Whose limits a window holds: a paste's, a board's component bodies', or the house's."""
    board = " ".join(str(window[key]) for key in ("board", "board_revision") if window.get(key))
    if window["scope"] == "paste":
        return str(window["paste"])
    if window["scope"] == "body":
        return f"component bodies on {board}"
    return f"the house, {window['oven'] or board}" if window["oven"] or board else "the house, every run"
