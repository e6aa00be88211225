"""Window limits as typed on the command line, to the rows a window is stored as.

`LOW:HIGH` with either side empty for an open end: "235:250", ":3", "60:". A soak also names its two temperatures:
"150:200:60:120".
"""

from __future__ import annotations

from dashboard.commands.output import wrong_usage

RAMP_WINDOW_S = 20  # s: the window steepest ramps are measured over; part of the limit's definition

LimitRow = tuple[str, str, float | None, float | None, str]  # metric, canonical parameters, low, high, unit


def limit_rows(
    liquidus_c: float | None,
    peak: str | None = None,
    above_liquidus: str | None = None,
    soak: str | None = None,
    ramp_up: str | None = None,
    cooling: str | None = None,
    spread: str | None = None,
) -> list[LimitRow]:
    """The limits given, each with the parameters that define its metric. [°C], [s], [°C/s], [K]."""
    from analysis.quantities import QUANTITIES
    from analysis.results import canonical_parameters

    rows: list[LimitRow] = []

    def add(metric: str, parameters: dict[str, float], bounds: tuple[float | None, float | None]) -> None:
        plain = {key: int(value) if float(value).is_integer() else value for key, value in parameters.items()}
        rows.append((metric, canonical_parameters(plain), *bounds, QUANTITIES[metric].unit))

    if peak is not None:
        add("peak_c", {}, _bounds("--peak", peak))
    if above_liquidus is not None:
        if liquidus_c is None:
            raise wrong_usage("a time above liquidus needs the paste's liquidus: give --alloy or --liquidus.")
        add("time_above_liquidus_s", {"liquidus_c": liquidus_c}, _bounds("--above-liquidus", above_liquidus))
    if soak is not None:
        parts = soak.split(":")
        if len(parts) != 4:
            raise wrong_usage(f"'{soak}' is not FROM:TO:LOW:HIGH. Example: --soak 150:200:60:120 (°C, °C, s, s)")
        start, end = _value("--soak", parts[0]), _value("--soak", parts[1])
        if start is None or end is None or start >= end:
            raise wrong_usage("a soak needs its two temperatures, the lower first. Example: --soak 150:200:60:120")
        add("soak_time_s", {"low_c": start, "high_c": end}, _bounds("--soak", ":".join(parts[2:])))
    if ramp_up is not None:
        add("ramp_up_max_c_per_s", {"window_s": RAMP_WINDOW_S}, _bounds("--ramp-up", ramp_up))
    if cooling is not None:
        add("cooling_rate_max_c_per_s", {"window_s": RAMP_WINDOW_S}, _bounds("--cooling", cooling))
    if spread is not None:
        add("spread_at_peak_c", {}, _bounds("--spread", spread))
    return rows


def _bounds(option: str, text: str) -> tuple[float | None, float | None]:
    low_text, colon, high_text = text.partition(":")
    if not colon:
        raise wrong_usage(f"'{text}' for {option} is not LOW:HIGH. Leave a side empty for an open end, as in ':250'.")
    low, high = _value(option, low_text), _value(option, high_text)
    if low is None and high is None:
        raise wrong_usage(f"{option} names no limit. Write LOW:HIGH, or one of them.")
    if low is not None and high is not None and low >= high:
        raise wrong_usage(f"'{text}' for {option} has its low limit above its high one.")
    return low, high


def _value(option: str, text: str) -> float | None:
    text = text.strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise wrong_usage(f"'{text}' for {option} is not a number.") from None
    if value != value or value in (float("inf"), float("-inf")):
        raise wrong_usage(f"'{text}' for {option} is not a number.")
    return value
