"""The plain contrast: runs on one side of a factor against the rest, with counts; and the same inside strata.

"7 on 5 of 31 runs with melt lag over 8 s, 1 on 1 of 58 runs with 8 s or less."
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.defects.counting import Difference, rate_difference
from analysis.defects.evidence import Factor

Array = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Side:
    """One side of a contrast: what it is in words, runs, runs with the defect, defects counted."""

    text: str
    runs: int
    with_defect: int
    defects: int

    def sentence(self, word: str = "runs") -> str:
        return f"{self.defects} on {self.with_defect} of {self.runs} {word} with {self.text}"

    def to_json(self) -> dict[str, Any]:
        return {"text": self.text, "runs": self.runs, "with_defect": self.with_defect, "defects": self.defects}


@dataclass(frozen=True)
class Split:
    """Which runs stand on either side (masks over the frame), in words; `cut` for a numeric factor."""

    inside: Mask
    rest: Mask
    over: str
    under: str
    cut: float | None


def split(factor: Factor, z: float, hit: Array, frame: pd.DataFrame) -> Split | None:
    """The third of the runs where the factor says trouble, against the rest; by level: the level against the rest.

    A thermal factor is cut among the runs of one paste, the one with most defective runs: peaks of two alloys are not
    compared with each other. None when one side would be empty.
    """
    if not factor.numeric:
        return _by_level(factor, z, hit, frame)
    values = pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float)
    known = ~np.isnan(values)
    among = ""
    if factor.kind == "thermal" and "paste" in frame:
        known, among = _one_paste(frame["paste"], known, hit)
    if not known.any():
        return None
    cut = float(f"{np.quantile(values[known], 2 / 3 if z > 0 else 1 / 3):.3g}")
    inside = known & ((values > cut) if z > 0 else (values < cut))
    rest = known & ~inside
    if not inside.any() or not rest.any():
        return None
    unit = "" if factor.unit == "1" else f" {factor.unit}"
    over, under = ("over", "or less") if z > 0 else ("under", "or more")
    return Split(inside, rest, f"{factor.label} {over} {cut:g}{unit}{among}", f"{cut:g}{unit} {under}{among}", cut)


def _by_level(factor: Factor, z: float, hit: Array, frame: pd.DataFrame) -> Split | None:
    names = frame[factor.name].astype("string")
    known = names.notna().to_numpy()
    rates = pd.Series(hit).groupby(names.to_numpy(dtype=object)).agg(["mean", "size"])
    rates = rates[rates["size"] >= 2]
    if rates.empty:
        return None
    level = str(rates["mean"].idxmax() if z > 0 else rates["mean"].idxmin())
    inside = known & (names == level).fillna(False).to_numpy()
    rest = known & ~inside
    if not inside.any() or not rest.any():
        return None
    return Split(inside, rest, f"{factor.label} {level}", "the others", None)


def _one_paste(paste: pd.Series, known: Mask, hit: Array) -> tuple[Mask, str]:
    names = paste.astype("string")
    of = pd.DataFrame({"paste": names, "hit": hit, "known": known})
    of = of[of["paste"].notna() & of["known"]]
    if of["paste"].nunique() < 2:
        return known, ""
    totals = of.groupby("paste").agg(hits=("hit", "sum"), runs=("hit", "size"))
    name = str(totals.sort_values(["hits", "runs"], ascending=False).index[0])
    return known & (names == name).fillna(False).to_numpy(), f" ({name})"


def sides(cut: Split | None, hit: Array, counts: Array) -> tuple[Side | None, Side | None, Difference | None]:
    """Both sides with their counts, and the difference of their rates with Newcombe's interval."""
    if cut is None:
        return None, None, None
    a, b = (
        Side(text, int(mask.sum()), int(hit[mask].sum()), int(counts[mask].sum()))
        for text, mask in ((cut.over, cut.inside), (cut.under, cut.rest))
    )
    return a, b, rate_difference(a.with_defect, a.runs, b.with_defect, b.runs)


def largest_stratum(factor: Factor, cut: Split | None, hit: Array, frame: pd.DataFrame) -> str:
    """The same contrast inside the largest board x lot stratum that holds a defect, in words."""
    if cut is None or not factor.numeric:
        return ""
    board, lot = (frame[column].astype("string").fillna("not recorded") for column in ("board", "lot"))
    key = board + ", lot " + lot
    counted = (cut.inside | cut.rest) & key.isin(key[(hit > 0) & (cut.inside | cut.rest)]).to_numpy()
    if not counted.any():
        return ""
    name = str(key[counted].value_counts().index[0])
    at = (key == name).to_numpy()
    there, beside = (f"{int(hit[at & side].sum())} of {int((at & side).sum())}" for side in (cut.inside, cut.rest))
    return f"Inside {name} alone: {there} runs against {beside}."
