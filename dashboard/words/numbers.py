"""Numbers, units, counts and lists as people read them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.quantities import QUANTITIES

# A margin of a temperature is a difference: shown in K, never converted with an offset.
MARGIN_UNITS = {"°C": "K"}
_UNIT_ONE = {"1", "", None}


def number(value: float, decimals: int = 1) -> str:
    """A number with fixed decimals and a true minus sign; "-0.0" is written 0.0."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def decimals_of(metric: str) -> int:
    return QUANTITIES[metric].decimals if metric in QUANTITIES else 2


def with_unit(text: str, unit: str | None) -> str:
    """The unit after the number; the unit "1" of fractions and counts is not written."""
    return text if unit in _UNIT_ONE else f"{text} {unit}"


def quantity_text(metric: str, value: float | None, uncertainty: float | None, unit: str | None) -> str:
    """A value with its expanded uncertainty and unit, as "238.2 ± 5.1 °C"; no value gives an empty text.

    Rounded to two significant figures of the uncertainty (JCGM 100, 7.2.6), and never finer than the quantity's own
    decimals. Fractions are written in percent.
    """
    if value is None:
        return ""
    places = decimals_of(metric)
    if metric in QUANTITIES and QUANTITIES[metric].kind == "fraction":
        value, uncertainty, unit, places = (
            value * 100,
            None if uncertainty is None else uncertainty * 100,
            "%",
            places - 2,
        )
    if uncertainty:
        places = max(0, min(places, 1 - math.floor(math.log10(uncertainty))))
    text = number(value, places)
    if uncertainty is not None:
        text += f" ± {number(uncertainty, places)}"
    return with_unit(text, unit)


def margin_text(metric: str, margin: float, unit: str | None) -> str:
    """A margin in words: "4.2 K inside" or "12.0 s outside"."""
    side = "inside" if margin >= 0 else "outside"
    return f"{with_unit(number(abs(margin), decimals_of(metric)), MARGIN_UNITS.get(unit or '', unit))} {side}"


def counted(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(items: Sequence[str], joint: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def ranges(numbers: Sequence[int]) -> str:
    """Whole numbers with neighbours drawn together, as "2-4,9"."""
    parts: list[list[int]] = []
    for number_ in sorted(set(numbers)):
        if parts and number_ == parts[-1][-1] + 1:
            parts[-1].append(number_)
        else:
            parts.append([number_])
    return ",".join(str(p[0]) if len(p) == 1 else f"{p[0]}-{p[-1]}" for p in parts)


def duration(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "unknown"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"
