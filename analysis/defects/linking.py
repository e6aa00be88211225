"""Which factors go with which defects, and how strong the evidence is.

For every defect term and candidate factor: the run is the unit; runs are compared inside strata (board and paste lot,
so that neither can pose as the factor); the statistic is a stratified rank sum, its p from permuting whole runs inside
strata. What was stumbled on is corrected together (Benjamini-Hochberg 1995); questions asked beforehand are not.

Grades in words. *consistent with chance*; *a hint*: p below 0.05 but something is missing; *worth a trial*: it survives
the correction, enough runs on both sides, still there inside classes of jar age and after adjusting for the strongest
rival of another kind, and not against a known mechanism. Only a planned trial (trials.py) earns *shown by trial*.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.defects import firth
from analysis.defects.counting import Difference, rate_difference
from analysis.defects.evidence import FEWEST_RUNS, Factor, age_class, associations, strata, stratified
from analysis.defects.mechanisms import Mechanism, known_direction

Array = NDArray[np.floating[Any]]

CHANCE, HINT, TRIAL, SHOWN = "consistent with chance", "a hint", "worth a trial", "shown by trial"
ALPHA = 0.05
FEWEST_DEFECTIVE = 4  # runs with the defect; below it one run more or less turns the answer round
FEWEST_EACH_SIDE = 10  # runs on either side of the contrast
TOGETHER = 0.5  # rank correlation from which two factors are said to move together
PERMUTATIONS = 1999
SEED = 20


@dataclass(frozen=True)
class Side:
    """One side of a contrast: what it is in words, runs, runs with the defect, defects counted."""

    text: str
    runs: int
    with_defect: int
    defects: int


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

    def to_json(self) -> dict[str, Any]:
        """The item of `defects --json`."""

        def side(s: Side | None) -> dict[str, Any] | None:
            return (
                None
                if s is None
                else {"text": s.text, "runs": s.runs, "with_defect": s.with_defect, "defects": s.defects}
            )

        return {
            "defect": self.defect,
            "factor": self.factor.name,
            "kind": self.factor.kind,
            "contrast": {"a": side(self.a), "b": side(self.b)},
            "effect": None if self.effect is None else self.effect.value,
            "interval": None if self.effect is None else [self.effect.low, self.effect.high],
            "level": None if self.effect is None else self.effect.level,
            "p": self.p,
            "q": self.q,
            "n_runs": self.n_runs,
            "n_defective": self.n_defective,
            "grade": self.grade,
            "direction_known": None if self.agrees is None else ("agrees" if self.agrees else "disagrees"),
            "confounded_with": list(self.confounded_with),
            "largest_stratum": self.largest_stratum,
            "asked_beforehand": self.asked,
            "missing": list(self.missing),
            "next_step": self.next_step,
        }


def link_defects(
    table: pd.DataFrame,
    defects: pd.DataFrame,
    factors: Sequence[Factor],
    asked: Collection[tuple[str, str]] = (),
    seed: int = SEED,
    permutations: int = PERMUTATIONS,
) -> list[Link]:
    """Every defect against every factor, strongest first within each defect.

    `table`: one row an inspected run, with `run`, `board`, `lot`, `jar_age_days` (None where unknown) and a column a
    factor. `defects`: rows of run, defect, count. `asked`: (defect, factor) pairs asked before looking. A factor with
    fewer than 12 known runs, or no variation inside strata, is left out.
    """
    frame = table.reset_index(drop=True)
    if len(frame) < FEWEST_RUNS or defects.empty:
        return []
    rng = np.random.default_rng(seed)
    found: list[Link] = []
    together = associations(frame, factors)
    for defect, rows in defects.groupby("defect"):
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
        a, b, effect = _contrast(factor, z, hit, counts, frame)
        mechanism = known_direction(defect, factor.name)
        agrees = None if mechanism is None else (z > 0) == (mechanism.direction > 0)
        if agrees is False:
            missing.append("the direction is against the known mechanism")
        if min(a.runs if a else 0, b.runs if b else 0) < FEWEST_EACH_SIDE:
            missing.append(f"fewer than {FEWEST_EACH_SIDE} runs on one side")
        links.append(
            Link(defect, factor, a, b, effect, z, p, np.nan, len(frame), int(hit.sum()), CHANCE, mechanism, agrees,
                 tuple(r.label for r in rivals), _largest_stratum(factor, z, hit, frame, a),
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
        if p is None or p >= ALPHA:
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


def _contrast(
    factor: Factor, z: float, hit: Array, counts: Array, frame: pd.DataFrame
) -> tuple[Side | None, Side | None, Difference | None]:
    """The third of the runs where the factor says trouble, against the rest; by level: the level against the rest."""
    if factor.numeric:
        values = pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float)
        known = ~np.isnan(values)
        cut = float(f"{np.quantile(values[known], 2 / 3 if z > 0 else 1 / 3):.3g}")
        inside = known & ((values > cut) if z > 0 else (values < cut))
        unit = "" if factor.unit == "1" else f" {factor.unit}"
        over, under = ("over", "or less") if z > 0 else ("under", "or more")
        over, under = f"{over} {cut:g}{unit}", f"{cut:g}{unit} {under}"
    else:
        names = frame[factor.name].astype("string")
        known = names.notna().to_numpy()
        rates = pd.Series(hit).groupby(names.to_numpy(dtype=object)).agg(["mean", "size"])
        rates = rates[rates["size"] >= 2]
        if rates.empty:
            return None, None, None
        level = str(rates["mean"].idxmax() if z > 0 else rates["mean"].idxmin())
        inside = known & (names == level).fillna(False).to_numpy()
        over, under = level, "the others"
    rest = known & ~inside
    if not inside.any() or not rest.any():
        return None, None, None
    a = Side(f"{factor.label} {over}", int(inside.sum()), int(hit[inside].sum()), int(counts[inside].sum()))
    b = Side(f"{factor.label} {under}", int(rest.sum()), int(hit[rest].sum()), int(counts[rest].sum()))
    return a, b, rate_difference(a.with_defect, a.runs, b.with_defect, b.runs)


def _largest_stratum(factor: Factor, z: float, hit: Array, frame: pd.DataFrame, a: Side | None) -> str:
    """The same contrast inside the largest board x lot stratum that holds a defect, in words."""
    if a is None or not factor.numeric:
        return ""
    key = frame[["board", "lot"]].astype("string").fillna("not recorded").agg(", lot ".join, axis=1)
    with_hit = key[hit > 0].value_counts()
    if with_hit.empty:
        return ""
    name = str(key[key.isin(with_hit.index)].value_counts().index[0])
    at = (key == name).to_numpy()
    values = pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float)
    known = ~np.isnan(values)
    cut = np.quantile(values[known], 2 / 3 if z > 0 else 1 / 3)
    inside = at & known & ((values > cut) if z > 0 else (values < cut))
    rest = at & known & ~inside
    there, beside = (f"{int(hit[side].sum())} of {int(side.sum())}" for side in (inside, rest))
    return f"inside {name} alone: {there} runs against {beside}"


def _graded(links: list[Link]) -> list[Link]:
    """Correct what was stumbled on, grade, and put the strongest first within each defect."""
    from dataclasses import replace

    from scipy.stats import false_discovery_control

    adjusted: dict[int, float] = {}
    terms = {link.defect for link in links}
    for term in terms:
        stumbled = [link for link in links if link.defect == term and not link.asked]
        if stumbled:
            # Corrected among the factors of one defect, then for the number of defects: one true link must not loosen
            # the correction of another defect, as a single pooled correction would.
            qs = np.minimum(1.0, false_discovery_control([s.p for s in stumbled]) * len(terms))
            adjusted |= dict(zip(map(id, stumbled), qs.tolist(), strict=True))
    out = []
    for link in links:
        q = float(adjusted.get(id(link), link.p))
        if link.p >= ALPHA:
            grade = CHANCE
        elif q < ALPHA and not link.missing:
            grade = TRIAL
        else:
            grade = HINT
        out.append(replace(link, q=q, grade=grade, next_step=_next_step(link, grade)))
    return sorted(out, key=lambda link: (link.defect, -_rank(link)))


def _rank(link: Link) -> float:
    """Strength for ordering: the statistic, half a standard deviation for or against a known mechanism."""
    return abs(link.z) + (0.5 if link.agrees else -0.5 if link.agrees is False else 0.0)


def _next_step(link: Link, grade: str) -> str:
    if grade == CHANCE:
        return "Go on recording; nothing here asks for a change."
    if grade == TRIAL:
        return f"Plan a trial: alternate runs with {link.factor.label} on either side, same board, one jar."
    if any("jar age" in text or "moves together" in text for text in link.missing):
        return "Run the same board from a fresh jar, so that paste and heat can be told apart."
    if any("runs" in text for text in link.missing):
        return "Inspect and record more runs before anything is changed."
    return "Keep it in mind; ask it as a question beforehand and look again after 20 more inspected runs."
