"""What a change does to the margins the runs are judged by: the effect that matters to the boards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FEWEST = 5  # runs each side in one group


@dataclass(frozen=True)
class MarginChange:
    """Median margin of one limit before and after a change, over the groups that have runs on both sides.

    `label`: the limit in words; `unit` of the margin; `n_before`, `n_after` runs.
    """

    label: str
    unit: str
    before: float
    after: float
    n_before: int
    n_after: int

    @property
    def used_up(self) -> bool:
        """True when a margin that was there is gone."""
        return self.before > 0 >= self.after

    @property
    def text(self) -> str:
        return (
            f"margin to {self.label}: {self.before:.1f} {self.unit} before, {self.after:.1f} {self.unit} after "
            f"(medians of {self.n_before} and {self.n_after} runs)"
        )


def margin_change(
    margins: pd.DataFrame | None, runs: NDArray[np.int64], groups: Sequence[str], onset: int
) -> MarginChange | None:
    """The limit with the least share of its margin left after the change, or None where no limit can be compared.

    `margins`: run, limit (in words), margin [unit], unit. `runs`, `groups`: of the epoch, in order; `onset` the position
    of the first changed run. The newest third of the runs since counts as "after", so that a slow change shows in full.
    """
    if margins is None or margins.empty or onset >= len(runs):
        return None
    newest = runs[-max(FEWEST, (len(runs) - onset) // 3) :] if onset < len(runs) - FEWEST else runs[onset:]
    group = pd.Series(list(groups), index=runs)
    rows = margins[margins["run"].isin(runs)].assign(group=lambda d: d["run"].map(group))
    rows = rows.assign(after=rows["run"].isin(newest), before=rows["run"].isin(runs[max(0, onset - 40) : onset]))
    found: list[tuple[float, MarginChange]] = []
    for (label, unit), part in rows.groupby(["limit", "unit"], sort=True):
        both = [
            (g.loc[g["before"], "margin"], g.loc[g["after"], "margin"])
            for _, g in part.groupby("group")
            if g["before"].sum() >= FEWEST and g["after"].sum() >= FEWEST
        ]
        for before, after in both:
            a, b = float(before.median()), float(after.median())
            left = b / a if a > 0 else np.inf
            found.append((left, MarginChange(str(label), str(unit), a, b, len(before), len(after))))
    return min(found, key=lambda f: f[0])[1] if found else None
