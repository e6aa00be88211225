"""The runs of one epoch and the arithmetic on them: charts, whether an alarm holds, the size of a change on every series."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift import change, groups
from analysis.drift.baseline import FEWEST, FIRM_AT, Baseline, Setting, fit_baseline, neighbours, predict, setting_of
from analysis.drift.causes import AT_PEAK, IN_COOLING, Effect
from analysis.drift.records import Key
from analysis.drift.series import KINDS, MOST_SCATTER, Series, SeriesKind, to_unit
from analysis.drift.watch import Watched, watch_series

Array = NDArray[np.floating[Any]]
Places = NDArray[np.int64]

LEVEL = 0.9
MOVED_T = 3.0  # standard errors
HOLDS_T = 2.0
FEW_RUNS_T = 3.5  # where three runs carry a call
BEND_OVER_C = 10.0  # °C from 20 at which the bend of the room's effect may be as large as its slope
THIRD_BEYOND = 1.5  # scatters
FEWEST_AFTER = 3  # runs: two can be one bad morning
ROBUST_SHARE = 0.64  # a median of n is as good as a mean of 0.64 n (2/pi, normal scatter)


@dataclass(frozen=True)
class Fit:
    """A baseline of one series with the residuals of every run of the epoch and the standard error it lends them."""

    baseline: Baseline
    residual: Array
    bias: Array


class View:
    """The runs of one epoch, and the arithmetic on them."""

    def __init__(self, frame: pd.DataFrame, series: Mapping[Key, Series], positions: Places) -> None:
        rows = frame.iloc[positions].reset_index(drop=True)
        self.run = rows["run"].to_numpy(dtype=np.int64)
        self.dates = pd.to_datetime(rows["started_at"], utc=True)
        self.ambient = rows["ambient"].to_numpy(dtype=float)
        self.groups: list[str] = rows["group"].tolist()
        self.left_out = int(frame["left_out"].notna().sum())
        self.series = series
        self.values = {key: s.values[positions] for key, s in series.items()}
        self.present = {key: np.flatnonzero(~np.isnan(v)) for key, v in self.values.items()}
        start = rows["start"].to_numpy(dtype=float)
        plain = setting_of(self.groups, self.ambient, start)
        turned = groups.turned_boards(rows)
        with_turns = setting_of(self.groups, self.ambient, start, turned) if turned else plain
        self._settings: dict[tuple[bool, float], Setting] = {
            (kind.turned, kind.room): (with_turns if kind.turned else plain).with_room(kind.room) for kind in KINDS
        }
        self._pairs: dict[Key, tuple[Places, Places]] = {}
        self._fits: dict[tuple[Any, ...], Fit | None] = {}
        self.channels = sorted({str(k[1]) for k in series if k[0] == "channel_difference_at_peak"})

    def setting(self, key: Key) -> Setting:
        kind = self.series[key].kind
        return self._settings[kind.turned, kind.room]

    def watch(self, key: Key, start: int, budget: float, count: int) -> Watched:
        level = self.series[key].kind.level
        return watch_series(self.values[key][start:], self.setting(key).since(start), budget, count, level)

    def fit(self, key: Key, use: Places, until: int) -> Fit | None:
        """The baseline of `use` against the whole epoch; None where the runs are too few for one."""
        if len(use) == 0:
            return None
        name = (key, int(use[0]), int(use[-1]), len(use), until)
        if name not in self._fits:
            self._fits[name] = self._fit(key, use, until)
        return self._fits[name]

    def _fit(self, key: Key, use: Places, until: int) -> Fit | None:
        values, setting = self.values[key], self.setting(key)
        if key not in self._pairs:
            self._pairs[key] = neighbours(values, setting)
        try:
            fitted = fit_baseline(values, setting, use, until, self.series[key].kind.level, self._pairs[key])
        except ValueError:
            return None
        expected, _, bias = predict(fitted, setting)
        return Fit(fitted, values - expected, bias * fitted.sigma)

    def learned(self, key: Key, start: int, since: int) -> Places:
        """The frozen baseline runs of a series watched from `start`, of those before `since`."""
        present = self.present[key]
        return present[(present >= start) & (present < max(since, start + FEWEST))][:FIRM_AT]

    def holds(self, key: Key, start: int, since: int, at: int, chart: str) -> bool:
        """Whether an alarm at `at` stands up to a second look, with nothing later than `at` known.

        The runs since the chart's own run began must differ from the baseline by three standard errors of their own
        scatter and by two with the baseline's doubt (the chart has allowed for that already); they or their newest third
        (a slope has only just got there) by the least change worth calling. Two far runs of three are a step only if a
        third one of the same side stands by them.
        """
        effect, newest = self.since(key, start, since, at)
        if effect is None or abs(effect.change) < MOVED_T * newest[1] or abs(effect.t) < HOLDS_T:
            return False
        if chart == "individuals" and (
            abs(effect.t) < FEW_RUNS_T or self._beside(key, start, since, at, effect.change) < FEWEST_AFTER
        ):
            return False
        return self.worth_calling(key, effect, newest[0])

    def _beside(self, key: Key, start: int, since: int, at: int, change_charted: float) -> int:
        """How many of the runs since lie beyond THIRD_BEYOND scatters on the side of the change."""
        got = self.fit(key, self.learned(key, start, since), at)
        if got is None:
            return 0
        inside = got.residual[since : at + 1] * np.sign(change_charted)
        return int((inside > THIRD_BEYOND * got.baseline.sigma).sum())

    def worth_calling(self, key: Key, effect: Effect, newest: float) -> bool:
        """Whether all runs since, or the newest third of them, differ by the least change worth calling."""
        return max(abs(effect.change), newest * float(np.sign(effect.change))) >= self.series[key].kind.least

    def since(self, key: Key, start: int, since: int, at: int) -> tuple[Effect | None, tuple[float, float]]:
        """How a series moved from `since` to `at` against its frozen baseline; the change of the newest third of these
        runs, and the standard error of the whole by their own scatter alone."""
        got = self.fit(key, self.learned(key, start, since), at)
        if got is None:
            return None, (0.0, 0.0)
        after = self.present[key]
        after = after[(after >= since) & (after <= at)]
        after = after[~np.isnan(got.residual[after])]
        effect = self._effect(key, got, after, len(got.baseline.positions))
        if effect is None:
            return None, (0.0, 0.0)
        newest = after[-max(FEWEST_AFTER, len(after) // 3) :]
        scatter = got.baseline.sigma * float(np.sqrt(1 / (ROBUST_SHARE * len(after))))
        return effect, (float(np.median(got.residual[newest])), scatter)

    def _effect(self, key: Key, got: Fit, after: Places, n_before: int) -> Effect | None:
        if len(after) < FEWEST_AFTER:
            return None
        moved = float(np.median(got.residual[after]))
        scatter = got.baseline.sigma * np.sqrt(1 / (ROBUST_SHARE * len(after)))
        # The baseline's own doubt is shared by all runs after the change and does not average out.
        error = float(np.hypot(scatter, self.shared_doubt(key, got.baseline, after)))
        return effect_of(self.series[key].kind, key[1], moved, error, n_before, len(after))

    def shared_doubt(self, key: Key, fitted: Baseline, after: Places) -> float:
        """Standard error of the baseline averaged over `after`, in the series' unit."""
        share = fitted.rows(self.setting(key).at(after)).mean(axis=0)
        return float(np.sqrt(share @ fitted.covariance @ share)) * fitted.sigma

    def effects(self, begin: Mapping[Key, int | None], low: int, high: int, end: int, shape: str) -> dict[str, Effect]:
        """How each series moved across the change, the strongest channel where there are several; the difference while
        cooling of the channel that moved at peak, as the two are read together.

        A series with an open trend of its own is left out: its runs before this change are no level to compare with.
        """
        out: dict[str, Effect] = {}
        cooling: dict[str | None, Effect] = {}
        for key, present in self.present.items():
            start = begin[key]
            if start is None:
                continue
            before = present[(present >= start) & (present < low)][-2 * FIRM_AT :]
            after = present[(present >= high) & (present <= end)]
            if shape == "trend":  # the newest third shows the full size
                after = after[-max(change.FEWEST_EACH_SIDE, len(after) // 3) :]
            if len(before) < FEWEST or len(after) < FEWEST_AFTER:
                continue
            got = self.fit(key, before, int(high))
            if got is None or (self.series[key].kind.logarithm and got.baseline.sigma > MOST_SCATTER):
                continue  # what scatters so much has no vote on the cause
            effect = self._effect(key, got, after[~np.isnan(got.residual[after])], len(before))
            if effect is not None and key[0] == IN_COOLING:
                cooling[key[1]] = effect
            if effect is not None and (key[0] not in out or abs(effect.t) > abs(out[key[0]].t)):
                out[key[0]] = effect
        if AT_PEAK in out and (beside := cooling.get(out[AT_PEAK].channel)) is not None:
            out[IN_COOLING] = beside
        return out

    def part(self, key: Key, use: Places, sigma: float) -> change.Part:
        """One series at the runs `use` for dating, with its levels and covariates to be fitted beside the change."""
        setting, level = self.setting(key), self.series[key].kind.level
        here = setting.at(use)
        known, column = np.unique(here.codes, return_inverse=True)
        room = here.covariates[:, 0]
        covariates = np.column_stack([here.covariates, room**2])  # over a whole season the room's effect may bend
        rows = np.zeros((len(use), len(known) + covariates.shape[1]))
        rows[np.arange(len(use)), column] = 1.0
        rows[:, len(known) :] = covariates
        penalty = np.zeros(rows.shape[1])
        prior = np.append(setting.prior, setting.prior[0] / BEND_OVER_C)
        penalty[len(known) :] = (sigma / (prior * level)) ** 2
        return change.Part(use, self.values[key][use], rows, penalty, sigma)

    def changed_together(
        self, effects: Mapping[str, Effect], begin: Mapping[Key, int | None], before: int, end: int
    ) -> list[change.Part]:
        """Every series that moved, one channel each: together they date the change best."""
        parts = []
        for name, effect in effects.items():
            key = (name, effect.channel)
            if not effect.moved:
                continue
            present, begun = self.present[key], begin[key] or 0
            got = self.fit(key, present[(present >= begun) & (present < before)][-2 * FIRM_AT :], before)
            use = present[(present >= begun) & (present <= end)]
            if got is not None and len(use) >= 2 * change.FEWEST_EACH_SIDE:
                parts.append(self.part(key, use, got.baseline.sigma))
        return parts

    def step_beside_slope(self, key: Key, split: int) -> Effect | None:
        """The step of one series at position `split` beside a slope that runs on through it; None below 8 runs in all.

        Least squares of levels, covariates, slope and step together; the error is that of the fit.
        """
        use = self.present[key]
        after = use >= split
        if len(use) < FEWEST or min(after.sum(), (~after).sum()) < FEWEST_AFTER:
            return None
        part = self.part(key, use, change.noise_sigma(self.values[key][use]) or 1e-9)
        x = np.column_stack([part.rows, use - use.mean(), after.astype(float)])
        penalty = np.concatenate([part.penalty, [0.0, 0.0]])
        padded = np.vstack([x, np.diag(np.sqrt(penalty))])
        y = np.concatenate([part.values, np.zeros(len(penalty))])
        found, _, rank, _ = np.linalg.lstsq(padded, y, rcond=None)
        free = len(use) - int(rank)
        if free < 3:
            return None
        sigma = float(np.sqrt(((part.values - x @ found) ** 2).sum() / free))
        error = sigma * float(np.sqrt(np.linalg.pinv(padded.T @ padded)[-1, -1]))
        before = int((~after).sum())
        return effect_of(self.series[key].kind, key[1], float(found[-1]), error, before, len(use) - before)

    def rate(self, kind: SeriesKind, got: Fit, use: Places) -> tuple[float, float, float] | None:
        """Change per 100 runs with its interval, in the kind's unit; None below eight runs."""
        if len(use) < 8:
            return None
        trend = change.slope(got.residual[use], use.astype(float), LEVEL)
        base = float(np.median(got.baseline.coefficients[: len(got.baseline.groups)]))
        middle, low, high = (to_unit(kind, 100 * s, base) for s in (trend.slope, trend.low, trend.high))
        return middle, low, high

    def season(self, fitted: Baseline, onset: int) -> str | None:
        """Why the season cannot be told apart from this change, or None when it can."""
        after = self.ambient[onset:]
        after = after[~np.isnan(after)]
        if fitted.season_separable or fitted.ambient_seen is None or len(after) == 0:
            return None
        low, high = fitted.ambient_seen
        middle = float(np.median(after))
        if low - 1 <= middle <= high + 1:
            return None
        return f"the room is at {middle:.0f} °C, the baseline saw only {low:.0f} to {high:.0f} °C: season not yet separable"

    def date(self, position: int) -> str | None:
        stamp = self.dates.iloc[position]
        return None if pd.isna(stamp) else stamp.isoformat()


def effect_of(kind: SeriesKind, channel: str | None, moved: float, error: float, n_before: int, n_after: int) -> Effect:
    """A change of the charted value with its standard error, in words and numbers."""
    half = change.normal_quantile(LEVEL) * error
    t = moved / error if error > 0 else 0.0
    is_moved = abs(t) >= MOVED_T and abs(moved) >= kind.least
    size, low, high = (float(kind.shown(v)) for v in (moved, moved - half, moved + half))
    digits = 2 if kind.shown_unit == kind.unit else 1
    text = (
        f"{kind.label} {size:+.{digits}f} {kind.shown_unit} ({low:+.{digits}f} to {high:+.{digits}f} {kind.shown_unit})"
    )
    if channel is not None:
        text = f"{channel}: {text}"
    side = int(np.sign(moved)) if is_moved else 0
    return Effect(kind.label, moved, moved - half, moved + half, t, side, n_before, n_after, text, channel)


def level_before(values: Array, onset: int) -> float:
    """Median of the present values before a position; 0 when there is none."""
    before = values[:onset]
    before = before[~np.isnan(before)]
    return float(np.median(before)) if len(before) else 0.0


def pair(low: str | None, high: str | None) -> tuple[str, str] | None:
    return None if low is None or high is None else (low, high)
