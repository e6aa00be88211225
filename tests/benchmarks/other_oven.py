"""A season of logs from an oven that shares no formula with the demo's or the tests': two glowing elements, air, wall, and
two board halves that exchange heat by radiation and convection, steered by the average of two sensors. Invented.

All runs of a season are worked out at once, as vectors; several bakes a day, so that many start warm.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

SIGMA = 5.67e-8  # W/m2 K4, Stefan and Boltzmann
KELVIN = 273.15
STEP_S = 0.25  # s; the control loop and the log run once a second
LENGTH_S = 620
PROFILES = {
    "LF": (((0, 25), (100, 150), (190, 170), (255, 243), (285, 243)), 285, "SAC305 (family default)"),
    "SnPb": (((0, 25), (80, 120), (170, 150), (225, 215), (250, 215)), 250, "SnPb (family default)"),
}
BOARDS = "PQR"
START = dt.datetime(2024, 3, 1, tzinfo=dt.UTC)
FAULTS = (
    *("heater", "mains", "seal", "sensor_offset", "sensor_gain", "side"),
    *("set points", "control"),  # two ways in which new firmware can differ
)


@dataclass(frozen=True)
class Season:
    """`days` since START; `board`, `profile` one a run; `log` (samples, [set, left, right, power %], runs)."""

    days: np.ndarray
    board: np.ndarray
    profile: np.ndarray
    log: np.ndarray


def bakes(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Days, and minutes since the bake before (the first of a morning: a night)."""
    days: list[float] = []
    gaps: list[float] = []
    day = 0
    while len(days) < count:
        day += 1 + int(rng.exponential(3.0))
        at = 9 / 24 + rng.uniform(0, 0.2)
        for n in range(int(rng.choice([1, 2, 3, 4], p=[0.4, 0.3, 0.2, 0.1]))):
            gap = 1e4 if n == 0 else rng.uniform(15, 150)
            at += 0 if n == 0 else (gap + LENGTH_S / 60) / 1440
            days.append(day + at)
            gaps.append(gap)
    return np.array(days[:count]), np.array(gaps[:count])


