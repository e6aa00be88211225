"""The oven as a model, and a curve's shape, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from dashboard.words.numbers import counted, number

if TYPE_CHECKING:
    from analysis.curve_shape import Shape
    from analysis.oven_model import Estimate, OvenModel

MODEL_MEANING = (
    "A small model of the oven, fitted to this log's heater duty and curves while it heats: the gain is the rise above the "
    "room that full power would reach in the end, the time constant how slowly it gets there with the door shut, the delay "
    "how long heat takes from the command to the tip. A lower gain than in earlier runs is a weaker oven: heater, mains, "
    "or seal. Intervals are 95 %; they allow for the fit, not for a model that is too simple."
)
ROWS = ("channel", "gain, K", "time constant, s", "delay, s", "misses the curve by, K", "duty to hold 200 °C, %")


def estimate_text(estimate: Estimate | None, decimals: int = 0, factor: float = 1.0) -> str:
    """ "331 (325 to 337)"; nothing for None."""
    if estimate is None:
        return ""
    value, low, high = (number(x * factor, decimals) for x in (estimate.value, estimate.low, estimate.high))
    return f"{value} ({low} to {high})"


def model_rows(model: OvenModel, room_c: float) -> list[tuple[str, ...]]:
    """A row a channel that could be modelled, as ROWS names them."""
    from analysis.oven_model import hold_duty

    return [
        (
            c.channel,
            estimate_text(c.gain_k),
            estimate_text(c.time_constant_s),
            estimate_text(c.delay_s, 1),
            number(c.residual_k),
            estimate_text(hold_duty(c, 200.0 - room_c), 0, 100.0) or "more than full power may give",
        )
        for c in model.channels
        if not c.reason
    ]


def model_lines(model: OvenModel, hold_duty_measured: bool) -> list[str]:
    """What is to be said beside the table: why there is no model, for all or for a channel, and the side difference."""
    if model.reason:
        return [f"No model of the oven, because {_inner(model.reason)}."]
    lines = [f"{c.channel}: no model, because {_inner(c.reason)}." for c in model.channels if c.reason]
    for side in model.sides:
        d = side.difference_k
        told = f"{number(d.value)} K ({number(d.low)} to {number(d.high)} K)"
        lines.append(f"{side.first} less {side.second}, settled {side.at_rise_k:.0f} K above the room: {told}.")
    if any(not c.reason for c in model.channels):
        lines.append(
            "The hold duty above is from the model; this log has a constant hold, and the measured one stands under effort."
            if hold_duty_measured
            else "This log has no constant hold to measure the hold duty from: the one above is from the model."
        )
    return lines


def shape_lines(shape: Shape, run: int) -> list[str]:
    """Whether a run's curve is like its group's, and each stretch that is not."""
    if shape.status == "not evaluated":
        return [f"Whether the curve is like those of comparable runs is not evaluated, because {_inner(shape.reason)}."]
    if shape.status == "like":
        lines = [f"The curves of run {run} are like those of {counted(shape.n, 'comparable run')}."]
    else:
        lines = [f"The curves of run {run} are unlike those of {counted(shape.n, 'comparable run')}:"]
        lines += [
            f"{s.channel}: {abs(s.difference_k):.1f} K {'hotter' if s.difference_k > 0 else 'colder'} than their median, "
            f"from {s.from_s:.0f} to {s.to_s:.0f} s of this run."
            for s in shape.stretches
        ]
    if shape.left_out:
        left = counted(len(shape.left_out), "comparable run lacks", "comparable runs lack")
        lines.append(f"{left} a channel or the length, and {'is' if len(shape.left_out) == 1 else 'are'} left out.")
    return lines


def _inner(text: str) -> str:
    """A reason as the end of a sentence."""
    return text.rstrip(".")


USUAL_ROOM_C = 25.0  # °C: where a room temperature is not recorded


def room_of(run: Mapping[str, Any]) -> float:
    """The room temperature recorded with a run [°C], else a usual one."""
    room = run.get("ambient_c")
    return USUAL_ROOM_C if room is None or room != room else float(room)


def has_hold_duty(metrics: Iterable[Mapping[str, Any]]) -> bool:
    """Whether the log had a constant hold to measure the duty from."""
    return any(m["metric"] == "hold_duty" and m["status"] == "ok" for m in metrics)
