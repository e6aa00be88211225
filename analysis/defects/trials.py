"""Planned trials: whose turn it is, how far it is, and what it showed. The only way to the grade "shown by trial".

One change on alternate runs, the number of runs fixed beforehand, and one evaluation when both arms have them all:
looking again and again until the difference looks good finds one where there is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.defects.counting import Difference, rate_difference
from analysis.defects.linking import ALPHA, CHANCE, HINT, SHOWN
from analysis.defects.tables import exact_p, tables_of
from ingest.defect_terms import canonical

MOST_OUT_OF_TURN = 0.2  # share of runs not in the planned order; beyond it the arms are not alike by plan any more


@dataclass(frozen=True)
class Trial:
    """A planned trial as the archive keeps it. Arm a is as now, arm b with the change."""

    trial_id: int
    name: str
    defect: str
    factor: str | None
    change: str
    arm_a: str
    arm_b: str
    board: str | None
    runs_per_arm: int
    alternate_orientation: bool
    planned_at: pd.Timestamp
    closed_at: pd.Timestamp | None
    why_closed: str | None


@dataclass(frozen=True)
class TrialState:
    """`assigned`, `inspected`, `with_defect`: (arm a, arm b), only the first `runs_per_arm` inspected ones of each arm.

    `grade`, `p`, `effect` (rate of a less rate of b) are None until the trial is complete or closed. `next_step` says
    what to do with the next run, or what follows.
    """

    trial: Trial
    assigned: tuple[int, int]
    inspected: tuple[int, int]
    with_defect: tuple[int, int]
    out_of_turn: int
    is_complete: bool
    p: float | None
    effect: Difference | None
    grade: str | None
    factor_moved: str
    reading: str
    next_step: str


def trials_of(frame: pd.DataFrame) -> list[Trial]:
    """Rows of the archive's trials (ingest.archive.trials.list_trials)."""

    rows: list[dict[Any, Any]] = frame.to_dict("records")
    plain: list[dict[str, Any]] = [{str(k): None if pd.isna(v) else v for k, v in row.items()} for row in rows]
    return [
        Trial(
            *(int(r["trial_id"]), r["name"], r["defect"], r["factor"], r["change"], r["arm_a"], r["arm_b"]),
            *(r["board"], int(r["runs_per_arm"]), bool(r["alternate_orientation"])),
            *(r["planned_at"], r["closed_at"], r["why_closed"]),
        )
        for r in plain
    ]


def evaluate(trial: Trial, members: pd.DataFrame, hits: pd.Series, runs: pd.DataFrame) -> TrialState:
    """`members`: run, arm, planned_arm in the order they joined. `hits`: count of the defect per inspected run (index run).
    `runs`: run, board and factor columns of inspected runs."""
    mine = members.reset_index(drop=True)
    out_of_turn = int((mine["arm"] != mine["planned_arm"]).sum())
    looked = mine[mine["run"].isin(hits.index)].copy()
    looked["hit"] = (hits.reindex(looked["run"]).to_numpy() > 0).astype(float)
    taken = pd.concat([looked[looked["arm"] == arm].head(trial.runs_per_arm) for arm in "ab"])
    assigned = (int((mine["arm"] == "a").sum()), int((mine["arm"] == "b").sum()))
    n = (int((taken["arm"] == "a").sum()), int((taken["arm"] == "b").sum()))
    hit = (int(taken.loc[taken["arm"] == "a", "hit"].sum()), int(taken.loc[taken["arm"] == "b", "hit"].sum()))
    complete = min(n) >= trial.runs_per_arm
    closed = trial.closed_at is not None
    if not complete and not (closed and min(n) > 0):
        reading = (
            f"{n[0]} and {n[1]} of {trial.runs_per_arm} runs an arm inspected. "
            "It is evaluated once, when both arms have them all."
        )
        if closed:
            reading = "Closed before both arms had an inspected run: it says nothing."
        step = "Plan it again." if closed else _next_run(trial, mine)
        return TrialState(trial, assigned, n, hit, out_of_turn, False, None, None, None, "", reading, step)
    taken = taken.merge(runs, on="run", how="left")
    board = taken["board"].astype("string").fillna("not recorded") if "board" in taken else pd.Series("", taken.index)
    strata = pd.factorize(board)[0].astype(np.int64)
    in_a = (taken["arm"] == "a").to_numpy()
    p = exact_p(tables_of(in_a, ~in_a, taken["hit"].to_numpy(dtype=float), strata))
    effect = rate_difference(hit[0], n[0], hit[1], n[1])
    grade, why = _grade(p, complete, out_of_turn, len(mine))
    reading = (
        f"{hit[0]} of {n[0]} runs with {trial.arm_a}, {hit[1]} of {n[1]} with {trial.arm_b}: "
        f"difference {effect.value:+.0%} ({effect.low:+.0%} to {effect.high:+.0%}), exact p = {p:.2g}. {why}"
    )
    step = (
        ("Keep the change." if effect.value > 0 else "Do not make the change: it made things worse.")
        if grade == SHOWN
        else "The trial decides nothing. Plan a larger one only if the interval still holds a difference worth having."
    )
    moved = _moved(trial, taken, in_a)
    return TrialState(trial, assigned, n, hit, out_of_turn, complete, p, effect, grade, moved, reading, step)


def _grade(p: float, complete: bool, out_of_turn: int, runs: int) -> tuple[str, str]:
    if p >= ALPHA:
        return CHANCE, "Consistent with chance."
    if not complete:
        return HINT, "Closed before the planned number of runs: a hint, not shown."
    if out_of_turn > MOST_OUT_OF_TURN * runs:
        return HINT, f"{out_of_turn} of {runs} runs were not in the planned order: a hint, not shown."
    return SHOWN, "Shown by trial."


def _next_run(trial: Trial, members: pd.DataFrame) -> str:
    last = members["arm"].iloc[-1] if len(members) else "b"
    arm = trial.arm_b if last == "a" else trial.arm_a
    way = ""
    if trial.alternate_orientation:
        way = f", board turned by {'180' if (len(members) // 2) % 2 else '0'}°"
    return f"Next run: {arm}{way}. Put it into the trial before anyone looks at its boards."


def _moved(trial: Trial, taken: pd.DataFrame, in_a: Any) -> str:
    """Whether the change moved the factor it was meant to move."""
    if trial.factor is None or trial.factor not in taken:
        return ""
    values = pd.to_numeric(taken[trial.factor], errors="coerce").to_numpy(dtype=float)
    a, b = values[in_a & ~np.isnan(values)], values[~in_a & ~np.isnan(values)]
    if len(a) < 4 or len(b) < 4:
        return "Too few values to say whether the change moved it."
    from scipy.stats import mannwhitneyu

    p = float(mannwhitneyu(a, b).pvalue)
    said = f"median {np.median(a):.3g} with {trial.arm_a}, {np.median(b):.3g} with {trial.arm_b}"
    return f"The change moved it: {said}." if p < ALPHA else f"The change did not clearly move it: {said}."


def shown_by(states: list[TrialState]) -> set[tuple[str, str]]:
    """(canonical defect, factor) that a complete trial has shown."""
    return {
        (canonical(s.trial.defect), s.trial.factor) for s in states if s.grade == SHOWN and s.trial.factor is not None
    }
