"""Which definitions one evaluation computes: the parameters that are part of every metric's name.

A limit names its metric and parameters; each such definition is computed, beside a standard set that drift and
comparison need on every run. Parameter texts are canonical JSON (`analysis.results.canonical_parameters`) with whole
numbers written without a decimal point, so that 150 and 150.0 are the same definition.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from analysis.results import Context, canonical_parameters

RAMP_WINDOW_S = (
    20.0  # s: at 1 °C/s, 0.25 °C steps and 0.3 °C noise, 20 s keeps the largest slope within 2 % (domain brief)
)
BELOW_PEAK_K = 5.0  # K: "within 5 °C of peak", J-STD-020 table 5-2
START_C = 25.0  # °C: "time 25 °C to peak", J-STD-020 table 5-2
FULL_POWER = 0.98  # on-fraction taken as full power: 8-bit drives often top out at 254/255 or 98 to 99 %
LOW_RAMP = (60.0, 120.0)  # °C
HIGH_RAMP = (180.0, 220.0)  # °C
HOLD_S = 60.0  # s of the end of a hold
COOLING_FRACTIONS = (0.7, 0.35)  # of the peak's height above the room

# Soak pairs by liquidus when no window names one: J-STD-020 (SnPb, Pb-free), a bismuth paste's data sheet.
_SOAK_BY_LIQUIDUS = ((160.0, (110.0, 139.0)), (210.0, (100.0, 150.0)), (1000.0, (150.0, 200.0)))


def parameters(**values: Any) -> str:
    """Canonical text of a definition's parameters; whole floats are written as integers."""
    return canonical_parameters({k: _plain(v) for k, v in values.items()})


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


@lru_cache(maxsize=4096)
def canonical(text: str) -> str:
    """A parameter text as typed or stored -> its canonical form. Text that is not a JSON object stays as it is."""
    try:
        found = json.loads(text) if text else {}
    except ValueError:
        return text
    return parameters(**found) if isinstance(found, dict) else text


@dataclass(frozen=True)
class Plan:
    """Every definition to compute, each with its parameter text last. Temperatures in °C, windows in s."""

    liquidus: tuple[tuple[float, str], ...]
    soaks: tuple[tuple[float, float, str], ...]
    soak_ends: tuple[tuple[float, str], ...]
    ramp_means: tuple[tuple[float, float | None, str], ...]  # to None: the peak
    ramp_windows: tuple[tuple[float, str], ...]
    starts: tuple[tuple[float, str], ...]
    near_peak: tuple[tuple[float | None, float, str], ...]  # reference None: the measured peak; (reference, below_k)
    cooling_windows: tuple[tuple[float, str], ...]
    cooling_means: tuple[tuple[float, str], ...]
    levels: tuple[float, ...]  # every fixed temperature whose upward or downward crossing is needed
    unknown: tuple[tuple[str, str, str], ...]  # (metric, parameters, reason) that a limit asks for and nobody computes


def plan_for(context: Context) -> Plan:
    """The plan of a context; the same context always gives the same plan."""
    asked = tuple(dict.fromkeys((limit.metric, canonical(limit.parameters)) for limit in context.limits))
    return _plan(asked, context.liquidus_c, context.classification_c)


@lru_cache(maxsize=1024)
def _plan(asked: tuple[tuple[str, str], ...], liquidus_c: float | None, classification_c: float | None) -> Plan:
    liquidus: dict[str, tuple[float, str]] = {}
    soaks: dict[str, tuple[float, float, str]] = {}
    ramps: dict[str, tuple[float, float | None, str]] = {}
    windows: dict[str, tuple[float, str]] = {}
    starts: dict[str, tuple[float, str]] = {}
    near: dict[str, tuple[float | None, float, str]] = {}
    cool_windows: dict[str, tuple[float, str]] = {}
    cools: dict[str, tuple[float, str]] = {}
    ends: dict[str, tuple[float, str]] = {}
    unknown: list[tuple[str, str, str]] = []

    def soak(low: float, high: float) -> None:
        text = parameters(low_c=low, high_c=high)
        soaks[text] = (low, high, text)

    def ramp(start: float, end: float | None) -> None:
        text = parameters(from_c=start, to_c="peak" if end is None else end)
        ramps[text] = (start, end, text)

    def near_peak(reference: float | None, below: float) -> None:
        text = parameters(reference="peak" if reference is None else reference, below_k=below)
        near[text] = (reference, below, text)

    for value in _present(liquidus_c):
        text = parameters(liquidus_c=value)
        liquidus[text] = (value, text)
        ramp(value, None)
        text = parameters(to_c=value)
        cools[text] = (value, text)
    for metric, text in asked:
        try:
            p = json.loads(text)
            if metric.startswith("time_above_liquidus") or metric == "melt_lag_s":
                liquidus[text] = (float(p["liquidus_c"]), text)
            elif metric == "soak_time_s":
                soak(float(p["low_c"]), float(p["high_c"]))
            elif metric == "spread_end_of_soak_c":
                ends[text] = (float(p["high_c"]), text)
            elif metric == "ramp_up_mean_c_per_s":
                ramp(float(p["from_c"]), None if p["to_c"] == "peak" else float(p["to_c"]))
            elif metric == "ramp_up_max_c_per_s":
                windows[text] = (float(p["window_s"]), text)
            elif metric == "cooling_rate_max_c_per_s":
                cool_windows[text] = (float(p["window_s"]), text)
            elif metric == "cooling_rate_mean_c_per_s":
                cools[text] = (float(p["to_c"]), text)
            elif metric == "time_to_peak_s":
                starts[text] = (float(p["from_c"]), text)
            elif metric == "time_near_peak_s":
                near_peak(None if p["reference"] == "peak" else float(p["reference"]), float(p["below_k"]))
        except (ValueError, KeyError, TypeError):
            unknown.append((metric, text, f"the limit's parameters {text} do not define {metric}"))
    if not soaks:
        soak(*_default_soak(liquidus_c))
    text = parameters(window_s=RAMP_WINDOW_S)
    windows.setdefault(text, (RAMP_WINDOW_S, text))
    cool_windows.setdefault(text, (RAMP_WINDOW_S, text))
    text = parameters(from_c=START_C)
    starts.setdefault(text, (START_C, text))
    for _, high, _ in tuple(soaks.values()):
        ramp(high, None)
        text = parameters(high_c=high)
        ends[text] = (high, text)
    near_peak(None, BELOW_PEAK_K)
    for value in _present(classification_c):
        near_peak(value, BELOW_PEAK_K)

    levels = {x for x, _ in liquidus.values()} | {x for low, high, _ in soaks.values() for x in (low, high)}
    levels |= {x for low, high, _ in ramps.values() for x in (low, high) if x is not None}
    for group in (starts, cools, ends):
        levels |= {x for x, _ in group.values()}
    levels |= {*LOW_RAMP, *HIGH_RAMP}
    return Plan(
        tuple(liquidus.values()),
        tuple(soaks.values()),
        tuple(ends.values()),
        tuple(ramps.values()),
        tuple(windows.values()),
        tuple(starts.values()),
        tuple(near.values()),
        tuple(cool_windows.values()),
        tuple(cools.values()),
        tuple(sorted(levels)),
        tuple(unknown),
    )


def _present(value: float | None) -> Iterable[float]:
    return () if value is None else (float(value),)


def _default_soak(liquidus_c: float | None) -> tuple[float, float]:
    melts = 217.0 if liquidus_c is None else liquidus_c
    return next(pair for top, pair in _SOAK_BY_LIQUIDUS if melts < top)
