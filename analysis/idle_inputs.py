"""Inputs with nothing plugged in, as a log shows them: one impossible value from first to last sample."""

from __future__ import annotations

import numpy as np

from ingest.recording import FloatArray

# No small solder oven is meant to be above 450 °C, none is below -100 °C: that is the end of an input's range.
OFF_SCALE_ABOVE_C = 450.0
OFF_SCALE_BELOW_C = -100.0


def is_idle(values: FloatArray) -> bool:
    """Whether a channel reads exactly 0 °C, or one value off scale, in every sample it has. NaN samples are ignored; a
    channel without any value is idle too."""
    present = values[np.isfinite(values)] if np.isnan(values[:1]).any() or np.isnan(values[-1:]).any() else values
    if len(present) == 0:
        return True
    level = float(present[0])
    if level != 0.0 and OFF_SCALE_BELOW_C <= level <= OFF_SCALE_ABOVE_C:
        return False
    return bool((present[np.isfinite(present)] == level).all())