def season(seed: int, fault: str = "", count: int = 200, onset: int = 100) -> Season:
    """`fault` from run `onset` on: slow ones grow to the end, the others come at once."""
    rng = np.random.default_rng(seed)
    days, gap = bakes(rng, count)
    room = 21 + 5 * np.sin(2 * np.pi * (days / 365 + rng.uniform())) + rng.normal(0, 1, count)
    board, names = rng.choice(3, count, p=[0.5, 0.3, 0.2]), np.array(list(PROFILES))
    profile = rng.choice(names, count, p=[0.75, 0.25])
    on = (np.arange(count) >= onset).astype(float)
    grown = np.clip((np.arange(count) - onset) / (count - onset), 0, 1)
    half_board = np.array([60.0, 75.0, 90.0])[board] * (1 + rng.normal(0, 0.01, count)) / 2  # J/K
    power = 850.0 * (1 + rng.normal(0, 0.008, count)) ** 2
    leak = 1.15 * (1 + rng.normal(0, 0.015, count))  # W/K from the air to the room
    offset, gain = rng.normal(0, 0.15, (2, count)), 1 + rng.normal(0, 0.0015, (2, count))
    lag = np.array([4.0, 4.5])[:, None] * (1 + rng.normal(0, 0.08, (2, count)))  # s
    seen = np.array([np.ones(count), np.full(count, 0.97)])  # how much of the elements each half sees
    p, i, door = np.full(count, 0.025), np.full(count, 0.00012), 6.0
    raised = np.zeros(count)
    if fault == "heater":
        power *= 1 - 0.30 * grown
    elif fault == "mains":
        power *= 1 - 0.12 * on
    elif fault == "seal":
        leak, door = leak * (1 + 0.8 * grown), 0.0
    elif fault == "sensor_offset":
        offset[1] -= 4 * on
    elif fault == "sensor_gain":
        gain[1] -= 0.04 * grown
    elif fault == "side":
        seen[1] *= 1 - 0.06 * on
    elif fault == "set points":
        p, raised = np.where(on > 0, 0.015, p), 3 * on
    elif fault == "control":
        p, i = np.where(on > 0, 0.012, p), np.where(on > 0, 0.0003, i)
    elif fault:
        raise ValueError(f"no fault named {fault}")
    warm = room + 55 * np.exp(-gap / 40.0)
    element, tip, half = (np.tile(warm, (2, 1)) for _ in range(3))
    air, wall, total, duty = warm.copy(), warm.copy(), np.zeros(count), np.zeros(count)
    rows = []
    for k in range(int(LENGTH_S / STEP_S)):
        t = k * STEP_S
        if k % round(1 / STEP_S) == 0:
            wanted = np.choose(profile == "SnPb", [np.interp(t, *np.transpose(PROFILES[n][0])) for n in names])
            wanted = wanted + raised * (t > 100)
            cooling = t > np.where(profile == "SnPb", PROFILES["SnPb"][1], PROFILES["LF"][1])
            read = tip + (gain - 1) * (tip - room) + offset
            error = wanted - (gain * tip + offset).mean(axis=0)
            total = np.clip(total + error * i, 0, 0.5)
            duty = np.where(cooling, 0, np.clip(p * error + total + 0.0026 * (wanted - 25), 0, 1))
            shown = np.round((read + rng.normal(0, 0.12, (2, count))) * 4) / 4
            rows.append(np.vstack([np.where(cooling, 25, wanted), shown, np.round(duty * 100)]))
        glow = SIGMA * 0.9 * 0.035 * ((element + KELVIN) ** 4 - (air + KELVIN) ** 4)
        to_half = SIGMA * 0.9 * 0.02 * seen * ((element[:, None] + KELVIN) ** 4 - (half + KELVIN) ** 4)  # element, half
        d_element = (power * duty / 2 - glow - 0.9 * (element - air) - to_half.sum(axis=1)) / 60
        shared = 0.22 * seen * (air - half)
        lost = 1.6 * (air - wall) + (leak + np.where(cooling, door, 0)) * (air - room)
        d_air = (glow.sum(axis=0) * 0.25 + (0.9 * (element - air)).sum(axis=0) - lost - shared.sum(axis=0)) / 120
        d_wall = (glow.sum(axis=0) * 0.75 + 1.6 * (air - wall) - (wall - room)) / 900
        tip += STEP_S * (half - tip) / lag
        half = half + STEP_S * (to_half.sum(axis=0) + shared) / half_board
        element, air, wall = element + STEP_S * d_element, air + STEP_S * d_air, wall + STEP_S * d_wall
    return Season(days, np.array(list(BOARDS))[board], profile, np.array(rows))


def write(folder: Path, made: Season) -> Path:
    """A log a run in `folder`, and the sheet that says which board and paste each had; returns the sheet."""
    folder.mkdir(parents=True)
    sheet = ["file,board,paste"]
    for run, day in enumerate(made.days):
        at = (START + dt.timedelta(days=float(day))).replace(microsecond=0)
        head = ["# invented data", f"# start: {at.isoformat()}", f"# profile: {made.profile[run]}"]
        rows = [f"{t},{s:.1f},{a:.2f},{b:.2f},{d:.0f}" for t, (s, a, b, d) in enumerate(made.log[:, :, run])]
        (folder / f"bake-{run:04d}.csv").write_text(
            "\n".join([*head, "seconds,set,left,right,power_pct", *rows, ""]), encoding="utf-8"
        )
        sheet.append(f"bake-{run:04d}.csv,{made.board[run]},{PROFILES[made.profile[run]][2]}")
    place = folder.parent / f"{folder.name}.sheet.csv"
    place.write_text("\n".join(sheet) + "\n", encoding="utf-8")
    return place
