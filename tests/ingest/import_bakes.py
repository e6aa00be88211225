"""Small logs with known truth for the import tests, written here: invented, exact piecewise profiles, no noise.

The board follows the set point 2 s late and 3 °C low, so that every number can be worked by hand.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

LEAD_FREE = ((0, 25), (90, 150), (180, 180), (230, 245), (250, 245), (250, 25), (420, 25))
LEADED = ((0, 25), (80, 130), (170, 150), (215, 212), (235, 212), (235, 25), (400, 25))


def bake(
    start: str | None = "2025-03-03T09:00:00",
    *,
    profile: tuple[tuple[int, int], ...] = LEAD_FREE,
    preamble: Mapping[str, str] | None = None,
    cold_c: tuple[float, float] = (21.4, 21.8),
    names: tuple[str, ...] = ("left_c", "right_c"),
    interval_s: float = 1.0,
    variant: int = 0,
) -> bytes:
    """One run as comma-separated text. `variant` shifts the board by hundredths, so that bytes differ."""
    end = profile[-1][0]
    t = np.arange(0, end + interval_s / 2, interval_s)
    at, value = zip(*profile, strict=True)
    setpoint = np.interp(t, at, value)
    setpoint[t > profile[-2][0]] = profile[-1][1]
    board = np.maximum(np.interp(t - 2, at, value) - 3, cold_c[0])
    falling = t > profile[-2][0]
    board[falling] = np.interp(t[falling], (profile[-2][0], end), (profile[-3][1] - 3, 60))
    lines = [f"# {key}: {text}" for key, text in (preamble or {}).items()]
    if start is not None:
        lines.append(f"# start: {start}")
    lines.append("elapsed_s,setpoint_c," + ",".join(names))
    for i, elapsed in enumerate(t):
        cells = [f"{elapsed:.1f}", f"{setpoint[i]:.1f}"]
        for k in range(len(names)):
            cold = cold_c[k % 2] if i < 3 else None
            cells.append(f"{(cold if cold is not None else board[i] - 2 * k) + variant / 100:.2f}")
        lines.append(",".join(cells))
    return ("\n".join(lines) + "\n").encode()
