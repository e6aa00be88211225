"""Logs made by hand for the tests of the checks (invented), and how their findings are read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.checks import History, check_channels
from analysis.results import Context, Finding, MetricValue
from ingest.recording import Channel, Recording

T = np.arange(0.0, 400.0)
# A plain profile: rest, ramp to 150, hold, ramp to 240, cool.
PROFILE = np.interp(T, [0, 10, 110, 180, 260, 280, 400], [25, 25, 150, 165, 240, 240, 80])
STOP_SENSOR = "Sensor not believable: do not run."
STOP_HEAT = "Heat with command at zero: switch off at the wall now."


def noisy(values: np.ndarray, seed: int, scatter: float = 0.1) -> np.ndarray:
    return values + np.random.default_rng(seed).normal(0, scatter, len(values))


def log(
    *temperatures: np.ndarray,
    setpoint: np.ndarray | None = None,
    duty: np.ndarray | None = None,
    elapsed: np.ndarray = T,
) -> Recording:
    channels = [Channel(f"TC{k + 1}", "temperature", "°C", v) for k, v in enumerate(temperatures)]
    if setpoint is not None:
        channels.append(Channel("set point", "setpoint", "°C", setpoint))
    if duty is not None:
        channels.append(Channel("duty", "duty", "%", duty))
    return Recording(elapsed, tuple(channels))


def look(
    recording: Recording,
    context: Context = Context(),  # noqa: B008 - frozen
    metrics: Sequence[MetricValue] = (),
    history: History | None = None,
) -> list[Finding]:
    return check_channels(recording, context, metrics, history)


def loud(findings: list[Finding]) -> list[tuple[str, int | None, str]]:
    return [(f.code, f.channel, f.state) for f in findings if f.state in ("suspect", "fail")]


def reason(findings: list[Finding], code: str) -> str:
    [found] = [f for f in findings if f.code == code]
    assert found.state == "not evaluated"
    return found.evidence


def three(scale: float = 1.0) -> list[np.ndarray]:
    """Three honest places: equal, 3 % hotter, 3 % colder."""
    return [noisy(25 + (PROFILE - 25) * scale * g, k) for k, g in enumerate((1.0, 1.03, 0.97))]
