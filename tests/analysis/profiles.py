"""Recordings for the tests of metrics: the exact profiles of tests/reference and curves made of straight lines."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from analysis.results import Context, MetricValue, canonical_parameters
from ingest.recording import Channel, Recording

REFERENCE = Path(__file__).parents[1] / "reference"


def reference(name: str) -> Any:
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


EXACT = {p["name"]: p for p in reference("profile_piecewise_exact.json")["profiles"]}


def exact_recording(name: str, step_s: float = 0.5) -> Recording:
    """An exact profile sampled on a grid that contains its vertices."""
    corner = np.array(EXACT[name]["vertices_s_C"])
    t = np.unique(np.concatenate((np.arange(0.0, corner[-1, 0], step_s), corner[:, 0])))
    return Recording(t, (temperature("tc1", np.interp(t, corner[:, 0], corner[:, 1])),))


def temperature(name: str, values: Any, **more: Any) -> Channel:
    return Channel(name, "temperature", "°C", np.asarray(values, dtype=np.float64), **more)


def lines(corners: Sequence[tuple[float, float]], step_s: float = 1.0, end_s: float | None = None):
    """Times and values of a curve of straight lines through (seconds, °C)."""
    c = np.array(corners, dtype=np.float64)
    t = np.arange(0.0, (c[-1, 0] if end_s is None else end_s) + 1e-9, step_s)
    return t, np.interp(t, c[:, 0], c[:, 1])


def recording(t: Any, *channels: Channel) -> Recording:
    return Recording(np.asarray(t, dtype=np.float64), channels)


def value_of(metrics: Sequence[MetricValue], metric: str, channel: int | None = 0, **parameters: Any) -> MetricValue:
    """The one value of a metric on a channel; `parameters` narrow it down where there are several."""
    found = [m for m in metrics if m.metric == metric and m.channel == channel]
    if parameters:
        found = [m for m in found if m.parameters == canonical_parameters(parameters)]
    assert len(found) == 1, f"{len(found)} values of {metric} {parameters}"
    return found[0]


def context(liquidus_c: float | None = 217.0, **more: Any) -> Context:
    return Context(liquidus_c=liquidus_c, **more)


def budget_of_nothing() -> Mapping[str, float]:
    """A budget in which only what the test sets is uncertain."""
    zero = (
        "tolerance_k",
        "tolerance_fraction",
        "input_k",
        "attachment_k",
        "resolution_k",
        "sampling_k_per_s",
        "noise_k",
    )
    return dict.fromkeys(zero, 0.0)
