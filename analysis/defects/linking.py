"""Which factors go with which defects, and how strong the evidence is.

For every defect term and candidate factor: the run is the unit; runs are compared inside strata (board and paste lot,
so that neither can pose as the factor); the statistic is a stratified rank sum, its p from permuting whole runs inside
strata. What was stumbled on is corrected together (Benjamini-Hochberg 1995); questions asked beforehand are not.

Grades in words. *consistent with chance*; *a hint*: p below 0.05 but something is missing; *worth a trial*: it survives
the correction, enough runs on both sides, still there inside classes of jar age and after adjusting for the strongest
rival of another kind, and not against a known mechanism. Only a planned trial (trials.py) earns *shown by trial*.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.defects import firth
from analysis.defects.contrasts import Side, largest_stratum, sides, split
from analysis.defects.counting import Difference
from analysis.defects.evidence import FEWEST_RUNS, Factor, age_class, associations, strata, stratified
from analysis.defects.mechanisms import Mechanism, known_direction

Array = NDArray[np.floating[Any]]

CHANCE, HINT, TRIAL, SHOWN = "consistent with chance", "a hint", "worth a trial", "shown by trial"
ALPHA = 0.05
SURVIVES = 0.03  # corrected; measured on 200 shops with no cause: 0.05 calls 5 of 100 worth a trial, 0.03 calls 2
BESIDE = 0.02  # stricter, because a rival that matters and is measured coarsely never takes all of its effect away
FEWEST_DEFECTIVE = 4  # runs with the defect; below it one run more or less turns the answer round
FEWEST_EACH_SIDE = 10  # runs on either side of the contrast
TOGETHER = 0.5  # rank correlation from which two factors are said to move together
PERMUTATIONS, MOST_PERMUTATIONS = 1999, 19999
SEED = 20


@dataclass(frozen=True)
class Link:
    """One defect and one factor. `z` is the stratified statistic in standard deviations, + where higher goes with more."""

    defect: str
    factor: Factor
    a: Side | None
    b: Side | None
    effect: Difference | None
    z: float
    p: float
    q: float
    n_runs: int
    n_defective: int
    grade: str
    mechanism: Mechanism | None
    agrees: bool | None
    confounded_with: tuple[str, ...]
    largest_stratum: str
    asked: bool
    missing: tuple[str, ...]  # what keeps it from a better grade
    next_step: str

    @property
    def reservations(self) -> tuple[str, ...]:
        """Why it is no more than a hint, in words; empty for other grades."""
        if self.grade != HINT:
            return ()
        if self.q >= _needed(self):
            return (*self.missing, f"among so many looks one such find by chance is likely (q = {self.q:.2g})")
        return self.missing

    def to_json(self) -> dict[str, Any]:
        """The item of `defects --json`; `effect` is the difference of the two rates, `interval` its 95 % interval."""
        return {
            "defect": self.defect,
            "factor": self.factor.name,
            "kind": self.factor.kind,
            "contrast": {"a": self.a.to_json() if self.a else None, "b": self.b.to_json() if self.b else None},
            "effect": None if self.effect is None else self.effect.value,
            "interval": None if self.effect is None else [self.effect.low, self.effect.high],
            "p": self.p,
            "q": self.q,
            "n_runs": self.n_runs,
            "n_defective": self.n_defective,
            "grade": self.grade,
            "direction_known": None if self.agrees is None else ("agrees" if self.agrees else "disagrees"),
            "confounded_with": list(self.confounded_with),
            "next_step": self.next_step,
        }


def link_defects(
    table: pd.DataFrame,
    defects: pd.DataFrame,
    factors: Sequence[Factor],
    asked: Collection[tuple[str, str]] = (),
    seed: int = SEED,
    permutations: int | None = None,
    not_looked: Mapping[str, Collection[int]] | None = None,
    together: dict[tuple[str, str], float] | None = None,
) -> list[Link]:
    """Every defect against every factor, the defect with the strongest link first, strongest first within each.

    `table`: one row an inspected run, with `run`, `board`, `lot`, `jar_age_days` (None where unknown) and a column a
    factor. `defects`: rows of run, defect, count. `asked`: (defect, factor) pairs asked before looking. `not_looked`:
    defect -> runs whose inspection could not show it. A factor with fewer than 12 known runs, or no variation inside
    strata, is left out. `permutations`: enough by default that the rarest order can still survive the correction. `together`:
    `associations` of the table's factors, where they are known already.
    """
    whole = table.reset_index(drop=True)
    if len(whole) < FEWEST_RUNS or defects.empty:
        return []
    rng = np.random.default_rng(seed)
    found: list[Link] = []
    together = associations(whole, factors) if together is None else together
    if permutations is None:
        looks = len(factors) * defects["defect"].nunique()
        permutations = int(np.clip(2 * looks / SURVIVES, PERMUTATIONS, MOST_PERMUTATIONS))
    for defect, rows in defects.groupby("defect"):
        blind = (not_looked or {}).get(str(defect), ())
        frame = whole[~whole["run"].isin(list(blind))].reset_index(drop=True)
        if len(frame) < FEWEST_RUNS:
            continue
        counts = rows.groupby("run")["count"].sum().reindex(frame["run"], fill_value=0).to_numpy(dtype=float)
        found += _one_defect(str(defect), counts, frame, factors, together, asked, rng, permutations)
    return _graded(found)


def _one_defect(
    defect: str,
    counts: Array,
    frame: pd.DataFrame,
    factors: Sequence[Factor],
    together: dict[tuple[str, str], float],
    asked: Collection[tuple[str, str]],
    rng: np.random.Generator,
    permutations: int,
) -> list[Link]:
    hit = (counts > 0).astype(float)
    if hit.sum() == 0:
        return []
    tested: dict[str, tuple[float, float]] = {}
    for columns, members in _by_strata(factors, frame):
        tested |= stratified(hit, frame, members, strata(frame, columns), rng, permutations)
    checked = stratified(
        hit, frame, [f for f in factors if f.kind == "thermal"], strata(frame, ("board", "_age")), rng, permutations
    )
    links = []
    for factor in factors:
        if factor.name not in tested:
            continue
        z, p = tested[factor.name]
        rivals = [
            other
            for other in factors
            if other.name != factor.name
            and other.name in tested
            and together.get((factor.name, other.name), 0.0) >= TOGETHER
            and tested[other.name][1] < ALPHA
        ]
        strongest = _strongest_other_kind(factor, factors, tested)
        missing = _missing(factor, hit, frame, checked, strongest, rivals, tested)
        cut = split(factor, z, hit, frame)
        a, b, effect = sides(cut, hit, counts)
        if effect is not None and factor.numeric and effect.value <= 0:
            missing.append("the plain counts over all boards and lots point the other way")
        mechanism = known_direction(defect, factor.name)
        agrees = None if mechanism is None else (z > 0) == (mechanism.direction > 0)
        if agrees is False:
            missing.append("the direction is against the known mechanism")
        if min(a.runs if a else 0, b.runs if b else 0) < FEWEST_EACH_SIDE:
            missing.append(f"fewer than {FEWEST_EACH_SIDE} runs on one side")
        links.append(
            Link(defect, factor, a, b, effect, z, p, np.nan, len(frame), int(hit.sum()), CHANCE, mechanism, agrees,
                 tuple(r.label for r in rivals), largest_stratum(factor, cut, hit, frame),
                 (defect, factor.name) in set(asked), tuple(missing), "")
        )  # fmt: skip
    return links


def _by_strata(factors: Sequence[Factor], frame: pd.DataFrame) -> list[tuple[tuple[str, ...], list[Factor]]]:
    """Thermal and other factors inside board x lot; paste factors inside board; the board itself inside the lot."""
    frame["_age"] = age_class(frame)
    paste = [f for f in factors if f.kind == "paste"]
    board = [f for f in factors if f.kind == "board"]
    rest = [f for f in factors if f.kind not in {"paste", "board"}]
    return [(("board", "lot"), rest), (("board",), paste), (("lot",), board)]


def _strongest_other_kind(
    factor: Factor, factors: Sequence[Factor], tested: dict[str, tuple[float, float]]
) -> Factor | None:
    others = [
        f for f in factors if f.kind != factor.kind and f.numeric and f.name in tested and tested[f.name][1] < ALPHA
    ]
    return max(others, key=lambda f: abs(tested[f.name][0]), default=None)


def _missing(
    factor: Factor,
    hit: Array,
    frame: pd.DataFrame,
    checked: dict[str, tuple[float, float]],
    strongest: Factor | None,
    rivals: Sequence[Factor],
    tested: dict[str, tuple[float, float]],
) -> list[str]:
    missing = []
    if hit.sum() < FEWEST_DEFECTIVE:
        missing.append(f"only {int(hit.sum())} runs with the defect, {FEWEST_DEFECTIVE} needed")
    if factor.kind == "thermal":
        again = checked.get(factor.name)
        if again is None or again[1] >= ALPHA or np.sign(again[0]) != np.sign(tested[factor.name][0]):
            missing.append("it does not hold inside classes of jar age")
    if strongest is not None and factor.numeric:
        p = _adjusted_p(factor, strongest, hit, frame)
        if p is None or p >= BESIDE:
            missing.append(f"it does not hold beside {strongest.label}")
    for rival in rivals:
        if rival.kind != factor.kind and abs(tested[rival.name][0]) >= abs(tested[factor.name][0]):
            missing.append(f"it moves together with {rival.label}, which fits at least as well")
    return missing


def _adjusted_p(factor: Factor, other: Factor, hit: Array, frame: pd.DataFrame) -> float | None:
    """Firth p of the factor beside the other one and the boards; None when the fit is not possible."""
    x = np.column_stack([pd.to_numeric(frame[f.name], errors="coerce").to_numpy(dtype=float) for f in (factor, other)])
    known = ~np.isnan(x).any(axis=1)
    if known.sum() < FEWEST_RUNS or hit[known].sum() < 2:
        return None
    x = x[known]
    spread = x.std(axis=0)
    if bool((spread == 0).any()):
        return None
    boards = pd.get_dummies(_recorded(frame["board"])[known], drop_first=True)
    boards = boards.loc[:, boards.sum() >= 5]
    design = np.column_stack([np.ones(len(x)), (x - x.mean(axis=0)) / spread, boards.to_numpy(dtype=float)])
    try:
        return firth.likelihood_ratio(design, hit[known], 1)[1]
    except (ValueError, np.linalg.LinAlgError):
        return None


def _recorded(column: pd.Series) -> Any:
    return column.astype("string").fillna("not recorded").to_numpy(dtype=object)


def _graded(links: list[Link]) -> list[Link]:
    """Correct what was stumbled on, grade, and put the strongest first within each defect."""
    from dataclasses import replace

    from scipy.stats import false_discovery_control

    adjusted: dict[int, float] = {}
    # A defect on too few runs cannot be graded better than a hint, whatever it goes with: it costs the others nothing.
    judged = {link.defect for link in links if link.n_defective >= FEWEST_DEFECTIVE}
    for term in {link.defect for link in links}:
        stumbled = [link for link in links if link.defect == term and not link.asked]
        if stumbled:
            # Corrected among the factors of one defect, then for the number of defects: one true link must not loosen
            # the correction of another defect, as a single pooled correction would.
            qs = np.minimum(1.0, false_discovery_control([s.p for s in stumbled]) * max(1, len(judged)))
            adjusted |= dict(zip(map(id, stumbled), qs.tolist(), strict=True))
    out = []
    for link in links:
        q = float(adjusted.get(id(link), link.p))
        if link.p >= ALPHA:
            grade = CHANCE
        elif q < _needed(link) and not link.missing:
            grade = TRIAL
        else:
            grade = HINT
        out.append(replace(link, q=q, grade=grade, next_step=_next_step(link, grade)))
    best = {}
    for link in out:
        best[link.defect] = max(best.get(link.defect, 0.0), _rank(link))
    return sorted(out, key=lambda link: (-best[link.defect], link.defect, -_rank(link)))


def _needed(link: Link) -> float:
    """What q a link must stay below to be worth a trial: stricter for what was stumbled on."""
    return ALPHA if link.asked else SURVIVES


def _rank(link: Link) -> float:
    """Strength for ordering: the statistic, half a standard deviation for or against a known mechanism."""
    return abs(link.z) + (0.5 if link.agrees else -0.5 if link.agrees is False else 0.0)


_TRIAL_STEP = {
    "thermal": "Plan a trial: alternate runs with {} on either side, same board, one jar.",
    "paste": "Plan a trial: alternate runs from a fresh jar and from the one in use, same board, same profile.",
    "oven": "Plan a trial: the same board from one jar in both ovens, alternately.",
    "board": "Look at this board's print, pads and parts first; only its own runs can say more.",
    "person": "Plan a trial: the same board from one jar, hands alternating.",
    "room": "Plan a trial: note the room temperature and alternate warm and cold starts of the same board.",
}


def _next_step(link: Link, grade: str) -> str:
    if grade == CHANCE:
        return "Go on recording; nothing here asks for a change."
    if grade == TRIAL:
        return _TRIAL_STEP.get(link.factor.kind, _TRIAL_STEP["thermal"]).format(link.factor.label)
    if any("jar age" in text or "moves together" in text for text in link.missing):
        return "Run the same board from a fresh jar, so that paste and heat can be told apart."
    if any("runs" in text for text in link.missing):
        return "Inspect and record more runs before anything is changed."
    return "Keep it in mind; ask it as a question beforehand and look again after 20 more inspected runs."
