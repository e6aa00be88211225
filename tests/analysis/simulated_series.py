"""Seasons of metric series with a planted change, straight as tables: no logs, no thermal model. Invented throughout.

Directions follow the fault table of the trade; sizes are chosen by the test.
"""

import numpy as np
import pandas as pd


def season(seed, n=200, fault=None, size=0.0, at=80):
    """`runs` and `metrics` as the views give them. `size` per run for slopes (log units or K), in units for steps."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0, 300, n))
    started = pd.Timestamp("2025-01-10", tz="UTC") + pd.to_timedelta(days, unit="D")
    room = 20 + 7 * np.sin(2 * np.pi * (days / 365 + rng.uniform())) + rng.normal(0, 2, n)
    board = rng.choice(["P", "Q", "R"], n, p=[0.5, 0.3, 0.2])
    profile = rng.choice(["leaded", "lead-free"], n, p=[0.3, 0.7])
    hot = profile == "lead-free"
    mass = np.select([board == "P", board == "Q"], [0.0, -0.12], -0.25)
    since, on = np.maximum(0, np.arange(n) - at), (np.arange(n) >= at) * 1.0
    season_effect = rng.normal(0, 0.003, 3)
    ramp = np.log(1.2) + mass + season_effect[0] * (room - 20) + rng.normal(0, 0.015, n)
    ramp_low = np.log(1.6) + mass + season_effect[0] * (room - 20) + rng.normal(0, 0.015, n)
    duty = np.log(0.4) + 0.2 * hot - 0.006 * (room - 20) + rng.normal(0, 0.02, n)
    cooling = np.log(300) + season_effect[2] * (room - 20) - 0.5 * mass + rng.normal(0, 0.02, n)
    left = np.where(hot, 244.0, 215.0) + rng.normal(0, 0.8, n)
    right = left - (6 + rng.normal(0, 0.7, n) + 4 * mass)
    lag = 8 + rng.normal(0, 0.5, n)
    cold_left = room + rng.normal(0, 0.25, n)
    cold_right = room + rng.normal(0, 0.25, n) + rng.normal(0, 0.3)
    if fault == "heater":
        ramp, ramp_low = ramp - size * since, ramp_low - 0.6 * size * since
        duty, lag = duty + 1.1 * size * since, lag + 20 * size * since
    elif fault == "seal":
        cooling, duty, ramp = cooling - 4 * size * since, duty + size * since, ramp - 0.6 * size * since
    elif fault == "sensor_offset":
        right, cold_right = right - size * on, cold_right - size * on
    elif fault == "sensor_gain":
        right = right - size * since / 100
    elif fault == "setpoint_or_firmware":
        lag, left, right = lag + size * on, left + size * on, right + size * on
    elif fault is not None:
        raise ValueError(f"no fault named {fault}")
    runs = pd.DataFrame(
        {"run": np.arange(1, n + 1), "started_at": started, "setpoint_hash": profile, "profile": profile, "board": board,
         "board_revision": "A", "load_count": 1, "kind": "product", "ambient_c": np.nan, "complete": True, "duration_s": 400.0}
    )  # fmt: skip
    rows = [
        ("full_power_ramp_high_c_per_s", "left", np.exp(ramp)),
        ("full_power_ramp_low_c_per_s", "left", np.exp(ramp_low)),
        ("hold_duty", None, np.exp(duty)),
        ("cooling_time_constant_s", "left", np.exp(cooling)),
        ("peak_c", "left", left),
        ("peak_c", "right", right),
        ("start_temperature_c", "left", cold_left),
        ("start_temperature_c", "right", cold_right),
        ("setpoint_lag_s", None, lag),
    ]
    metrics = pd.concat(
        [pd.DataFrame({"run": runs["run"], "channel": c, "metric": m, "value": v, "status": "ok"}) for m, c, v in rows],
        ignore_index=True,
    )
    return runs, metrics
