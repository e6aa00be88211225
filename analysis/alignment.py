"""Putting runs on one time axis: the moment the oven is under way, whenever the log began."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.recording import FloatArray, Recording

# Above any room, below any soak: every heated run passes it, and lag differences are still small there.
UNDER_WAY_C = 60.0


def under_way_s(recording: Recording, names: Sequence[str], at_c: float = UNDER_WAY_C) -> float | None:
    """When the middle of the named channels first passes `at_c` [°C] upwards [s], by a straight line between samples.

    None when a channel is absent or empty, or when the log starts above the temperature or never reaches it.
    """
    have = {c.name: c.values for c in recording.of_role("temperature") if np.isfinite(c.values).any()}
    if not names or any(name not in have for name in names):
        return None
    t = recording.elapsed_s
    middle = np.median([bridged(t, have[name]) for name in names], axis=0)
    up = np.flatnonzero((middle[:-1] < at_c) & (middle[1:] >= at_c))
    if len(up) == 0 or middle[0] >= at_c:
        return None
    k = int(up[0])
    return float(t[k] + (at_c - middle[k]) / (middle[k + 1] - middle[k]) * (t[k + 1] - t[k]))


def bridged(elapsed_s: FloatArray, values: FloatArray) -> FloatArray:
    """Values with missing samples bridged by straight lines, ends held. At least one value must be present."""
    present = np.isfinite(values)
    return values if present.all() else np.interp(elapsed_s, elapsed_s[present], values[present])
