"""Invented shops with a known cause of one defect, for tests and the benchmark of the links.

60 to 400 inspected runs on three boards and two ovens, paste lots that move the oven's metrics along with time (the lot
that arrived in the week the seal was changed), jars that are opened and age, a slow drift, and two more defects that
hang on nothing. Causes: `thermal` (tombstones with the melt lag), `jar` (solder balls with the jar's age),
`jar moving together` (the same, and the oven got slower as each jar aged, so that heat looks guilty), `none`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.defects.evidence import Factor

FACTORS = (
    Factor("melt_lag_s", "melt lag", "s", "thermal"),
    Factor("spread_at_peak_c", "spread at peak", "K", "thermal"),
    Factor("ramp_up_max_c_per_s", "steepest ramp up", "°C/s", "thermal"),
    Factor("coldest_peak_c", "coldest peak", "°C", "thermal"),
    Factor("time_above_liquidus_s", "time above liquidus", "s", "thermal"),
    Factor("soak_time_s", "soak time", "s", "thermal"),
    Factor("cooling_rate_max_c_per_s", "steepest cooling", "°C/s", "thermal"),
    Factor("jar_age_days", "days since the jar was opened", "d", "paste"),
    Factor("lot", "paste lot", "", "paste", False),
    Factor("board", "board", "", "board", False),
    Factor("oven", "oven", "", "oven", False),
    Factor("operator", "operator", "", "person", False),
    Factor("ambient_c", "room temperature", "°C", "room"),
)
CAUSES = ("thermal", "jar", "jar moving together", "none")
GUILTY = {"thermal": "melt_lag_s", "jar": "jar_age_days", "jar moving together": "jar_age_days", "none": ""}
DEFECT = {"thermal": "tombstone", "jar": "solder ball", "jar moving together": "solder ball", "none": "bridge"}
STRENGTH = 1.6  # log odds a standard deviation: from about 2 % of runs at -1 sd to 27 % at +1


@dataclass(frozen=True)
class Shop:
    """`runs`: a row an inspected run. `defects`: run, defect, count."""

    cause: str
    runs: pd.DataFrame
    defects: pd.DataFrame


def shop(seed: int, cause: str, runs: int | None = None, strength: float = STRENGTH) -> Shop:
    rng = np.random.default_rng((seed, CAUSES.index(cause)))
    n = runs or int(rng.integers(60, 401))
    day = np.sort(rng.uniform(0, n * 1.3, n))
    board = rng.choice(["P", "Q", "R"], n, p=[0.5, 0.3, 0.2])
    oven = np.where(rng.random(n) < 0.6, "A", "B")
    jar_life = rng.uniform(25, 60)
    jar = (day // jar_life).astype(int)
    age = day - jar * jar_life
    lot = np.char.add("L", (jar // rng.integers(1, 3)).astype(str))
    drift = np.linspace(0, rng.normal(0, 1), n)
    of_lot = rng.normal(0, 1, jar.max() + 1)[jar] * rng.uniform(0, 0.8)
    slower = drift + of_lot + 0.5 * (oven == "B")
    if cause == "jar moving together":
        slower = slower + 0.8 * _standard(age)
    heavy = np.select([board == "P", board == "Q"], [0, 0.7], -0.6)
    lag = 8 + 1.5 * (rng.normal(0, 1, n) + heavy + slower)
    peak = 240 - 1.5 * slower - heavy * 2 + rng.normal(0, 1.5, n)
    table = pd.DataFrame(
        {
            "run": np.arange(n),
            "week": (day // 7).astype(int),
            "board": board,
            "lot": lot,
            "jar": np.char.add("jar ", jar.astype(str)),
            "jar_age_days": age,
            "oven": oven,
            "operator": rng.choice(["x", "y"], n),
            "ambient_c": 20 + 6 * np.sin(day / 58) + rng.normal(0, 2, n),
            "melt_lag_s": lag,
            "spread_at_peak_c": 6 + 0.45 * (lag - 8) + rng.normal(0, 0.8, n),
            "ramp_up_max_c_per_s": 1.6 + 0.1 * rng.normal(0, 1, n) - 0.05 * heavy,
            "coldest_peak_c": peak,
            "time_above_liquidus_s": 60 + 1.5 * (peak - 240) + rng.normal(0, 3, n),
            "soak_time_s": 85 + 4 * rng.normal(0, 1, n) + 3 * slower,
            "cooling_rate_max_c_per_s": 2 + 0.2 * rng.normal(0, 1, n),
        }
    )
    chance = {"void": np.full(n, 0.12), "missing": np.full(n, 0.04)}
    driver = {"thermal": lag, "jar": age, "jar moving together": age}.get(cause)
    chance[DEFECT[cause]] = np.full(n, 0.1) if driver is None else 1 / (1 + np.exp(2.6 - strength * _standard(driver)))
    rows = [
        (int(run), term, 1 + int(rng.poisson(0.5)))
        for term, p in chance.items()
        for run in np.flatnonzero(rng.random(n) < p)
    ]
    return Shop(cause, table, pd.DataFrame(rows, columns=["run", "defect", "count"]))


def _standard(values: np.ndarray) -> np.ndarray:
    return (values - values.mean()) / values.std()
