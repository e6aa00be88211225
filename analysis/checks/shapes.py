"""How every row moves from sample to sample: worked out once for the rows of one run, or of many of one sampling."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ingest.recording import FloatArray

IntArray = np.ndarray[tuple[int, ...], np.dtype[np.intp]]

BRISK_K_PER_S = 4.0
LEAST_JUMP_K = 8.0
STILL_K = 1e-6  # a change below is none: rounding of 32-bit storage


class Shapes:
    """`values` (rows, samples) [°C] with NaN where missing, `steps_s` between samples [s]. Nothing in a row depends on
    the other rows."""

    def __init__(self, values: FloatArray, steps_s: FloatArray, has_gaps: bool) -> None:
        self.values, self.steps_s, self.has_gaps = values, steps_s, has_gaps

    @cached_property
    def interval_s(self) -> float:
        """Median sample interval [s]."""
        ordered = np.sort(self.steps_s)
        return float(ordered[len(ordered) // 2])

    @cached_property
    def change(self) -> FloatArray:
        """Sample-to-sample change [K]; NaN beside a gap."""
        return self.values[:, 1:] - self.values[:, :-1]

    @cached_property
    def size_of_change(self) -> FloatArray:
        return np.abs(self.change)

    @cached_property
    def longest_still_s(self) -> list[float]:
        """Longest time [s] for which each row repeats one value exactly; a gap ends it."""
        with np.errstate(invalid="ignore"):
            moves = ~(self.size_of_change < STILL_K)
        if moves.shape[1] == 0:
            return [0.0] * len(moves)
        since = np.maximum.accumulate(np.where(moves, np.arange(1, moves.shape[1] + 1), 0), axis=1)
        elapsed = np.concatenate(([0.0], np.cumsum(self.steps_s)))
        return (elapsed[1:] - elapsed[since]).max(axis=1).tolist()

    @cached_property
    def resolution_k(self) -> FloatArray:
        """Smallest step each row ever makes [K]; 0 where it never moves. Below 0.02 K counts as continuous."""
        steps = np.where(self.size_of_change > STILL_K, self.size_of_change, np.inf).min(axis=1)
        return np.where(np.isfinite(steps) & (steps > 0.02), steps, 0.0)

    @cached_property
    def bend(self) -> FloatArray:
        """Second difference [K]: blind to level and slope."""
        return self.change[:, 1:] - self.change[:, :-1]

    @cached_property
    def noise_k(self) -> FloatArray:
        """Standard deviation of the short-term scatter [K], from the median size of the second difference.

        White noise of deviation s has second differences of deviation s * sqrt(6); 0.6745 is the normal's quartile.
        """
        size = np.abs(self.bend)
        if self.has_gaps:
            with np.errstate(invalid="ignore"):
                counts = np.isfinite(size).sum(axis=1)
            ordered = np.sort(size, axis=1)  # NaN last
            middle = ordered[np.arange(len(ordered)), np.maximum(counts // 2, 0).clip(0, size.shape[1] - 1)]
            return np.where(counts > 0, np.nan_to_num(middle), 0.0) / (0.6745 * np.sqrt(6.0))
        middle = size.shape[1] // 2
        return np.partition(size, middle, axis=1)[:, middle] / (0.6745 * np.sqrt(6.0))

    @cached_property
    def jump_k(self) -> FloatArray:
        """Smallest change between two samples that counts as a jump, per row [K].

        8 K in a second is more than a fixed tip follows; 4 K/s is a brisk ramp for a small oven, so a slow log may
        move that much honestly; 8 times the scatter keeps noise out; 4 steps keep a coarse log out.
        """
        floor = max(LEAST_JUMP_K, BRISK_K_PER_S * self.interval_s)
        return np.maximum(np.maximum(floor, 8.0 * self.noise_k), 4.0 * self.resolution_k)

    @cached_property
    def jumps(self) -> tuple[IntArray, ...]:
        """Per row, the sample indices just before a jump."""
        # A longer step between two samples allows a longer way, at the same brisk ramp.
        allowed = BRISK_K_PER_S * np.maximum(self.steps_s - self.interval_s, 0.0)
        with np.errstate(invalid="ignore"):
            is_jump = self.size_of_change > self.jump_k[:, None] + allowed
        found = [np.empty(0, dtype=np.intp)] * len(is_jump)
        for row in np.flatnonzero(is_jump.any(axis=1)):
            found[row] = np.flatnonzero(is_jump[row])
        return tuple(found)
