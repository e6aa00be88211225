"""Several factors at once: a penalised logistic model and a forest of trees, checked on jars they have not seen.

Both must beat "the base rate only" out of sample, with whole jars (or weeks) left out: runs from one jar are alike, and a
model that has seen half of them has seen the answer. If they do not beat it, that is the answer. An expected probability
for a new run is given only by a model that beats the base rate and is calibrated, and only inside what was seen.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.defects import firth
from analysis.defects.counting import Proportion, proportion
from analysis.defects.evidence import Factor

Array = NDArray[np.floating[Any]]
P = ParamSpec("P")
T = TypeVar("T")

FEWEST_RUNS = 60
FEWEST_DEFECTIVE = (
    15  # runs; about 10 an effective coefficient is the usual advice for penalised models, common practice
)
FEWEST_GROUPS = 4  # jars or weeks
MOSTLY_KNOWN = 0.8  # a factor unknown on more than a fifth of the runs is left out
FOLDS = 5
DRAWS = 200
SEED = 20
FEWEST_OF_LEVEL = 5  # runs; rarer levels are pooled with the rest


def _one_thread(work: Callable[P, T]) -> Callable[P, T]:
    """These fits are small: threads of the linear algebra would only wait for each other (five times slower, measured)."""

    @functools.wraps(work)
    def held(*args: P.args, **kwargs: P.kwargs) -> T:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(1):
            return work(*args, **kwargs)

    return held


@dataclass(frozen=True)
class Score:
    """Out-of-sample log loss of a model (smaller is better), and its gain over the base rate per run with interval."""

    model: str
    log_loss: float
    gain: float
    low: float
    high: float

    @property
    def beats_base(self) -> bool:
        return self.low > 0


@dataclass(frozen=True)
class CalibrationClass:
    """Runs with similar predicted probability: mean predicted, and what was seen."""

    predicted: float
    seen: Proportion


@dataclass(frozen=True)
class Model:
    """What several factors say together. `reason`: why there is none (then the rest is empty).

    `weights`: factor label -> log odds a standard deviation, largest first. `slope`: of the logistic calibration (1 is
    perfect) with interval. `is_calibrated`: it beats the base rate, the slope's interval holds 1 and not 0, and the number
    of defective runs expected lies where it should.
    """

    defect: str
    n: int
    defective: int
    groups: int
    grouped_by: str
    scores: tuple[Score, ...]
    calibration: tuple[CalibrationClass, ...]
    slope: tuple[float, float, float] | None
    expected_defective: float | None
    is_calibrated: bool
    weights: tuple[tuple[str, float], ...]
    left_out: tuple[str, ...]
    reading: str
    seed: int
    fitted: Any = None
    reason: str = ""


@dataclass(frozen=True)
class Expected:
    """Expected probability of the defect on a run. `probability` None with a `reason` when none is given."""

    defect: str
    probability: float | None
    low: float | None
    high: float | None
    base: float
    level: float
    reason: str = ""


@dataclass(frozen=True)
class _Design:
    columns: tuple[str, ...]
    factors: tuple[Factor, ...]
    levels: dict[str, tuple[str, ...]]
    medians: dict[str, float]
    ranges: dict[str, tuple[float, float]]

    def matrix(self, frame: pd.DataFrame) -> Array:
        parts = []
        for factor in self.factors:
            if factor.numeric:
                values = pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float)
                parts.append(np.where(np.isnan(values), self.medians[factor.name], values)[:, None])
            else:
                names = frame[factor.name].astype("string").fillna("not recorded").to_numpy(dtype=object)
                parts += [(names == level).astype(float)[:, None] for level in self.levels[factor.name]]
        return np.column_stack(parts)


@dataclass(frozen=True)
class _Fitted:
    design: _Design
    x: Array
    y: Array
    groups: NDArray[np.int64]
    strength: float


@_one_thread
def fit_several(frame: pd.DataFrame, hit: Array, defect: str, factors: Sequence[Factor], seed: int = SEED) -> Model:
    """`frame`: a row an inspected run with `jar`, `week` and a column a factor; `hit`: 0 or 1 a run.

    Levels (board, oven, operator) enter as yes or no; the lot does not, it is left out whole with its jar. Refused below
    60 runs, 15 with the defect and 4 jars or weeks.
    """
    n, defective = len(frame), int(hit.sum())
    groups, grouped_by = _groups(frame)
    count = int(groups.max()) + 1 if n else 0

    def refused(reason: str) -> Model:
        return Model(defect, n, defective, count, grouped_by, (), (), None, None, False, (), (), "", seed, None, reason)

    if n < FEWEST_RUNS or defective < FEWEST_DEFECTIVE or n - defective < FEWEST_DEFECTIVE:
        return refused(
            f"{n} inspected runs, {defective} with {defect}; {FEWEST_RUNS} are needed, "
            f"{FEWEST_DEFECTIVE} with it and as many without"
        )
    if count < FEWEST_GROUPS:
        return refused(f"only {count} {grouped_by}s to leave out in turn; {FEWEST_GROUPS} are needed")
    design, left_out = _design(frame, factors)
    if not design.columns:
        return refused("no factor is known on enough runs")
    x = design.matrix(frame)
    y = hit.astype(float)
    strength = _strength(x, y, groups)
    predicted = {
        "penalised logistic": _out_of_sample(x, y, groups, lambda: _logistic(strength)),
        "forest of trees": _out_of_sample(x, y, groups, lambda: _forest(seed)),
    }
    base = _out_of_sample(x, y, groups, None)
    scores = tuple(_score(name, p, base, y, groups, seed) for name, p in predicted.items())
    logistic = predicted["penalised logistic"]
    slope = _slope(logistic, y)
    expected = float(logistic.sum())
    spread = 1.96 * float(np.sqrt((logistic * (1 - logistic)).sum()))
    calibrated = bool(
        scores[0].beats_base
        and slope is not None
        and slope[1] <= 1 <= slope[2]
        and slope[1] > 0
        and abs(expected - defective) <= spread
    )
    model = _logistic(strength).fit(x, y)
    weights = sorted(zip(design.columns, (float(w) for w in model[-1].coef_[0]), strict=True), key=lambda w: -abs(w[1]))
    return Model(
        *(defect, n, defective, count, grouped_by, scores, _classes(logistic, y), slope, expected, calibrated),
        tuple(weights),
        tuple(left_out),
        _reading(scores, calibrated),
        seed,
        _Fitted(design, x, y, groups, strength),
    )


@_one_thread
def expect(model: Model, run: pd.DataFrame, level: float = 0.95) -> Expected:
    """The expected probability for one run (a frame of one row), interval from drawing whole jars (or weeks) again."""
    base = model.defective / model.n if model.n else float("nan")

    def refused(reason: str) -> Expected:
        return Expected(model.defect, None, None, None, base, level, reason)

    if not model.is_calibrated or model.fitted is None:
        return refused(model.reason or "the model is not calibrated well enough to give a probability")
    fitted: _Fitted = model.fitted
    outside = _outside(fitted.design, run)
    if outside:
        return refused(outside)
    row = fitted.design.matrix(run)
    value = float(_logistic(fitted.strength).fit(fitted.x, fitted.y).predict_proba(row)[0, 1])
    rng = np.random.default_rng(model.seed)
    members = [np.flatnonzero(fitted.groups == g) for g in range(int(fitted.groups.max()) + 1)]
    drawn = []
    for _ in range(DRAWS):
        at = np.concatenate([members[g] for g in rng.integers(0, len(members), len(members))])
        if 0 < fitted.y[at].sum() < len(at):
            drawn.append(float(_logistic(fitted.strength).fit(fitted.x[at], fitted.y[at]).predict_proba(row)[0, 1]))
    tail = (1 - level) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail])
    return Expected(model.defect, value, float(min(low, value)), float(max(high, value)), base, level)


def _outside(design: _Design, run: pd.DataFrame) -> str:
    for factor in design.factors:
        if factor.numeric:
            value = pd.to_numeric(run[factor.name], errors="coerce").iloc[0]
            if pd.isna(value):
                return f"{factor.label} of this run is not known"
            low, high = design.ranges[factor.name]
            if not low <= float(value) <= high:
                unit = f" {factor.unit}" if factor.unit else ""
                return f"{factor.label} {float(value):.3g}{unit} lies outside what was seen ({low:.3g} to {high:.3g}{unit})"
        elif design.levels[factor.name]:
            name = run[factor.name].iloc[0]
            if pd.isna(name):
                return f"{factor.label} of this run is not known"
    return ""


def _groups(frame: pd.DataFrame) -> tuple[NDArray[np.int64], str]:
    for column in ("jar", "week"):
        if (
            column in frame
            and frame[column].notna().mean() >= MOSTLY_KNOWN
            and frame[column].nunique() >= FEWEST_GROUPS
        ):
            named = frame[column].astype("string").fillna("not recorded")
            return pd.factorize(named)[0].astype(np.int64), column
    return np.zeros(len(frame), dtype=np.int64), "jar or week"


def _design(frame: pd.DataFrame, factors: Sequence[Factor]) -> tuple[_Design, list[str]]:
    columns: list[str] = []
    kept: list[Factor] = []
    left_out: list[str] = []
    levels: dict[str, tuple[str, ...]] = {}
    medians: dict[str, float] = {}
    ranges: dict[str, tuple[float, float]] = {}
    for factor in factors:
        if factor.name not in frame or factor.name == "lot":
            continue
        known = frame[factor.name].notna().mean()
        if known < MOSTLY_KNOWN:
            left_out.append(f"{factor.label} (known on {known:.0%} of the runs)")
            continue
        if factor.numeric:
            values = pd.to_numeric(frame[factor.name], errors="coerce").dropna()
            if values.nunique() < 2:
                continue
            medians[factor.name] = float(values.median())
            ranges[factor.name] = (float(values.min()), float(values.max()))
            columns.append(factor.label)
        else:
            sizes = frame[factor.name].astype("string").value_counts()
            often = [str(name) for name, size in sizes.items() if size >= FEWEST_OF_LEVEL]
            levels[factor.name] = tuple(often[1:])  # the most frequent one is what the others are compared with
            if not levels[factor.name]:
                continue
            columns += [f"{factor.label} {name}" for name in levels[factor.name]]
        kept.append(factor)
    return _Design(tuple(columns), tuple(kept), levels, medians, ranges), left_out


def _logistic(strength: float) -> Any:
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return make_pipeline(StandardScaler(), LogisticRegression(C=strength, max_iter=500))


def _forest(seed: int) -> Any:
    from sklearn.ensemble import RandomForestClassifier

    return RandomForestClassifier(n_estimators=200, min_samples_leaf=8, random_state=seed, n_jobs=1)


def _strength(x: Array, y: Array, groups: NDArray[np.int64]) -> float:
    """The penalty that predicts left-out groups best."""
    strengths = (0.01, 0.03, 0.1, 0.3, 1.0)
    losses = [_loss(_out_of_sample(x, y, groups, lambda s=s: _logistic(s)), y).mean() for s in strengths]
    return strengths[int(np.argmin(losses))]


def _out_of_sample(x: Array, y: Array, groups: NDArray[np.int64], build: Any) -> Array:
    """Probability of each run from a model that has not seen its group. `build` None: the rate of the other groups."""
    from sklearn.model_selection import GroupKFold

    out = np.empty(len(y))
    for train, test in GroupKFold(min(FOLDS, int(groups.max()) + 1)).split(x, y, groups):
        if build is None or y[train].sum() in (0, len(train)):
            out[test] = (y[train].sum() + 0.5) / (len(train) + 1)
        else:
            out[test] = build().fit(x[train], y[train]).predict_proba(x[test])[:, 1]
    return np.clip(out, 1e-4, 1 - 1e-4)


def _loss(p: Array, y: Array) -> Array:
    return -(y * np.log(p) + (1 - y) * np.log(1 - p))


def _score(name: str, p: Array, base: Array, y: Array, groups: NDArray[np.int64], seed: int) -> Score:
    """Gain over the base rate, its interval from drawing whole groups again."""
    gain = _loss(base, y) - _loss(p, y)
    rng = np.random.default_rng(seed)
    count = int(groups.max()) + 1
    sums, sizes = np.bincount(groups, gain, count), np.bincount(groups, minlength=count)
    drawn = rng.integers(0, count, (2000, count))
    means = sums[drawn].sum(axis=1) / sizes[drawn].sum(axis=1)
    low, high = np.quantile(means, [0.025, 0.975])
    return Score(name, float(_loss(p, y).mean()), float(gain.mean()), float(low), float(high))


def _slope(p: Array, y: Array) -> tuple[float, float, float] | None:
    x = np.column_stack([np.ones(len(p)), np.log(p / (1 - p))])
    if x[:, 1].std() < 1e-6:
        return None
    try:
        fit = firth.fit(x, y)
        low, high = firth.profile_interval(x, y, 1)
    except (ValueError, np.linalg.LinAlgError):
        return None
    return float(fit.coefficients[1]), low, high


def _classes(p: Array, y: Array) -> tuple[CalibrationClass, ...]:
    """Up to five classes of equal size by predicted probability."""
    return tuple(
        CalibrationClass(float(p[at].mean()), proportion(int(y[at].sum()), len(at)))
        for at in np.array_split(np.argsort(p, kind="stable"), 5)
    )


def _reading(scores: Sequence[Score], calibrated: bool) -> str:
    logistic, forest = scores
    if not logistic.beats_base and not forest.beats_base:
        return (
            "Neither model predicts runs of a jar it has not seen better than the base rate alone: "
            "the factors recorded here do not tell beforehand which runs will have the defect."
        )
    if logistic.beats_base and forest.beats_base:
        said = "Both models beat the base rate on jars or weeks they had not seen."
    elif logistic.beats_base:
        said = (
            "The logistic model beats the base rate; the trees do not, so the link is not confirmed by a second method."
        )
    else:
        said = "The trees beat the base rate and the logistic model does not: the link is not a simple more or less."
    return said + (
        " Its probabilities are calibrated."
        if calibrated
        else " Its probabilities are not calibrated well enough to be given."
    )
