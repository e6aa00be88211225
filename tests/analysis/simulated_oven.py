"""A compact oven for tests: element, air, board tips and air tips, a controller, a logger. Invented numbers.

It shares no code and no parameters with the demo's simulator. Faults act on the reading before the controller sees it,
so a fault of the control sensor has its true consequences.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ingest.recording import Channel, Recording, quantise_elapsed, quantise_values

STEP_S = 0.5


@dataclass(frozen=True)
class Tip:
    """`air` 0 to 1: how much the tip sees the air (1) instead of the board (0)."""

    name: str
    air: float
    side: float  # local excess of the air's rise, as a fraction
    board_tau_s: float
    tip_tau_s: float
    offset_k: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True)
class Oven:
    tips: tuple[Tip, ...]
    room_c: float = 22.0
    warm_k: float = 0.0  # left over from the run before
    element_k_per_s: float = 4.0
    element_tau_s: float = 20.0
    coupling: float = 0.8
    loss_tau_s: float = 180.0
    door_tau_s: float = 60.0  # loss once the door is open
    control: int = 0
    switching: str = "proportional"  # or "on-off"
    profile: tuple[tuple[float, float], ...] = ((0, 25), (90, 150), (180, 180), (240, 245), (265, 245), (266, 25))
    length_s: float = 420.0
    noise_k: float = 0.15
    step_k: float = 0.25
    interval_s: float = 1.0
    idle_s: float = 0.0  # logged before the profile starts


Distort = Callable[[float, np.ndarray], np.ndarray]
Command = Callable[[float, float], float]


@dataclass(frozen=True)
class Bake:
    elapsed_s: np.ndarray
    readings: np.ndarray  # tips x samples, before noise and rounding, faults included
    setpoint: np.ndarray
    duty: np.ndarray
    oven: Oven
    true_c: np.ndarray = field(default_factory=lambda: np.empty(0))


def bake(
    oven: Oven, distort: Distort | None = None, command: Command | None = None, *, logs_real: bool = False
) -> Bake:
    """Run the profile. `distort(t, readings)` changes what is read, `command(t, duty)` is what the heater really gets.

    `logs_real`: the logged duty is what the heater gets, else what the controller asks for.
    """
    tips = oven.tips
    n_steps = int(oven.length_s / STEP_S)
    side = 1.0 + np.array([t.side for t in tips])
    mix = np.array([t.air for t in tips])
    tau_b = np.array([t.board_tau_s for t in tips])
    tau_t = np.array([t.tip_tau_s for t in tips])
    gain = np.array([t.gain for t in tips])
    offset = np.array([t.offset_k for t in tips])
    corners = np.array(oven.profile, dtype=float)
    time = np.arange(n_steps) * STEP_S
    wanted = np.interp(time - oven.idle_s, corners[:, 0], corners[:, 1])
    end_heat = corners[-2, 0] + oven.idle_s
    room = oven.room_c
    element = air = room + oven.warm_k
    board = np.full(len(tips), room + 0.8 * oven.warm_k)
    read = np.where(mix > 0.5, air, board)
    out = np.empty((n_steps, len(tips)))
    truth = np.empty((n_steps, len(tips)))
    duty = np.empty(n_steps)
    integral = 0.0
    is_on = False
    for k in range(n_steps):
        t = time[k]
        seen = room + (read - room) * gain + offset
        truth[k] = read
        if distort is not None:
            seen = distort(t, seen)
        out[k] = seen
        heating = oven.idle_s <= t <= end_heat
        error = wanted[k] - seen[oven.control]
        if np.isnan(error):
            error = 0.0
        if not heating:
            u = 0.0
        elif oven.switching == "on-off":
            is_on = error > (-1.0 if is_on else 1.0)
            u = float(is_on)
        else:
            ahead = wanted[min(k + 30, n_steps - 1)] - wanted[k] if t + 15 < end_heat else 0.0
            raw = 0.03 * error + 0.02 * ahead + integral
            u = min(max(raw, 0.0), 1.0)
            if u == raw:
                integral += 0.0004 * error * STEP_S
        duty[k] = u
        real = u if command is None else command(t, u)
        if command is not None and logs_real:
            duty[k] = real
        loss = oven.door_tau_s if t > end_heat + 5 else oven.loss_tau_s
        flow = (element - air) / oven.element_tau_s
        element += STEP_S * (oven.element_k_per_s * real - flow)
        air += STEP_S * (oven.coupling * flow - (air - room) / loss)
        local = room + (air - room) * side
        board += STEP_S * (local - board) / tau_b
        sees = mix * local + (1.0 - mix) * board
        read = read + STEP_S * (sees - read) / np.maximum(tau_t, STEP_S)
    return Bake(time, out.T, wanted, duty, oven, truth.T)


def recording_of(
    made: Bake,
    rng: np.random.Generator,
    *,
    late_s: float = 0.0,
    early_s: float = 0.0,
    with_duty: bool = True,
    with_setpoint: bool = True,
    with_average: bool = False,
    extra_noise: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> Recording:
    """What a logger makes of it: sampled, noisy, rounded; optionally started late or ended early."""
    oven = made.oven
    every = max(1, round(oven.interval_s / STEP_S))
    early_s = min(early_s, oven.length_s - late_s - 60.0)
    keep = np.flatnonzero((made.elapsed_s >= late_s) & (made.elapsed_s <= oven.length_s - early_s))[::every]
    values = made.readings[:, keep] + rng.normal(0.0, oven.noise_k, (len(oven.tips), len(keep)))
    if extra_noise is not None:
        values = extra_noise(values, made.duty[keep])
    frozen = np.diff(made.readings[:, keep], axis=1, prepend=np.nan) == 0  # an exact repeat has no noise either
    for row in range(len(values)):
        for k in np.flatnonzero(frozen[row]):
            values[row, k] = values[row, k - 1]
    if oven.step_k > 0:
        values = np.round(values / oven.step_k) * oven.step_k
    channels = [
        Channel(tip.name, "temperature", "°C", quantise_values(v)) for tip, v in zip(oven.tips, values, strict=True)
    ]
    if with_average:
        channels.append(Channel("average", "temperature", "°C", quantise_values(values.mean(axis=0)), judged=False))
    if with_setpoint:
        channels.append(Channel("set point", "setpoint", "°C", quantise_values(made.setpoint[keep])))
    if with_duty:
        channels.append(Channel("duty", "duty", "%", quantise_values(made.duty[keep])))
    return Recording(quantise_elapsed(made.elapsed_s[keep] - made.elapsed_s[keep[0]]), tuple(channels))


PLACES = ("left", "right", "front", "rear", "centre", "corner")


def any_oven(rng: np.random.Generator, *, tips: int | None = None, **fixed: Any) -> Oven:
    """An oven as they come: 2 to 5 tips, some in air, some on the board; strong or weak; smooth or on-off control."""
    count = tips or int(rng.integers(2, 6))
    in_air = rng.random(count) < 0.3
    made = tuple(
        Tip(
            name=f"TC {PLACES[i]}",
            air=1.0 if in_air[i] else 0.0,
            side=float(np.clip(rng.normal(0, 0.035), -0.08, 0.08)),
            board_tau_s=float(rng.uniform(12, 35)),
            tip_tau_s=float(rng.uniform(1.0, 4.0)),
            offset_k=float(np.clip(rng.normal(0, 0.35), -0.8, 0.8)),
            gain=float(1 + np.clip(rng.normal(0, 0.004), -0.01, 0.01)),
        )
        for i in range(count)
    )
    lead_free = rng.random() < 0.6
    soak, peak = (
        (rng.uniform(150, 185), rng.uniform(232, 250)) if lead_free else (rng.uniform(110, 150), rng.uniform(205, 225))
    )
    t1 = (soak - 25) / rng.uniform(0.9, 1.8)
    t2 = t1 + rng.uniform(50, 120)
    t3 = t2 + (peak - soak) / rng.uniform(0.6, 1.3)
    t4 = t3 + rng.uniform(10, 30)
    weak = rng.random() < 0.15
    values: dict[str, Any] = {
        "tips": made,
        "room_c": float(rng.uniform(14, 30)),
        "warm_k": float(rng.uniform(5, 60)) if rng.random() < 0.3 else 0.0,
        "element_k_per_s": float(rng.uniform(1.6, 2.2) if weak else rng.uniform(3.2, 5.5)),
        "element_tau_s": float(rng.uniform(12, 28)),
        "loss_tau_s": float(rng.uniform(150, 260)),
        "door_tau_s": float(rng.uniform(25, 120)),
        "control": int(rng.integers(count)),
        "switching": "on-off" if rng.random() < 0.3 else "proportional",
        "profile": ((0, 25), (t1, soak), (t2, soak + rng.uniform(0, 15)), (t3, peak), (t4, peak), (t4 + 1, 25)),
        "length_s": float(t4 + rng.uniform(60, 200)),
        "noise_k": float(rng.choice([0.05, 0.15, 0.3, 0.5])),
        "step_k": float(rng.choice([0.0, 0.1, 0.25, 0.5, 1.0])),
        "interval_s": float(rng.choice([0.5, 1.0, 1.0, 2.0, 5.0])),
        "idle_s": float(rng.choice([0.0, 0.0, 5.0, 20.0, 60.0])),
    }
    return replace(Oven(**values), **fixed)
