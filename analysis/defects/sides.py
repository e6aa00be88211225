"""Left against right inside the same run: same paste, operator and time, so that only the place differs.

Needs the side of the oven with each defect. With the board turned on alternate runs it also tells whether the trouble
sits in the oven (it stays on one side of it) or on the board (it turns with the board).
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from analysis.defects.counting import Proportion, proportion

PAIRS = (("left", "right"), ("front", "back"))
FEWEST_PAIRS = 6  # runs that differ; with 5 not even all on one side is rarer than 1 in 20 (2 / 2^5 = 0.06)
FEWEST_EACH_WAY = 5  # runs each way round, before oven and board are told apart
TURNED = {"0": "0", "180": "180"}


@dataclass(frozen=True)
class SidePair:
    """Runs with more of the defect on one side than on the other. `p`: exact sign test, None below the minimum.

    `by_orientation`: orientation -> (runs with more on side a, runs with more on side b). `follows`: oven, board or "";
    `reading` says all of it in words.
    """

    defect: str
    side_a: str
    side_b: str
    more_a: int
    more_b: int
    equal: int
    share_a: Proportion
    p: float | None
    by_orientation: dict[str, tuple[int, int]]
    follows: str
    reading: str
    without_side: int


def paired_sides(sides: pd.DataFrame, defect: str) -> list[SidePair]:
    """`sides`: rows of run, defect, side, count, orientation (None where unknown). A pair for which no defect has a side
    is left out."""
    mine = sides[sides["defect"] == defect]
    without = int(mine.loc[mine["side"].isna(), "run"].nunique())
    out = []
    for a, b in PAIRS:
        rows = mine[mine["side"].isin([a, b])]
        if rows.empty:
            continue
        counts = rows.pivot_table(index="run", columns="side", values="count", aggfunc="sum", fill_value=0)
        counts = counts.reindex(columns=[a, b], fill_value=0)
        turned = rows.drop_duplicates("run").set_index("run")["orientation"]
        more_a, more_b = counts[a] > counts[b], counts[b] > counts[a]
        by = {
            way: (int(more_a[turned == way].sum()), int(more_b[turned == way].sum()))
            for way in TURNED
            if (turned == way).any()
        }
        out.append(_pair(defect, a, b, int(more_a.sum()), int(more_b.sum()), len(counts), by, without))
    return out


def _pair(
    defect: str, a: str, b: str, more_a: int, more_b: int, runs: int, by: dict[str, tuple[int, int]], without: int
) -> SidePair:
    differ = more_a + more_b
    share = proportion(more_a, differ, exact=True)
    p = None
    if differ >= FEWEST_PAIRS:
        from scipy.stats import binomtest

        p = float(binomtest(more_a, differ).pvalue)
    follows, why = _follows(a, b, by, p, more_a, more_b)
    said = f"{defect[:1].upper()}{defect[1:]}: more on the {a} in {more_a} runs, more on the {b} in {more_b}"
    if p is None:
        said += f"; {FEWEST_PAIRS} runs that differ are needed before that means anything, there are {differ}."
    elif p < 0.05:
        said += f", which chance alone gives in {p:.2g} of cases (exact sign test)."
    else:
        said += f", consistent with chance (exact sign test, p = {p:.2f})."
    return SidePair(
        defect, a, b, more_a, more_b, runs - differ, share, p, by, follows, f"{said} {why}".strip(), without
    )


def _follows(
    a: str, b: str, by: dict[str, tuple[int, int]], p: float | None, more_a: int, more_b: int
) -> tuple[str, str]:
    """The oven when the same side leads whichever way the board lies, the board when the side turns with it."""
    from scipy.stats import fisher_exact

    if not {"0", "180"} <= set(by):
        return (
            "",
            "Whether that follows the oven or the board cannot be told: the board was not recorded both ways round.",
        )
    straight, turned = by["0"], by["180"]
    if sum(straight) < FEWEST_EACH_WAY or sum(turned) < FEWEST_EACH_WAY:
        return "", (
            f"Oven or board: {FEWEST_EACH_WAY} such runs each way round are needed, there are "
            f"{sum(straight)} at 0° and {sum(turned)} at 180°."
        )
    swap = float(fisher_exact([straight, turned]).pvalue)  # type: ignore[attr-defined]
    if swap < 0.05 and (straight[0] > straight[1]) != (turned[0] > turned[1]):
        return (
            "board",
            f"It turns with the board (exact test, p = {swap:.2g}): look at that place of the board, not at the oven.",
        )
    lead = a if more_a > more_b else b
    if p is not None and p < 0.05 and (straight[0] > straight[1]) == (turned[0] > turned[1]):
        return "oven", f"It stays on the {lead} of the oven whichever way the board lies: it follows the oven."
    return "", "Turning the board shows neither that it follows the oven nor that it follows the board."
