"""Faults planted in the simulated oven, each with a size: what a log shows when this is wrong (invented data).

`plant(name, ...)` gives a case: the recording, the context, the run's history if the fault needs one, and which channel
is at fault (None: the run). Sizes: 1 is clear; smaller numbers shrink the physical size in proportion.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from simulated_oven import Bake, Oven, any_oven, bake, recording_of

from analysis.checks import History, build_history
from analysis.metrics import measure
from analysis.results import Context
from ingest.recording import Channel, Fault, Recording, quantise_elapsed, quantise_values


@dataclass(frozen=True)
class Case:
    recording: Recording
    context: Context
    history: History | None = None
    channel: int | None = None
    # Codes that are true consequences of the planted fault and may stand beside it.
    also: frozenset[str] = frozenset()


def context_of(oven: Oven, rng: np.random.Generator, *, room: bool = True) -> Context:
    ambient = float(np.round(oven.room_c + rng.normal(0, 0.5), 1)) if room else None
    idle = 7200.0 if oven.warm_k == 0 else 600.0
    return Context(ambient_c=ambient, control_channel=oven.tips[oven.control].name, idle_s=idle, liquidus_c=217.0)


def another_day(oven: Oven, rng: np.random.Generator, **fixed: object) -> Oven:
    """The same oven and board on another day: other room, tips taped anew, sometimes warm."""
    tips = tuple(
        replace(
            t,
            side=t.side + float(rng.normal(0, 0.006)),
            board_tau_s=t.board_tau_s * float(np.exp(rng.normal(0, 0.06))),
            offset_k=t.offset_k + float(rng.normal(0, 0.1)),
        )
        for t in oven.tips
    )
    values: dict[str, object] = {
        "tips": tips,
        "room_c": float(rng.uniform(17, 27)),
        "warm_k": float(rng.uniform(5, 40)) if rng.random() < 0.25 else 0.0,
        **fixed,
    }
    return replace(oven, **values)  # type: ignore[arg-type]


def history_of(oven: Oven, rng: np.random.Generator, runs: int = 10) -> History | None:
    rows: list[tuple[int, str, str, float, str]] = []
    for run in range(runs):
        day = another_day(oven, rng)
        recording = recording_of(bake(day), rng)
        for m in measure(recording, context_of(day, rng)):
            if m.channel is not None and m.value is not None:
                rows.append((run, recording.channels[m.channel].name, m.metric, m.value, m.status))
    return build_history(pd.DataFrame(rows, columns=["run", "channel", "metric", "value", "status"]))


def with_values(recording: Recording, number: int, values: np.ndarray, faults: tuple[Fault, ...] = ()) -> Recording:
    channels = list(recording.channels)
    channels[number] = replace(channels[number], values=quantise_values(values), faults=faults)
    return replace(recording, channels=tuple(channels))


def pick(oven: Oven, rng: np.random.Generator) -> int:
    return int(rng.integers(len(oven.tips)))


def heating_time(oven: Oven, rng: np.random.Generator) -> float:
    corners = oven.profile
    return oven.idle_s + float(rng.uniform(0.2 * corners[1][0], corners[3][0]))


Planter = Callable[[np.random.Generator, float], Case]
FAULTS: dict[str, Planter] = {}
# Comparing peaks needs whole runs: the log goes on until the oven has come down.
WHOLE = {"door_tau_s": 40.0, "element_k_per_s": 4.5, "interval_s": 1.0}


def whole_run(oven: Oven) -> Oven:
    return replace(oven, length_s=oven.idle_s + oven.profile[-1][0] + 150.0)


def _planter(function: Planter) -> Planter:
    FAULTS[function.__name__] = function
    return function


def plant(name: str, rng: np.random.Generator, size: float = 1.0) -> Case:
    return FAULTS[name](rng, size)


def sensor_case(oven: Oven, made: Bake, rng: np.random.Generator, channel: int | None, *also: str) -> Case:
    danger = ("runaway", "heat_at_zero_command") if channel == oven.control else ()
    return Case(recording_of(made, rng), context_of(oven, rng), None, channel, frozenset((*also, *danger)))


@_planter
def stuck(rng: np.random.Generator, size: float) -> Case:
    """Frozen from a moment while heating: for the rest of the run at size 1, shorter below."""
    oven = any_oven(rng)
    row, start = pick(oven, rng), heating_time(oven, rng)
    until = start + (oven.length_s if size >= 1 else 60.0 * size)
    held: list[float] = []

    def distort(t: float, seen: np.ndarray) -> np.ndarray:
        if start <= t < until:
            if not held:
                held.append(float(np.round(seen[row], 1)))
            seen[row] = held[0]
        return seen

    return sensor_case(oven, bake(oven, distort), rng, row)


@_planter
def reversed(rng: np.random.Generator, size: float) -> Case:
    """Type K mirrored about the terminals (25 to 35 °C); lost below -200 °C, or cut off at 0 by the input."""
    oven = any_oven(rng)
    row = pick(oven, rng)
    terminal = oven.room_c + float(rng.uniform(0, 8))
    cut = rng.random() < 0.3 and oven.warm_k == 0  # on a warm start such an input shows nothing but 0

    def distort(_: float, seen: np.ndarray) -> np.ndarray:
        mirrored = terminal - (seen[row] - terminal) * size * 1.05
        seen[row] = max(mirrored, 0.0) if cut else (mirrored if mirrored > -200 else np.nan)
        return seen

    return sensor_case(oven, bake(oven, distort), rng, row, "open", "stuck")


@_planter
def open(rng: np.random.Generator, size: float) -> Case:
    """Open from a moment on, for 60 s times size: full scale, a rail, or a fault marker."""
    oven = any_oven(rng)
    recording = recording_of(bake(oven), rng)
    row, start = pick(oven, rng), heating_time(oven, rng)
    t = recording.elapsed_s
    gone = (t >= start) & (t < start + 60.0 * size)
    kind = rng.choice(["full scale", "bottom", "zero", "marker"])
    level = {"full scale": 1372.0, "bottom": -200.0, "zero": 0.0, "marker": np.nan}[str(kind)]
    faults = tuple(Fault(float(x), "OPEN", "open") for x in t[gone]) if kind == "marker" else ()
    values = np.where(gone, level, recording.channels[row].values)
    return Case(with_values(recording, row, values, faults), context_of(oven, rng), None, row)


@_planter
def dropout(rng: np.random.Generator, size: float) -> Case:
    """Five stretches of 2 to 10 s (times size) without a value."""
    oven = any_oven(rng)
    recording = recording_of(bake(oven), rng)
    row = pick(oven, rng)
    t, values = recording.elapsed_s, recording.channels[row].values.copy()
    for start in rng.uniform(20, recording.duration_s - 40, 5):
        values[(t >= start) & (t < start + max(oven.interval_s, size * float(rng.uniform(2, 10))))] = np.nan
    return Case(with_values(recording, row, values), context_of(oven, rng), None, row)


@_planter
def spike(rng: np.random.Generator, size: float) -> Case:
    """Six single readings 40 to 80 K (times size) away."""
    oven = any_oven(rng)
    recording = recording_of(bake(oven), rng)
    row = pick(oven, rng)
    values = recording.channels[row].values.copy()
    places = rng.choice(np.arange(3, len(values) - 3, 4), 6, replace=False)
    values[places] += size * rng.uniform(40, 80, 6) * rng.choice([-1, 1], 6)
    return Case(with_values(recording, row, values), context_of(oven, rng), None, row)


@_planter
def heater_noise(rng: np.random.Generator, size: float) -> Case:
    """Scatter of 4 K (times size) on one channel whenever the heater is on."""
    oven = any_oven(rng, noise_k=float(rng.choice([0.05, 0.15, 0.3])), interval_s=float(rng.choice([0.5, 1.0, 2.0])))
    row = pick(oven, rng)

    def noisy(values: np.ndarray, duty: np.ndarray) -> np.ndarray:
        values[row] += np.where(duty > 0.05, rng.normal(0, 4.0 * size, values.shape[1]), 0.0)
        return values

    recording = recording_of(bake(oven), rng, extra_noise=noisy)
    return Case(recording, context_of(oven, rng), None, row, frozenset({"spike"}))


@_planter
def twin(rng: np.random.Generator, size: float) -> Case:
    """The second channel repeats the first; at size below 1 the rest of its own reading shines through."""
    oven = any_oven(rng)
    first, second = sorted(int(x) for x in rng.choice(len(oven.tips), 2, replace=False))

    def distort(_: float, seen: np.ndarray) -> np.ndarray:
        seen[second] = size * seen[first] + (1 - size) * seen[second]
        return seen

    recording = recording_of(bake(oven, distort), rng)
    a, b = recording.channels[first].values, recording.channels[second].values
    return Case(with_values(recording, second, size * a + (1 - size) * b), context_of(oven, rng), None, second)


@_planter
def cold_disagreement(rng: np.random.Generator, size: float) -> Case:
    """One of three or more channels off by 10 K (times size), cold and hot."""
    oven = any_oven(rng, tips=int(rng.integers(3, 6)), warm_k=0.0)
    row, sign = pick(oven, rng), float(rng.choice([-1, 1]))
    tips = tuple(replace(t, offset_k=t.offset_k + sign * 10 * size * (i == row)) for i, t in enumerate(oven.tips))
    oven = replace(oven, tips=tips)
    return sensor_case(oven, bake(oven), rng, row)


@_planter
def room_disagreement(rng: np.random.Generator, size: float) -> Case:
    """All channels off by 8 K (times size) against the room; no earlier run."""
    oven = any_oven(rng, warm_k=0.0)
    shift = float(rng.choice([-1, 1])) * 8 * size
    oven = replace(oven, tips=tuple(replace(t, offset_k=t.offset_k + shift) for t in oven.tips))
    return sensor_case(oven, bake(oven), rng, None)


@_planter
def reference_shift(rng: np.random.Generator, size: float) -> Case:
    """All channels shifted by 6 K (times size) against earlier runs; or, one time in three, by a jump of 15 K."""
    oven = any_oven(rng, interval_s=1.0)
    shift = float(rng.choice([-1, 1])) * 6 * size
    if rng.random() < 1 / 3:
        start = heating_time(oven, rng)
        made = bake(oven, lambda t, seen: seen + 2.5 * shift * (t >= start))
        return sensor_case(oven, made, rng, None)
    history = history_of(oven, rng)
    day = another_day(oven, rng, warm_k=0.0)
    day = replace(day, tips=tuple(replace(t, offset_k=t.offset_k + shift) for t in day.tips))
    return replace(sensor_case(day, bake(day), rng, None), history=history)


@_planter
def wrong_scale(rng: np.random.Generator, size: float) -> Case:
    """One channel on the wrong thermocouple type: J wire read as K (1.34), K read as J (0.75) or E (0.61)."""
    oven = whole_run(any_oven(rng, tips=int(rng.integers(3, 6)), warm_k=0.0))
    row = pick(oven, rng)
    gain = 1 + size * (float(rng.choice([1.34, 0.75, 0.61])) - 1)
    oven = replace(
        oven, tips=tuple(replace(t, gain=t.gain * (gain if i == row else 1)) for i, t in enumerate(oven.tips))
    )
    return sensor_case(oven, bake(oven), rng, row)


@_planter
def swapped(rng: np.random.Generator, size: float) -> Case:
    """Two channels exchange names; their places differ by 8 % (times size) of the rise."""
    oven = whole_run(any_oven(rng, tips=int(rng.integers(3, 6)), **WHOLE))
    first, second = sorted(int(x) for x in rng.choice(len(oven.tips), 2, replace=False))
    sides = {first: 0.04 * size, second: -0.04 * size}
    oven = replace(oven, tips=tuple(replace(t, side=sides.get(i, t.side)) for i, t in enumerate(oven.tips)))
    history = history_of(oven, rng)
    day = another_day(oven, rng)
    recording = recording_of(bake(day), rng)
    a, b = recording.channels[first], recording.channels[second]
    channels = list(recording.channels)
    channels[first], channels[second] = replace(a, values=b.values), replace(b, values=a.values)
    return Case(replace(recording, channels=tuple(channels)), context_of(day, rng), history, first)


@_planter
def lifted(rng: np.random.Generator, size: float) -> Case:
    """A board tip that does not steer sees air (share of size); three or more channels."""
    oven = whole_run(any_oven(rng, tips=int(rng.integers(3, 6)), **WHOLE))
    row = int(rng.choice([i for i in range(len(oven.tips)) if i != oven.control]))
    tips = tuple(
        replace(t, air=0.0 if i == row else t.air, board_tau_s=max(t.board_tau_s, 15.0))
        for i, t in enumerate(oven.tips)
    )
    oven = replace(oven, tips=tips)
    history = history_of(oven, rng)
    day = another_day(oven, rng)
    day = replace(day, tips=tuple(replace(t, air=size if i == row else t.air) for i, t in enumerate(day.tips)))
    return replace(sensor_case(day, bake(day), rng, row), history=history)


@_planter
def control_lifted(rng: np.random.Generator, size: float) -> Case:
    """The control tip sees a place 9 % (times size) cooler or hotter than before; three or more channels."""
    oven = whole_run(any_oven(rng, tips=int(rng.integers(3, 6)), **WHOLE))
    history = history_of(oven, rng)
    day = another_day(oven, rng)
    gain = 1 + 0.09 * size * float(rng.choice([-1, 1]))
    tips = tuple(replace(t, gain=t.gain * (gain if i == day.control else 1)) for i, t in enumerate(day.tips))
    day = replace(day, tips=tips)
    return replace(sensor_case(day, bake(day), rng, day.control), history=history)


@_planter
def average_hides(rng: np.random.Generator, size: float) -> Case:
    """The average of the channels is logged, and one of them is frozen from early on."""
    oven = any_oven(rng, tips=int(rng.integers(2, 5)))
    row = pick(oven, rng)
    held: list[float] = []
    start = oven.idle_s + 40.0 / size

    def distort(t: float, seen: np.ndarray) -> np.ndarray:
        if t >= start:
            if not held:
                held.append(float(np.round(seen[row], 1)))
            seen[row] = held[0]
        return seen

    recording = recording_of(bake(oven, distort), rng, with_average=True)
    return Case(
        recording, context_of(oven, rng), None, len(oven.tips), frozenset(("stuck", "runaway", "heat_at_zero_command"))
    )


@_planter
def log_fault(rng: np.random.Generator, size: float) -> Case:
    """40 s (times size) lost while the oven heats: a hole in time, or rows lost without one, or rows frozen first."""
    oven = any_oven(rng)
    recording = recording_of(bake(oven), rng)
    t = recording.elapsed_s
    first = oven.idle_s + 0.45 * oven.profile[1][0]
    gone = (t >= first) & (t < first + 40 * size)
    kind = rng.choice(["hole", "lost", "frozen"])
    if kind == "frozen":
        last = int(np.flatnonzero(t < first)[-1])
        channels = tuple(replace(c, values=np.where(gone, c.values[last], c.values)) for c in recording.channels)
        return Case(replace(recording, channels=channels), context_of(oven, rng))
    channels = tuple(replace(c, values=c.values[~gone]) for c in recording.channels)
    times = t[~gone] if kind == "hole" else t[: np.count_nonzero(~gone)]
    return Case(Recording(quantise_elapsed(times), channels), context_of(oven, rng))


@_planter
def heat_at_zero_command(rng: np.random.Generator, size: float) -> Case:
    """The switch fails closed at a moment of the soak: full power (times size) whatever the logged duty asks for."""
    oven = any_oven(rng, element_k_per_s=float(rng.uniform(3.2, 5.5)))
    start = oven.idle_s + oven.profile[1][0] + 10.0
    made = bake(oven, command=lambda t, u: max(u, size) if t >= start else u)
    return Case(recording_of(made, rng), context_of(oven, rng), also=frozenset({"runaway"}))


@_planter
def runaway(rng: np.random.Generator, size: float) -> Case:
    """The control setting holds full power (times size) from the soak on, and the log shows it."""
    oven = any_oven(rng, element_k_per_s=float(rng.uniform(4.0, 5.5)))
    start = oven.idle_s + oven.profile[1][0]
    made = bake(oven, command=lambda t, u: max(u, size) if t >= start else u, logs_real=True)
    return Case(recording_of(made, rng), context_of(oven, rng))


def clean(rng: np.random.Generator, *, with_history: bool) -> Case:
    """No fault, all the variety of honest logs: late starts, early ends, missing columns, idle inputs."""
    oven = any_oven(rng)
    history = history_of(oven, rng) if with_history else None
    day = another_day(oven, rng) if with_history else oven
    recording = recording_of(
        bake(day),
        rng,
        late_s=float(rng.choice([0, 0, 0, 0, 0, 8, 30, 150])),
        early_s=float(rng.choice([0, 0, 0, 60, 150])),
        with_duty=rng.random() < 0.7,
        with_setpoint=rng.random() < 0.8,
        with_average=rng.random() < 0.3,
    )
    if rng.random() < 0.15:  # an input with nothing plugged in
        level = float(rng.choice([0.0, np.nan, 1372.0]))
        idle = Channel("TC spare", "temperature", "°C", np.full(len(recording.elapsed_s), level))
        recording = replace(recording, channels=(*recording.channels, idle))
    context = context_of(day, rng, room=rng.random() < 0.6)
    if rng.random() < 0.4:
        context = replace(context, control_channel=None)
    if rng.random() < 0.5:
        context = replace(context, idle_s=None)
    return Case(recording, context, history)
