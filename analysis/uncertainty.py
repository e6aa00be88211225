"""The uncertainty budget of one temperature channel, and how it reaches each metric (GUM, JCGM 100; k = 2).

A reading is off by terms of three kinds, and a metric feels each kind differently:

- *offset*: the same at every temperature of the run. Moves a peak in full, a ramp not at all, a time above liquidus by
  the seconds a degree is worth on both slopes.
- *growing*: proportional to the height above the room, stated at the peak. Moves a ramp in proportion.
- *random*: new at every sample (noise, resolution, and what happens between two samples).

Each part is also either *common* to all channels read by one input board or a channel's *own*; only own parts move a
spread, a melt lag or any other difference between channels.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
K_FACTOR = 2.0  # coverage factor; about 95 % for a normal distribution (JCGM 100, 6.2)
ROOM_C = 25.0  # where growing terms are zero when the start of the run is not known

# name -> (default, unit, what it is, source of the default). Half-widths are limits of a rectangular distribution.
TERMS: dict[str, tuple[float | None, str, str, str]] = {
    "tolerance_k": (
        2.5,
        "K",
        "type K tolerance, half-width",
        "IEC 60584-1 class 2 up to 333 °C (class 1: 1.5; ASTM E230 standard 2.2, special 1.1); new wire only",
    ),
    "tolerance_fraction": (
        0.0075,
        "1",
        "type K tolerance as a fraction of the temperature, where greater",
        "IEC 60584-1 class 2 and ASTM E230 standard (class 1 and special: 0.004)",
    ),
    "tolerance_common": (
        0.5,
        "1",
        "share of the tolerance's variance that thermocouples of one wire batch have in common",
        "common practice, no source; 0 for thermocouples bought singly",
    ),
    "input_k": (
        2.0,
        "K",
        "input circuit and reference junction, half-width, common to all channels of the board",
        "usual range 1 to 3 K, trade knowledge, no source",
    ),
    "attachment_k": (
        3.0,
        "K",
        "attachment of the tip, half-width at peak",
        "budget example of the trade, no source; tape is worse than solder (university comparison of methods)",
    ),
    "attachment_common": (
        0.5,
        "1",
        "share of the attachment's variance that belongs to the method (same person, same way)",
        "common practice, no source",
    ),
    "resolution_k": (None, "K", "step of the reading", "from the log itself: the smallest step it shows"),
    "sampling_k_per_s": (
        0.2,
        "K/s",
        "what a curve does between two samples, half-width per second of interval",
        "logging every 5 s rounds a short peak by up to 1 °C, trade knowledge, no source",
    ),
    "noise_k": (None, "K", "standard deviation of one sample", "from the log itself: second differences"),
}
_TOLERANCE_GROWS = 0.5  # the norm gives a bound, not a shape: half the variance as an offset, half growing
_ATTACHMENT_GROWS = 1.0  # a badly fixed tip is right when everything is cold

# Half-widths by way of fixing, used when the placement names one and the oven's budget does not override it. The order
# follows a university comparison (tape poorest, high-temperature solder and aluminium tape best); the sizes are ours.
ATTACHMENT_K = {"solder": 2.0, "aluminium tape": 2.0, "adhesive": 3.0, "polyimide tape": 5.0, "clip": 5.0}

TOLERANCE_CLASSES = {  # name -> (half-width [K], fraction of the temperature [1]); both sides of the reading
    "IEC 60584-1 class 1": (1.5, 0.004),
    "IEC 60584-1 class 2": (2.5, 0.0075),
    "ASTM E230 special": (1.1, 0.004),
    "ASTM E230 standard": (2.2, 0.0075),
}


def tolerance_k(temperature_c: float | FloatArray, half_width_k: float = 2.5, fraction: float = 0.0075) -> FloatArray:
    """Tolerance [K] of type K wire at a temperature [°C]: the greater of a fixed width and a share (IEC 60584-1)."""
    return np.maximum(half_width_k, fraction * np.abs(temperature_c))


def combine(standard: FloatArray, sensitivity: FloatArray) -> float:
    """Combined standard uncertainty of independent inputs, JCGM 100 equation (10), first order."""
    return float(np.sqrt(np.sum((np.asarray(standard) * np.asarray(sensitivity)) ** 2)))


@dataclass(frozen=True)
class Errors:
    """Standard uncertainties [K] of the channels of one run, by kind; arrays (rows,).

    `offset`, `grow` are the whole of each kind, `offset_own`, `grow_own` what channels do not share. `grow` is at the
    peak. `random` is one sample's. `height` [K] is the peak above the room, `room_c` [°C] where growing parts vanish.
    """

    offset: FloatArray
    grow: FloatArray
    offset_own: FloatArray
    grow_own: FloatArray
    random: FloatArray
    height: FloatArray
    room_c: FloatArray

    def share(self, temperature_c: float | FloatArray) -> FloatArray:
        """Part of the growing error that is there at a temperature: 0 at room, 1 at the peak."""
        return np.maximum(temperature_c - self.room_c, 0.0) / self.height

    def at(self, temperature_c: float | FloatArray) -> FloatArray:
        """Standard uncertainty [K] of what does not change from sample to sample, at a temperature."""
        return np.sqrt(self.offset**2 + (self.grow * self.share(temperature_c)) ** 2)

    def expanded(
        self,
        per_offset: FloatArray | float,
        per_grow: FloatArray | float,
        random_part: FloatArray | float = 0.0,
    ) -> FloatArray:
        """Expanded uncertainty (k = 2) of a metric that changes by `per_offset` for an offset of 1 K, by `per_grow` for
        a growing error of 1 K at the peak, with a random part given as a standard uncertainty in its own unit."""
        return K_FACTOR * np.sqrt((per_offset * self.offset) ** 2 + (per_grow * self.grow) ** 2 + random_part**2)


def errors(
    budget: Mapping[str, float],
    peak_c: FloatArray,
    room_c: FloatArray,
    noise_k: FloatArray,
    step_k: FloatArray,
    interval_s: float,
    attachment_k: FloatArray | None = None,
) -> Errors:
    """Standard uncertainties of each channel under a budget.

    `budget` holds overrides of TERMS (unknown names are ignored, a missing or None value is the default); `peak_c`,
    `room_c` [°C], `noise_k` (one sample's standard deviation) and `step_k` (smallest step seen) [K], all (rows,);
    `interval_s` the sampling interval; `attachment_k` half-widths by placement, NaN for the default.
    """
    half = tolerance_k(peak_c, term(budget, "tolerance_k"), term(budget, "tolerance_fraction"))
    wire = half**2 / 3.0
    board = term(budget, "input_k") ** 2 / 3.0
    if attachment_k is None or budget.get("attachment_k") is not None:
        fixing = np.full(len(peak_c), term(budget, "attachment_k") ** 2 / 3.0)
    else:
        fixing = np.where(np.isnan(attachment_k), term(budget, "attachment_k"), attachment_k) ** 2 / 3.0
    wire_own, fixing_own = 1.0 - term(budget, "tolerance_common"), 1.0 - term(budget, "attachment_common")
    offset = wire * (1.0 - _TOLERANCE_GROWS) + fixing * (1.0 - _ATTACHMENT_GROWS) + board
    grow = wire * _TOLERANCE_GROWS + fixing * _ATTACHMENT_GROWS
    offset_own = wire * (1.0 - _TOLERANCE_GROWS) * wire_own + fixing * (1.0 - _ATTACHMENT_GROWS) * fixing_own
    grow_own = wire * _TOLERANCE_GROWS * wire_own + fixing * _ATTACHMENT_GROWS * fixing_own
    noise = noise_k if budget.get("noise_k") is None else np.full(len(peak_c), float(budget["noise_k"]))
    step = step_k if budget.get("resolution_k") is None else np.full(len(peak_c), float(budget["resolution_k"]))
    sampling = term(budget, "sampling_k_per_s") * interval_s
    random = np.sqrt(noise**2 + step**2 / 12.0 + sampling**2 / 3.0)
    height = np.maximum(peak_c - room_c, 1.0)
    return Errors(np.sqrt(offset), np.sqrt(grow), np.sqrt(offset_own), np.sqrt(grow_own), random, height, room_c)


def term(budget: Mapping[str, float], name: str) -> float:
    """A budget term: the oven's own value, or the default."""
    value = budget.get(name)
    if value is None:
        value = TERMS[name][0]
    if value is None:
        raise ValueError(f"the budget term {name} has no default: it is taken from the log")
    return float(value)


@dataclass(frozen=True)
class BudgetRow:
    """One line of the budget as shown: standard uncertainty `u` [K] at the peak, and whether all channels share it."""

    name: str
    text: str
    half_width: float | None
    distribution: str
    u: float
    common: str
    source: str
    overridden: bool


def budget_table(
    budget: Mapping[str, float],
    *,
    peak_c: float = 245.0,
    noise_k: float = 0.3,
    step_k: float = 0.25,
    interval_s: float = 1.0,
) -> tuple[list[BudgetRow], float]:
    """The budget of one channel's peak as rows a person can read and edit, and its expanded uncertainty U (k = 2) [K].

    `noise_k`, `step_k`, `interval_s` are the log's own (the defaults are an example controller's: say so when shown).
    """
    half = float(tolerance_k(peak_c, term(budget, "tolerance_k"), term(budget, "tolerance_fraction")))
    noise = noise_k if budget.get("noise_k") is None else float(budget["noise_k"])
    step = step_k if budget.get("resolution_k") is None else float(budget["resolution_k"])
    sampling = term(budget, "sampling_k_per_s") * interval_s
    root3 = 3.0**0.5
    lines = (
        ("tolerance_k", half, "rectangular", half / root3, f"{term(budget, 'tolerance_common'):.0%} of the variance"),
        ("input_k", term(budget, "input_k"), "rectangular", term(budget, "input_k") / root3, "yes"),
        (
            "attachment_k",
            term(budget, "attachment_k"),
            "rectangular",
            term(budget, "attachment_k") / root3,
            f"{term(budget, 'attachment_common'):.0%} of the variance",
        ),
        ("resolution_k", step / 2, "rectangular", step / 12**0.5, "no"),
        ("sampling_k_per_s", sampling, "rectangular", sampling / root3, "no"),
        ("noise_k", None, "normal", noise, "no"),
    )
    rows = [
        BudgetRow(name, TERMS[name][2], width, shape, u, common, TERMS[name][3], budget.get(name) is not None)
        for name, width, shape, u, common in lines
    ]
    return rows, K_FACTOR * float(np.sqrt(sum(row.u**2 for row in rows)))


def usable_budget(budget: Mapping[str, object]) -> dict[str, float]:
    """The overrides that are numbers of a known term and in range; anything else is left at its default.

    `problems_of` says what was wrong; a budget is checked there before it is stored.
    """
    return {name: float(value) for name, value in budget.items() if not _problem(name, value)}  # pyright: ignore[reportArgumentType]


def problems_of(budget: Mapping[str, object]) -> list[str]:
    """One line for each entry that is no term of the budget or no possible value of it; empty when all is well."""
    return [text for name, value in budget.items() if (text := _problem(name, value))]


def _problem(name: str, value: object) -> str | None:
    if name not in TERMS:
        return f"the budget has no term {name}: there are {', '.join(TERMS)}"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value) or value < 0:
        return f"{name} must be a number of 0 or more, not {value!r}"
    if name.endswith("_common") and value > 1:
        return f"{name} is a share between 0 and 1, not {value!r}"
    return None
