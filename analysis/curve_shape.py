"""Compare a run's curves with its group's: the usual ways of varying, and the stretch that is unlike.

Functional principal components: every run is resampled to one time axis (aligned where it passes 60 °C), all common
channels side by side; the group's first components are its usual ways of varying (warmer start, slower ramp). A run is
unlike when it needs a usual way far beyond its usual size, or leaves something the usual ways do not explain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from analysis.alignment import UNDER_WAY_C, bridged, under_way_s
from ingest.recording import FloatArray, Recording

# With fewer other runs the components are the runs themselves, and any new run looks unlike.
MINIMUM_RUNS = 12
STEP_S = 2.0
EXPLAINED = 0.95
# A component for every four runs at most, so that each is carried by several runs.
RUNS_PER_COMPONENT = 4
# A false "unlike" in one of 200 runs (two looks at 0.25 % each).
LEVEL = 0.9975
REST_SCATTERS = 4.0
# A stretch counts from 4 robust deviations, 4 K (about the uncertainty between channels) and 10 s.
STRETCH_SCATTERS = 4.0
STRETCH_K = 4.0
STRETCH_S = 10.0


@dataclass(frozen=True)
class Stretch:
    """Where one channel's curve is unlike. Times from the run's own start [s]; `difference_k` mean against the median."""

    channel: str
    from_s: float
    to_s: float
    difference_k: float


@dataclass(frozen=True)
class Shape:
    """The answer for one run.

    `score_distance` against `score_limit` (Hotelling, prediction of a new run, level 0.9975); `unexplained_k`: largest
    mean over 10 s of what the components leave [K] against `unexplained_limit_k` (from the group, each run left out in
    turn). `n`: runs of the group used; `left_out`: runs of the group that lack a channel or the span.
    """

    status: Literal["like", "unlike", "not evaluated"]
    reason: str
    n: int
    components: int = 0
    explained: float = 0.0
    score_distance: float = 0.0
    score_limit: float = 0.0
    unexplained_k: float = 0.0
    unexplained_limit_k: float = 0.0
    stretches: tuple[Stretch, ...] = ()
    left_out: tuple[int, ...] = ()


def compare_shape(recording: Recording, group: Mapping[int, Recording]) -> Shape:
    """Compare one run with comparable runs (run number -> recording, the run itself not among them).

    Channels are matched by name. Refuses below MINIMUM_RUNS usable runs, and for a run that never passes 60 °C upwards.
    """
    names, curves, used, left_out, own, start_s = _curves(recording, group)
    if own is None:
        return Shape("not evaluated", f"the run does not pass {UNDER_WAY_C:g} °C on the way up", 0)
    if len(used) < MINIMUM_RUNS:
        reason = f"{len(used)} comparable runs with the same channels and span, {MINIMUM_RUNS} needed"
        return Shape("not evaluated", reason, len(used), left_out=left_out)
    count = _component_count(curves)
    centre, basis, spread, explained = _components(curves, count)
    distance, remains = _away(own, centre, basis, spread)
    rest = _largest_mean(remains, len(names))
    left = _each_left_out(curves, count, len(names))
    # What is left is positive and skewed, so its logarithm is used; a tenth of a kelvin is below any sensor's resolution.
    logs = np.log(np.maximum(left, 0.1))
    scatter = 1.4826 * float(np.median(np.abs(logs - np.median(logs))))
    rest_limit = float(np.exp(np.median(logs) + max(REST_SCATTERS * scatter, np.log(1.5))))
    score_limit = _hotelling_limit(len(curves), count)
    stretches = _stretches(own, curves, names, start_s)
    unlike = (distance > score_limit or rest > rest_limit) and bool(stretches)
    if unlike:
        worst = max(stretches, key=lambda s: abs(s.difference_k) * (s.to_s - s.from_s))
        reason = f"{worst.channel} is {worst.difference_k:+.0f} K off from {worst.from_s:.0f} to {worst.to_s:.0f} s"
    else:
        reason = f"within what {len(curves)} comparable runs do"
    return Shape(
        "unlike" if unlike else "like",
        reason,
        len(curves),
        count,
        explained,
        distance,
        score_limit,
        rest,
        rest_limit,
        stretches if unlike else (),
        left_out,
    )


def _curves(
    recording: Recording, group: Mapping[int, Recording]
) -> tuple[Sequence[str], FloatArray, tuple[int, ...], tuple[int, ...], FloatArray | None, float]:
    """Common channels, the group's curves (runs x points), runs used and left out, the run's curve, its axis start [s]."""
    names = [c.name for c in recording.of_role("temperature") if c.judged and np.isfinite(c.values).any()]
    crossing = under_way_s(recording, names)
    if not names or crossing is None:
        return names, np.empty((0, 0)), (), (), None, 0.0
    usable: dict[int, float] = {}
    for run, other in group.items():
        at = under_way_s(other, names)
        if at is not None:
            usable[run] = at
    left_out = [run for run in group if run not in usable]
    # The span that at least nine of ten runs cover; a run that was cut short is left out rather than shortening all.
    # From the common temperature on: before it, warm and cold starts have nothing in common.
    lengths = [group[run].duration_s - at for run, at in usable.items()]
    after = min(recording.duration_s - crossing, float(np.quantile(lengths, 0.1))) if usable else 0.0
    grid = np.arange(0.0, after, STEP_S)
    rows: list[FloatArray] = []
    used: list[int] = []
    for run, at in usable.items():
        if group[run].duration_s - at < after - 1e-9:
            left_out.append(run)
            continue
        rows.append(_row(group[run], names, at + grid))
        used.append(run)
    own = _row(recording, names, crossing + grid)
    return names, np.array(rows), tuple(used), tuple(sorted(left_out)), own, crossing


def _row(recording: Recording, names: Sequence[str], times: FloatArray) -> FloatArray:
    have = {c.name: c.values for c in recording.of_role("temperature")}
    t = recording.elapsed_s
    return np.concatenate([np.interp(times, t, bridged(t, have[name])) for name in names])


def _component_count(curves: FloatArray) -> int:
    from sklearn.decomposition import PCA

    most = max(1, len(curves) // RUNS_PER_COMPONENT)
    shares = np.cumsum(PCA(n_components=most, svd_solver="full").fit(curves).explained_variance_ratio_)
    return int(min(np.searchsorted(shares, EXPLAINED) + 1, most))


def _components(curves: FloatArray, count: int) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """(centre, components, standard deviation of the scores, share explained)."""
    from sklearn.decomposition import PCA

    fit = PCA(n_components=count, svd_solver="full").fit(curves)
    spread = np.sqrt(np.maximum(fit.explained_variance_, 1e-12))
    return np.asarray(fit.mean_), np.asarray(fit.components_), spread, float(fit.explained_variance_ratio_.sum())


def _away(curve: FloatArray, centre: FloatArray, basis: FloatArray, spread: FloatArray) -> tuple[float, FloatArray]:
    """(squared distance of the scores in units of their spread, what the components leave)."""
    scores = basis @ (curve - centre)
    return float(((scores / spread) ** 2).sum()), curve - centre - scores @ basis


def _largest_mean(rest: FloatArray, channels: int) -> float:
    """Largest mean of the rest over 10 s in any channel [K]."""
    rows = rest.reshape(channels, -1)
    width = min(max(1, round(STRETCH_S / STEP_S)), rows.shape[1])
    total = np.cumsum(np.pad(rows, ((0, 0), (1, 0))), axis=1)
    return float(np.abs(total[:, width:] - total[:, :-width]).max()) / width


def _each_left_out(curves: FloatArray, count: int, channels: int) -> list[float]:
    """What the components of the others leave of each run of the group [K].

    Turned into the group's own axes first (as many as runs), which changes no distance and makes it quick.
    """
    centre = curves.mean(axis=0)
    axes = np.linalg.svd(curves - centre, full_matrices=False)[2]
    turned = (curves - centre) @ axes.T
    left: list[float] = []
    for k in range(len(turned)):
        _, rest = _away(turned[k], *_components(np.delete(turned, k, axis=0), count)[:3])
        left.append(_largest_mean(rest @ axes, channels))
    return left


def _hotelling_limit(n: int, count: int) -> float:
    """Limit of the squared score distance of one further run: k (n² - 1) / (n (n - k)) times the F quantile."""
    from scipy.stats import f

    return float(count * (n * n - 1) / (n * (n - count)) * f.ppf(LEVEL, count, n - count))


def _stretches(own: FloatArray, curves: FloatArray, names: Sequence[str], start_s: float) -> tuple[Stretch, ...]:
    """Stretches where the run leaves the group's scatter, channel by channel."""
    middle = np.median(curves, axis=0)
    scatter = 1.4826 * np.median(np.abs(curves - middle), axis=0)
    away = own - middle
    far = np.abs(away) >= np.maximum(STRETCH_K, STRETCH_SCATTERS * scatter)
    found: list[Stretch] = []
    points = len(own) // len(names)
    for place, name in enumerate(names):
        part = slice(place * points, (place + 1) * points)
        side = np.where(far[part], np.sign(away[part]), 0.0)
        edges = np.flatnonzero(np.diff(np.concatenate(([0.0], side, [0.0]))) != 0)
        for first, after in pairwise(edges):
            seconds = (after - first) * STEP_S
            if side[first] == 0 or seconds < STRETCH_S:
                continue
            mean = float(away[part][first:after].mean())
            begin, end = (start_s + float(k) * STEP_S for k in (first, after - 1))
            found.append(Stretch(name, begin, end, mean))
    return tuple(found)
