"""Seasons of metric series with a planted change, straight as tables: no logs, no thermal model. Invented throughout.

Directions follow the fault table of the trade; sizes are chosen by the test.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

ONSET = 80  # runs before a planted change, unless a test says otherwise

# Fault -> the series an oracle would watch for it, and in which direction.
ORACLE = {
    "heater": ("ramp", -1),
    "mains": ("ramp", -1),
    "seal": ("cooling", -1),
    "sensor_offset": ("cold", -1),
    "sensor_gain": ("between", -1),
    "side": ("between", -1),
    "setpoint_or_firmware": ("peak", 1),
}


@dataclass(frozen=True)
class Season:
    """`runs` and `metrics` as the views give them; `z`: series -> distance of each run from its true mean without the
    fault, in true standard deviations (what an oracle sees)."""

    runs: pd.DataFrame
    metrics: pd.DataFrame
    z: dict[str, np.ndarray]


def season(seed, n=200, fault=None, size=0.0, at=ONSET):
    """`runs` and `metrics` of `whole_season`."""
    made = whole_season(seed, n, fault, size, at)
    return made.runs, made.metrics


def whole_season(seed, n=200, fault=None, size=0.0, at=ONSET):
    """`size` per run for slopes (log units), K per 100 runs for a gain, K or log units for steps."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0, 300, n)) + 0.2 * np.arange(n)  # five hours of rest between runs at least
    started = pd.Timestamp("2025-01-10", tz="UTC") + pd.to_timedelta(days, unit="D")
    room = 20 + 7 * np.sin(2 * np.pi * (days / 365 + rng.uniform())) + rng.normal(0, 2, n)
    board = rng.choice(["P", "Q", "R"], n, p=[0.5, 0.3, 0.2])
    profile = rng.choice(["leaded", "lead-free"], n, p=[0.3, 0.7])
    hot = profile == "lead-free"
    mass = np.select([board == "P", board == "Q"], [0.0, -0.12], -0.25)
    since, on = np.maximum(0, np.arange(n) - at), (np.arange(n) >= at) * 1.0
    season_effect = rng.normal(0, 0.003, 3)
    noise = {
        "ramp": rng.normal(0, 0.015, n),
        "ramp_low": rng.normal(0, 0.015, n),
        "duty": rng.normal(0, 0.02, n),
        "cooling": rng.normal(0, 0.02, n),
        "peak": rng.normal(0, 0.8, n),
        "between": rng.normal(0, 0.7, n),
        "lag": rng.normal(0, 0.5, n),
    }
    sd = {"ramp": 0.015, "duty": 0.02, "cooling": 0.02, "peak": 0.8, "between": 0.7, "lag": 0.5}
    cold = rng.normal(0, 0.25, (2, n))
    own = rng.normal(0, 0.3)
    in_cooling = np.random.default_rng((seed, 1)).normal(
        0, 0.5, n
    )  # of its own, so that older seasons stay what they were
    shift = dict.fromkeys((*noise, "cold"), np.zeros(n))
    if fault == "heater":
        shift |= {"ramp": -size * since, "ramp_low": -0.6 * size * since, "duty": 1.1 * size * since}
        shift["lag"] = 20 * size * since
    elif fault == "mains":
        shift |= {"ramp": -size * on, "ramp_low": -0.6 * size * on, "duty": 1.1 * size * on, "lag": 20 * size * on}
    elif fault == "seal":
        shift |= {"cooling": -4 * size * since, "duty": size * since, "ramp": -0.6 * size * since}
    elif fault == "sensor_offset":
        shift |= {"between": -size * on, "cold": -size * on}
    elif fault == "sensor_gain":
        shift["between"] = -size * since / 100
    elif fault == "side":
        shift["between"] = -size * on
    elif fault == "setpoint_or_firmware":
        shift |= {"lag": size * on, "peak": size * on}
    elif fault is not None:
        raise ValueError(f"no fault named {fault}")
    moved = {name: noise[name] + shift[name] for name in noise}
    ramp = np.log(1.2) + mass + season_effect[0] * (room - 20) + moved["ramp"]
    ramp_low = np.log(1.6) + mass + season_effect[0] * (room - 20) + moved["ramp_low"]
    duty = np.log(0.4) + 0.2 * hot - 0.006 * (room - 20) + moved["duty"]
    cooling = np.log(300) + season_effect[2] * (room - 20) - 0.5 * mass + moved["cooling"]
    left = np.where(hot, 244.0, 215.0) + moved["peak"]
    right = left - (6 + 4 * mass) + moved["between"]
    # While cooling: an offset whole, a gain by half (at half the height), a side that gets less heat not at all.
    carried = {"sensor_offset": 1.0, "sensor_gain": 0.5}.get(fault or "", 0.0)
    cooling_difference = 3.0 + in_cooling - carried * shift["between"]
    runs = pd.DataFrame(
        {"run": np.arange(1, n + 1), "started_at": started, "setpoint_hash": profile, "profile": profile, "board": board,
         "board_revision": "A", "orientation": None, "load_count": 1, "kind": "product", "ambient_c": np.nan,
         "complete": True, "duration_s": 400.0}
    )  # fmt: skip
    rows = [
        ("full_power_ramp_high_c_per_s", "left", np.exp(ramp)),
        ("full_power_ramp_low_c_per_s", "left", np.exp(ramp_low)),
        ("hold_duty", None, np.exp(duty)),
        ("cooling_time_constant_s", "left", np.exp(cooling)),
        ("peak_c", "left", left),
        ("peak_c", "right", right),
        ("start_temperature_c", "left", room + cold[0]),
        ("start_temperature_c", "right", room + cold[1] + own + shift["cold"]),
        ("difference_cooling_c", "left", cooling_difference),
        ("difference_cooling_c", "right", -cooling_difference),
        ("setpoint_lag_s", None, 8 + moved["lag"]),
    ]
    metrics = pd.concat(
        [
            pd.DataFrame({"run": runs["run"], "channel": c, "metric": m, "value": v, "status": "ok", "reason": None})
            for m, c, v in rows
        ],
        ignore_index=True,
    )
    z = {name: moved[name] / sd[name] for name in sd}
    z["cold"] = (cold[1] - cold[0] + shift["cold"]) / (0.25 * np.sqrt(2))
    return Season(runs, metrics, z)
