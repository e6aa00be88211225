"""Runs of one sampling as the screens see them: the arrays of View for all of them at once.

A screen says of many runs at once where a check has nothing to find. It never finds anything itself: where it is not sure
that the check is silent, or says no more than "not evaluated" for a reason known here, the check looks at the run. So a
screen may be blunt, but it must never be silent where its check would speak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.checks.shapes import BRISK_K_PER_S, LEAST_JUMP_K, Shapes
from analysis.checks.texts import CODES
from analysis.checks.view import middle_of
from analysis.metrics.stack import Stack
from analysis.results import Context
from ingest.recording import FloatArray

BoolArray = NDArray[np.bool_]
PLACE = {code: place for place, code in enumerate(CODES)}
# Two ways of working out one number differ by less; nearer to a threshold than this, the check itself decides.
ROUNDING = 1e-9


@dataclass
class Answers:
    """`said` (runs, codes): places in `reasons` of why a code cannot speak about a run, 0 where it can and is silent.
    `reasons` may be shared by several batches."""

    said: NDArray[np.int32]
    reasons: dict[str, int]

    @classmethod
    def none(cls, runs: int, reasons: dict[str, int]) -> Answers:
        reasons.setdefault("", 0)
        return cls(np.zeros((runs, len(CODES)), dtype=np.int32), reasons)

    def unable(self, where: BoolArray | slice | int, code: str, reason: str) -> None:
        """Says of these runs that the code cannot speak, and why."""
        self.said[where, PLACE[code]] = self.reasons.setdefault(reason, len(self.reasons))


@dataclass
class Many:
    """`values` (runs, rows, samples) [°C], none missing: the temperature channels that are no averages, whose numbers
    are `numbers` and names `names`. Setpoint and duty as in View, (runs, samples), with the runs that have one."""

    stack: Stack
    contexts: Sequence[Context]
    answers: Answers
    numbers: list[int] = field(init=False)
    averages: list[int] = field(init=False)
    values: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        temperatures = self.stack.of_role("temperature")
        self.numbers = [place for place in temperatures if self.stack.columns[place].judged]
        self.averages = [place for place in temperatures if not self.stack.columns[place].judged]
        whole = len(self.numbers) == len(self.stack.columns)
        self.values = self.stack.values if whole else self.stack.values[:, self.numbers]

    def __len__(self) -> int:
        return len(self.values)

    @property
    def nowhere(self) -> BoolArray:
        return np.zeros(len(self), dtype=bool)

    @cached_property
    def by_row(self) -> FloatArray:
        """(rows, runs, samples)"""
        return self.values.transpose(1, 0, 2)

    @property
    def elapsed_s(self) -> FloatArray:
        return self.stack.elapsed_s

    @cached_property
    def steps_s(self) -> FloatArray:
        return np.diff(self.stack.elapsed_s)

    @cached_property
    def interval_s(self) -> float:
        return Shapes(self.values[0, :0], self.steps_s, has_gaps=False).interval_s

    @cached_property
    def lowest(self) -> FloatArray:
        return self.values.min(axis=2)

    @cached_property
    def highest(self) -> FloatArray:
        return self.values.max(axis=2)

    @cached_property
    def middle(self) -> FloatArray:
        """(runs, samples) median of the rows."""
        return middle_of(self.by_row)

    @cached_property
    def jumps(self) -> BoolArray:
        """(runs,) whether any row jumps."""
        size = self.values[:, :, 1:] - self.values[:, :, :-1]
        np.abs(size, out=size)
        steep = size.max(axis=2) > max(LEAST_JUMP_K, BRISK_K_PER_S * self.interval_s)
        found = self.nowhere
        if steep.any():
            run, row = np.nonzero(steep)
            jumps = self.shapes((run, row)).jumps
            found[run[[len(places) > 0 for places in jumps]]] = True
        return found

    def shapes(self, rows: object) -> Shapes:
        """How some rows move: places in (runs, rows), or in (runs * rows,)."""
        values = self.values[rows] if isinstance(rows, tuple) else self.values.reshape(-1, self.values.shape[2])[rows]  # pyright: ignore[reportArgumentType, reportCallIssue]
        return Shapes(values, self.steps_s, has_gaps=False)

    @cached_property
    def setpoint(self) -> tuple[FloatArray, BoolArray]:
        places = self.stack.of_role("setpoint")
        if not places:
            return np.empty((len(self), 0)), self.nowhere
        values = self.stack.values[:, places[0]]
        with np.errstate(invalid="ignore"):
            return values, np.isfinite(values).all(axis=1) & (np.ptp(values, axis=1) > 1.0)

    @cached_property
    def duty(self) -> tuple[FloatArray, BoolArray]:
        places = self.stack.of_role("duty")
        if not places:
            return np.empty((len(self), 0)), self.nowhere
        values = (
            self.stack.values[:, places[0]]
            if len(places) == 1
            else np.fmax.reduce(self.stack.values[:, places], axis=1)
        )
        return values, np.asarray(np.isfinite(values).any(axis=1))
