"""What changed between two runs, in sentences that page and command line share."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from dashboard.words.limits import metric_text
from dashboard.words.numbers import MARGIN_UNITS, counted, decimals_of, listed, number, quantity_text, with_unit

if TYPE_CHECKING:
    from analysis.compare import CurveComparison
    from analysis.curve_shape import Shape
    from analysis.store.comparing import Comparison

FIELD_WORDS = {
    "setpoint_hash": "set points",
    "board_revision": "board revision",
    "load_count": "boards on the rack",
    "ambient_c": "room temperature (°C)",
    "orientation": "turned on the rack by (°)",
    "sample_interval_s": "sample interval, s",
    "end_reason": "why it ended",
    "kind": "kind of run",
}


def field_words(field: str) -> str:
    return FIELD_WORDS.get(field, field.replace("_", " "))


def field_value(field: str, value: Any) -> str:
    """A metadata value as people read it; a hash is cut to its first eight characters."""
    if value is None or value != value:
        return "unknown"
    if field == "setpoint_hash":
        return f"{str(value)[:8]}…"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value) or "none"


def difference_text(metric: str, difference: float, unit: str) -> str:
    """A difference with its sign and unit: "+8.7 K", "−3 %"; a difference of temperatures is in K."""
    places, scale = decimals_of(metric), 1.0
    from analysis.quantities import QUANTITIES

    if metric in QUANTITIES and QUANTITIES[metric].kind == "fraction":
        places, scale, unit = places - 2, 100.0, "%"
    text = number(difference * scale, places)
    sign = "" if text.startswith("−") or float(text.replace("−", "-")) == 0 else "+"
    return with_unit(sign + text, MARGIN_UNITS.get(unit, unit))


def unusual_text(row: dict[str, Any]) -> str:
    """How unusual a difference is, or why that cannot be said."""
    if row["unusual"] is None or row["unusual"] != row["unusual"]:
        return str(row["note"] or "cannot be said")
    return f"{row['unusual']:.1f} times the usual ({int(row['n'])} runs)"


def comparison_rows(comparison: Comparison, *, limit: int | None = None) -> list[dict[str, str]]:
    """The metrics both runs have, the most unusual first, in words."""
    out = []
    for row in comparison.metrics.to_dict("records"):
        if row["difference"] != row["difference"]:
            continue
        name = metric_text(row["metric"], json.loads(row["parameters"]))
        channel = row["channel"]
        out.append(
            {
                "what": name,
                "channel": str(channel) if isinstance(channel, str) and channel else "whole run",
                "first": quantity_text(row["metric"], row["first"], None, row["unit"]),
                "second": quantity_text(row["metric"], row["second"], None, row["unit"]),
                "difference": difference_text(row["metric"], row["difference"], row["unit"]),
                "how unusual": unusual_text({str(k): v for k, v in row.items()}),
            }
        )
    return out if limit is None else out[:limit]


def headline(comparison: Comparison) -> str:
    """The one sentence that leads: what stands out, or that nothing does, or that it cannot be said."""
    metrics = comparison.metrics
    odd = metrics[metrics["is_unusual"]]
    differing = [
        field_words(str(f)) for f in comparison.metadata.loc[comparison.metadata["state"] == "differs", "field"]
    ]
    recorded = f" Recorded as different: {listed(differing)}." if differing else " Nothing recorded differs."
    if not metrics["unusual"].notna().any():
        known = len(comparison.group.runs)
        return (
            f"How unusual the differences are cannot be said: {counted(known, 'comparable run')} "
            f"beside these two, 5 needed.{recorded}"
        )
    if odd.empty:
        return f"No measured number differs by more than runs of this group usually do.{recorded}"
    lead = odd.iloc[0]
    channel = f" on {lead['channel']}" if isinstance(lead["channel"], str) and lead["channel"] else ""
    text = difference_text(lead["metric"], float(lead["difference"]), str(lead["unit"]))
    name = metric_text(str(lead["metric"]), json.loads(str(lead["parameters"])))
    others = len(odd) - 1
    more = f", and {counted(others, 'more number')} beyond the usual" if others else ""
    between = f"from run {comparison.first['run']} to run {comparison.second['run']}"
    return f"Most unusual: {name}{channel}, {text} {between}{more}.{recorded}"


def curves_in_words(curves: CurveComparison, first: int, second: int) -> str:
    """What the aligned curves show, for those who do not see them."""
    if curves.curves.empty:
        return f"The curves cannot be laid over each other: {curves.aligned}."
    text = f"Curves of run {first} and run {second}, aligned {curves.aligned}"
    text += f" (run {second} moved by {number(curves.shift_s, 0)} s)." if round(curves.shift_s) else "."
    ranked = sorted(curves.stretches.items(), key=lambda item: -abs(item[1][2]))
    for name, (start, end, mean) in ranked:
        side = "above" if mean > 0 else "below"
        text += (
            f" {name} of run {second} lies {number(abs(mean), 1)} K {side} run {first} from {start:.0f} to {end:.0f} s"
            " on average, where they differ most."
        )
    if curves.left_out:
        text += f" Only one of the runs has {listed(list(curves.left_out))}."
    return text


def shape_text(shape: Shape | None, run: int) -> str:
    """Whether the curve of `run` is like its group's."""
    if shape is None:
        return ""
    if shape.status == "not evaluated":
        return f"Whether the curve of run {run} is like its group's was not evaluated: {shape.reason}."
    return f"The curve of run {run} is {shape.status} its group's: {shape.reason}."


def fitness_text(comparison: Comparison) -> str:
    """Whether the two may be compared at all; empty when they may."""
    if comparison.alike is None:
        return ""
    return f"Not like with like: {comparison.alike}. Differences then tell little about the oven."
