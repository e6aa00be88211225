"""A planned run as a bake of the thermal model: planted changes, run-to-run scatter, and what the board really did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sample_logs.oven_model import Bake, Controller, FloatArray, Oven, Profile, Sensor, Trace
from sample_logs.season_plan import PlannedRun
from sample_logs.shop import FIRMWARE, HEATER, NEW_FIRMWARE, OLD_FIRMWARE, SEAL_RENEWED, SENSOR, SIDE, Planted, load_of

# Run-to-run scatter, one standard deviation: mains, how the fan stirs, the load, how the tips were fixed.
POWER_SCATTER = 0.010
FAN_SCATTER = 0.015
LOAD_SCATTER = 0.012
LEAK_SCATTER = 0.015
ATTACHMENT_SCATTER = 0.0025  # of the temperature above the room: half a kelvin at peak
INPUT_SCATTER_K = 0.12


def grown(planted: Planted, oven: str, season: float) -> float:
    """How much of a planted change is there: 0 before it and in other ovens, its size at last."""
    if oven != planted.oven or season < planted.since:
        return 0.0
    if not planted.gradual:
        return planted.size
    return planted.size * min(1.0, (season - planted.since) / (planted.until - planted.since))


def firmware_of(run: PlannedRun) -> str:
    return NEW_FIRMWARE if grown(FIRMWARE, run.bench.name, run.season) else OLD_FIRMWARE


def bake_of(run: PlannedRun, rng: np.random.Generator) -> Bake:
    """The bake behind a planned run. Draws its scatter from `rng`, and a seed for the noise."""
    bench = run.bench
    heavier = run.kind == "development" and rng.random() < 0.5
    load = load_of(run.board, run.turned)
    return Bake(
        profile=_profile(run, rng),
        oven=_oven(run, bench.oven, rng),
        load=replace(load, capacity=load.capacity * (1 + LOAD_SCATTER * rng.normal()) * (1.1 if heavier else 1.0)),
        controller=_controller(run, bench.controller),
        sensors=tuple(_sensor(run, sensor, rng) for sensor in bench.sensors),
        room_c=run.room_c,
        start_c=run.start_c,
        interval_s=bench.interval_s,
        stop_at_s=run.stop_at_s,
        longest_s=800.0,
        seed=int(rng.integers(2**32)),
    )


def melt_lag_s(trace: Trace, liquidus_c: float) -> float:
    """True seconds from the first to the last third of the board through liquidus; NaN if one never melts."""
    moments = [_first_up(trace.elapsed_s, trace.board_c[:, k], liquidus_c) for k in range(3)]
    return max(moments) - min(moments)


def _first_up(elapsed_s: FloatArray, values: FloatArray, level: float) -> float:
    above = np.flatnonzero(values >= level)
    if not len(above) or above[0] == 0:
        return float("nan")
    i = int(above[0])
    share = (level - values[i - 1]) / (values[i] - values[i - 1])
    return float(elapsed_s[i - 1] + share * (elapsed_s[i] - elapsed_s[i - 1]))


def _profile(run: PlannedRun, rng: np.random.Generator) -> Profile:
    profile = run.bench.profiles["Sn63Pb37" if run.is_wrong_profile else run.paste.alloy]
    if run.kind != "development":
        return profile
    top = profile.corners[-1][1]
    change = float(rng.choice((-8, -5, 5, 8)))
    corners = tuple((t, v + change if v == top else v) for t, v in profile.corners)
    return Profile(f"trial {top + change:.0f}", corners)


def _oven(run: PlannedRun, oven: Oven, rng: np.random.Generator) -> Oven:
    power = oven.power_w * (1 + grown(HEATER, run.bench.name, run.season)) * (1 + POWER_SCATTER * rng.normal())
    left, right = (leak * (1 + LEAK_SCATTER * rng.normal()) for leak in oven.leak)
    if run.season < SEAL_RENEWED:
        right += grown(SIDE, run.bench.name, run.season)
    return replace(oven, power_w=power, leak=(left, right), fan=oven.fan * (1 + FAN_SCATTER * rng.normal()))


def _controller(run: PlannedRun, controller: Controller) -> Controller:
    return replace(controller, integral=controller.integral + grown(FIRMWARE, run.bench.name, run.season))


def _sensor(run: PlannedRun, sensor: Sensor, rng: np.random.Generator) -> Sensor:
    step = grown(SENSOR, run.bench.name, run.season) if sensor.name == "TC1 left" else 0.0
    return replace(
        sensor,
        offset_k=sensor.offset_k + step + INPUT_SCATTER_K * float(rng.normal()),
        gain=sensor.gain * (1 + ATTACHMENT_SCATTER * float(rng.normal())),
    )
