"""Which defects, where, with what: counts before rates, each with its denominator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.defects.counting import (
    AttributeChart,
    BetweenChart,
    DefectRate,
    Proportion,
    between_defects,
    dpmo,
    p_chart,
    proportion,
)
from analysis.defects.records import DefectRecords

# What a yield can be asked by: word -> column of the records.
BY = {"board": "board", "oven": "oven", "jar": "jar", "profile": "profile", "month": "month", "paste": "paste"}
FEWEST_POINTS = 8  # months (or weeks) of a chart; with fewer its limits rest on next to nothing
RARE = 0.05  # share of runs with the defect below which gaps between them say more than a rate


@dataclass(frozen=True)
class DefectLine:
    """One defect in all inspected runs. `joints`: defects per million joints, over the runs that say how many.

    `places`: what stands out, as (kind of place, name, defects there, defects with that kind of place recorded).
    """

    defect: str
    defects: int
    runs: Proportion
    joints: DefectRate
    places: tuple[tuple[str, str, int, int], ...]
    blind: int  # inspected runs whose method could not show it


def defect_lines(records: DefectRecords) -> list[DefectLine]:
    """Every defect found, on most runs first."""
    out = []
    for term in records.terms:
        hits = records.hits(term)
        runs = records.runs.set_index("run").loc[hits.index]
        said = runs["joints_looked"].notna().to_numpy()
        counts = hits.to_numpy(dtype=float)
        rate = _rate(counts[said], runs["joints_looked"].to_numpy(dtype=float)[said])
        mine = records.defects["defect"] == term
        out.append(
            DefectLine(
                term,
                int(records.defects.loc[mine, "count"].sum()),
                proportion(int((hits > 0).sum()), len(hits)),
                rate,
                tuple(_places(records, term)),
                len(records.not_looked.get(term, ())),
            )
        )
    return out


def _rate(counts: Any, joints: Any) -> DefectRate:
    counted = joints > 0  # nought joints looked at is no look at joints
    counts, joints = counts[counted], joints[counted]
    total = float(joints.sum())
    spread = 1.0
    if total > 0 and counts.sum() > 0 and len(counts) > 2:
        expected = counts.sum() / total * joints
        spread = float(((counts - expected) ** 2 / expected).sum() / (len(counts) - 1))
    return dpmo(int(counts.sum()), int(total), spread=spread)


def _places(records: DefectRecords, term: str) -> list[tuple[str, str, int, int]]:
    """Side of the oven and reference designator, where recorded; the fullest one of each."""
    rows = records.sides[records.sides["defect"] == term]
    out = []
    for kind, column in (("side of the oven", "side"), ("place on the board", "ref_des")):
        known = rows[rows[column].notna()]
        if known.empty:
            continue
        sums = known.groupby(column)["count"].sum().sort_values(ascending=False)
        out.append((kind, str(sums.index[0]), int(sums.iloc[0]), int(sums.sum())))
    return out


def yields(records: DefectRecords, by: str | None = None, defect: str | None = None) -> pd.DataFrame:
    """First-pass yield and defects per million joints by one of BY (None: all together).

    A run counts as clean when nothing (or nothing of `defect`) was found before any touch-up. Columns: group, inspected
    (runs), clean, rate, low, high (Wilson, 95 %), boards (looked at, missing where not said), defects, joints, dpmo,
    dpmo_low, dpmo_high. Runs whose group is not recorded stand together as "not recorded".
    """
    runs = records.runs
    counts = runs["found"] if defect is None else records.hits(defect).reindex(runs["run"]).set_axis(runs.index)
    frame = runs.assign(n=counts)[counts.notna()]
    names = frame[BY[by]].astype("string").fillna("not recorded") if by else pd.Series("all", index=frame.index)
    rows = []
    for name, part in frame.groupby(names.to_numpy(dtype=object), sort=True):
        share = proportion(int((part["n"] == 0).sum()), len(part))
        said = part["joints_looked"].notna()
        rate = _rate(part.loc[said, "n"].to_numpy(dtype=float), part.loc[said, "joints_looked"].to_numpy(dtype=float))
        boards = part["boards_looked"].sum(min_count=1)
        rows.append(
            {
                "group": str(name),
                "inspected": share.n,
                "clean": share.count,
                "rate": share.rate,
                "low": share.low,
                "high": share.high,
                "boards": None if pd.isna(boards) else int(boards),
                "defects": int(part["n"].sum()),
                "joints": rate.opportunities,
                "dpmo": rate.dpmo,
                "dpmo_low": rate.low,
                "dpmo_high": rate.high,
            }
        )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class OverTime:
    """Share of runs with the defect over time. `labels`: the month or week of each point; `per` which of them."""

    labels: list[str]
    counts: list[int]
    n: list[int]
    chart: AttributeChart
    per: str


def over_time(records: DefectRecords, defect: str | None = None) -> OverTime | None:
    """A chart of proportions by month, or by week when there are too few months; None with fewer than 8 points."""
    runs = records.runs
    hit = (~runs["clean"]) if defect is None else records.hits(defect).reindex(runs["run"]).set_axis(runs.index) > 0
    frame = runs.assign(hit=hit)
    if defect is not None:
        frame = frame[~frame["run"].isin(records.not_looked.get(defect, frozenset()))]
    for per in ("month", "week"):
        points = frame[frame[per].notna()].groupby(per)["hit"].agg(["sum", "size"])
        if len(points) >= FEWEST_POINTS:
            counts, n = points["sum"].to_numpy(dtype=float), points["size"].to_numpy(dtype=float)
            if not 0 < counts.sum() < n.sum():
                return None
            chart = p_chart(counts, n, allow_overdispersion=True)
            if chart.spread < 1:  # less scatter than chance is chance: the plain limits hold
                chart = p_chart(counts, n)
            return OverTime([str(x) for x in points.index], [int(c) for c in counts], [int(x) for x in n], chart, per)
    return None


def gaps(records: DefectRecords, defect: str) -> tuple[BetweenChart, pd.DataFrame] | None:
    """Clean runs between runs with the defect, in order of time, for a rare one; None when it is not rare or too few.

    The frame has a row a gap: run (that ended it), started_at, between, probability, signal.
    """
    hits = records.hits(defect)
    frame = records.runs.set_index("run").loc[hits.index].assign(hit=hits > 0)
    frame = frame[frame["started_at"].notna()].sort_values(["started_at"], kind="stable")
    if frame["hit"].sum() < 3 or frame["hit"].mean() > RARE:
        return None
    chart = between_defects(frame["hit"].tolist())
    ends = frame[frame["hit"]].iloc[1:]
    table = pd.DataFrame(
        {
            "run": ends.index.to_numpy(),
            "started_at": ends["started_at"].to_numpy(),
            "between": chart.between,
            "probability": chart.probability,
            "signal": chart.signal,
        }
    )
    return chart, table


def places_by_orientation(records: DefectRecords, defect: str) -> pd.DataFrame:
    """Runs with the defect by reference designator and orientation: does it follow the side, or the part?"""
    rows = records.sides[(records.sides["defect"] == defect) & records.sides["ref_des"].notna()]
    if rows.empty:
        return pd.DataFrame(columns=["ref_des"])
    way = ["orientation unknown" if pd.isna(v) else f"at {v}°" for v in rows["orientation"]]
    return (
        rows.assign(way=way)
        .pivot_table(index="ref_des", columns="way", values="run", aggfunc="nunique", fill_value=0)
        .astype(np.int64)
        .reset_index()
    )
