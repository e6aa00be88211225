"""Charts of several series at once, each weighted as one cause moves it: a fault that hides in each shows in their sum.

Less heating power takes from the ramp and adds to the duty at once. A chart of

    S = sum of w z / sqrt(w' R w),    w = (how much the cause moves the series) / (scatter of the series)

is the best linear statistic for that direction when the series' correlations R are known (Healy 1987: CUSUM of a
multivariate normal mean in a known direction). z are the standardised runs of `watch`, R is learned from the first runs
and drawn to the identity. S has unit scatter, so that the limits of a single series hold for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.drift.baseline import FIRM_AT, LEARNING_BELOW
from analysis.drift.causes import COOLING, DUTY, RAMP_HIGH
from analysis.drift.records import Key
from analysis.drift.watch import HELD_WITHIN, Alarm, Watched, cusum_alarms

Array = NDArray[np.floating[Any]]

# Cause -> by how much it moves the logarithm of a series: the fault table's figures for ten percent of power and for a
# leak, over ten. Signs and proportions matter, not sizes.
PATTERNS: dict[str, dict[str, float]] = {
    "heater": {RAMP_HIGH: -1.2, DUTY: 1.3},
    "seal": {COOLING: -3.7, DUTY: 0.9, RAMP_HIGH: -0.6},
}
DRAWN_TO_IDENTITY = 20  # as if so many runs had shown no correlation


@dataclass(frozen=True)
class Pattern:
    """The chart of one cause over one epoch: `z` the combined statistic, `weights` of its series."""

    cause: str
    weights: dict[Key, float]
    z: Array
    doubt: Array
    limit: Array

    def alarms(self, quiet_until: int = 0) -> list[Alarm]:
        present = np.flatnonzero(~np.isnan(self.z))
        if len(present) <= LEARNING_BELOW:
            return []
        begin = max(quiet_until, int(present[LEARNING_BELOW]))
        return list(cusum_alarms(np.clip(self.z, -HELD_WITHIN, HELD_WITHIN), self.doubt, self.limit, begin))


def combine(cause: str, watched: Mapping[Key, Watched]) -> Pattern | None:
    """The pattern of `cause` over series that are watched from the same run on; None with fewer than two of them."""
    effect = {(name, None): e for name, e in PATTERNS[cause].items()}
    known = [k for k in effect if k in watched and watched[k].baseline is not None]
    if len(known) < 2:
        return None
    z = np.array([watched[k].z for k in known])
    weight = np.array([effect[k] / _scatter(watched[k]) for k in known])
    weight /= np.abs(weight).max()
    learned = np.flatnonzero(~np.isnan(z).any(axis=0))[:FIRM_AT]
    r = np.eye(len(known))
    if len(learned) > 2:
        held = np.clip(z[:, learned], -HELD_WITHIN, HELD_WITHIN)
        seen = held @ held.T / len(learned)
        spread = np.sqrt(np.diag(seen))
        r = (len(learned) * seen / np.outer(spread, spread) + DRAWN_TO_IDENTITY * r) / (
            len(learned) + DRAWN_TO_IDENTITY
        )
    present = ~np.isnan(z)
    used = np.where(present, weight[:, None], 0.0)
    scale = np.sqrt(np.einsum("it,ij,jt->t", used, r, used))
    scale[present.sum(axis=0) < 2] = np.nan  # one series alone has its own chart
    doubt = np.sqrt(((used * np.array([watched[k].doubt for k in known])) ** 2).sum(axis=0)) / scale
    limit = np.max([watched[k].cusum_limit for k in known], axis=0)
    total = np.where(present, z, 0.0)
    return Pattern(
        cause,
        dict(zip(known, weight.tolist(), strict=True)),
        (used * total).sum(axis=0) / scale,
        np.nan_to_num(doubt),
        limit,
    )


def _scatter(watched: Watched) -> float:
    return 1.0 if watched.baseline is None else max(watched.baseline.sigma, 1e-12)
