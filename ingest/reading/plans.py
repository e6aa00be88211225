"""What is decided about a column, and what its values can tell: curve, set point, counter, broken sensor."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ingest.reading import physics
from ingest.reading.faults import strip_for_ranking
from ingest.reading.table import Column
from ingest.reading.units import Unit
from ingest.reading.words import NameSays
from ingest.recording import FloatArray, Notice, Question, Role

SENSOR_WORDS = (("t",), ("k",), ("typek",), ("tk",), ("a",), ("ai",), ("ain",))


OFF_WORDS = frozenset(
    ["off", "aus", "false", "0", "no", "idle", "uit", "apagado", "spento", "desligado", "av", "arret", "stop"]
)
TEMPERATURE_KINDS = {"temperature", "place", "setpoint", "average", "smoothed", "ambient", "reference", "extreme"}


@dataclass
class Plan:
    """How one column becomes a channel. `unit` is None for states and for numbers without a unit."""

    column: Column
    role: Role
    unit: Unit | None
    says: NameSays
    judged: bool = True
    confidence: float = 0.9
    reasons: list[str] = field(default_factory=list[str])
    group: bool = False  # its unit is the log's common temperature unit
    celsius: FloatArray | None = None
    marked: np.ndarray | None = None  # True where a number is a fault marker


@dataclass
class Planned:
    plans: list[Plan]
    questions: list[Question] = field(default_factory=list[Question])
    notices: list[Notice] = field(default_factory=list[Notice])
    refusal: str | None = None


def looks_programmed(values: FloatArray) -> float:
    """Share of the samples above cold that lie on long, perfectly flat stretches (a set point holds, a sensor wavers)."""
    good = values[np.isfinite(values)]
    if len(good) < 20:
        return 0.0
    low, high = physics.cold_and_peak(good)
    hot = good > low + 0.25 * (high - low)
    if hot.sum() < 10:
        return 0.0
    change = np.flatnonzero(np.diff(good) != 0)
    edges = np.concatenate([[-1], change, [len(good) - 1]])
    lengths = np.diff(edges)
    long_flat = np.repeat(lengths >= 12, lengths)
    return float((long_flat & hot).sum() / hot.sum())


def is_straight(values: FloatArray) -> bool:
    """True for a trace of straight lines: the slope changes at a few corners only, apart from rounding."""
    good = values[np.isfinite(values)]
    if len(good) < 30:
        return False
    bend = np.abs(np.diff(good, 2))
    steps = np.abs(np.diff(good))
    quantum = float(np.min(steps[steps > 0])) if (steps > 0).any() else 0.0
    return float((bend <= quantum * 1.01 + 1e-9).mean()) > 0.97 and float(np.ptp(good)) > 50 * quantum


def curve_like(values: FloatArray, largest_step: float = 0.12) -> bool:
    """True when the values rise and fall as a heated thing does: in small steps compared with their range."""
    good = strip_for_ranking(values)
    if len(good) < 8:
        return False
    low, high = physics.cold_and_peak(good)
    span = high - low
    if span <= 0:
        return False
    steps = np.abs(np.diff(good))
    return float(np.percentile(steps, 95)) < largest_step * span and len(np.unique(good)) >= 8


def is_broken_sensor(values: FloatArray, column: Column) -> bool:
    good = values[np.isfinite(values)]
    return (len(good) == 0 and bool(column.marks)) or (len(good) > 0 and float(np.ptp(good)) == 0.0)


def is_duty(values: FloatArray) -> bool:
    good = values[np.isfinite(values)]
    return len(good) > 0 and good.min() >= 0 and float(good.max()) in (1.0, 100.0, 255.0)


def flat_levels(values: FloatArray) -> int:
    """How many different hot levels are held dead flat over twelve samples or more."""
    good = values[np.isfinite(values)]
    if len(good) < 20:
        return 0
    low, high = physics.cold_and_peak(good)
    edges = np.concatenate([[-1], np.flatnonzero(np.diff(good) != 0), [len(good) - 1]])
    held = good[edges[1:]][np.diff(edges) >= 12]
    return len(set(held[held > low + 0.25 * (high - low)].tolist()))


def is_no_counter(values: FloatArray) -> bool:
    return float((np.diff(values[np.isfinite(values)]) >= 0).mean()) < 0.97


def is_whole(values: FloatArray) -> bool:
    good = values[np.isfinite(values)]
    return bool(len(good)) and bool((good == np.floor(good)).all())


def resolution_of(values: FloatArray) -> float:
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if len(steps) else 0.0
