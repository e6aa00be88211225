"""The runs of one epoch and the arithmetic on them: charts, the size of a change on every series, the call behind an alarm."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift import causes as cause_table
from analysis.drift import change
from analysis.drift.baseline import FIRM_AT, Baseline, fit_baseline, predict
from analysis.drift.causes import Effect
from analysis.drift.records import CHECK, NOTE, Call, Key
from analysis.drift.series import BY_NAME, Series, SeriesKind, to_unit
from analysis.drift.watch import FEWEST, Watched, watch_series

Array = NDArray[np.floating[Any]]

LEVEL = 0.9
MOVED_T = 3.0  # standard errors
CHECK_EFFORT = 0.10  # a tenth of the heating power gone is the size at which margins start to go
CHECK_KELVIN = 3.0  # K; what two channels of one input board can be compared to
AFTER_ALARM = 40  # runs after an alarm that still describe the same change


class View:
    """The runs of one epoch, and the arithmetic on them."""

    def __init__(self, frame: pd.DataFrame, series: Mapping[Key, Series], positions: NDArray[np.int64]) -> None:
        rows = frame.iloc[positions]
        self.run = rows["run"].to_numpy(dtype=np.int64)
        self.dates = pd.to_datetime(rows["started_at"], utc=True)
        self.group = rows["group"].reset_index(drop=True)
        self.ambient = rows["ambient"].to_numpy(dtype=float)
        self.start = rows["start"].to_numpy(dtype=float)
        self.left_out = int(frame["left_out"].notna().sum())
        self.series = series
        self.values = {key: s.values[positions] for key, s in series.items()}
        self.one_channel = not any(key[0] == "channel_difference_at_peak" for key in series)

    def watch(self, key: Key, start: int, budget: float, count: int, quiet_until: int) -> Watched:
        cut = slice(start, None)
        group = self.group.iloc[start:].reset_index(drop=True)
        level = self.series[key].kind.level
        return watch_series(
            self.values[key][cut], group, self.ambient[cut], self.start[cut], budget, count, level, quiet_until
        )

    def residual(self, key: Key, use: NDArray[np.int64], until: int) -> tuple[Array, Array, Baseline] | None:
        """Values less the baseline fitted on `use`, and the baseline's bias, for the whole epoch."""
        kind = self.series[key].kind
        try:
            fitted = fit_baseline(self.values[key], self.group, self.ambient, self.start, use, until, kind.level)
        except ValueError:
            return None
        expected, _, bias = predict(fitted, self.group, self.ambient, self.start)
        return self.values[key] - expected, bias * fitted.sigma, fitted

    def describe(
        self,
        oven: str,
        key: Key,
        begin: Mapping[Key, int | None],
        at: int,
        since: int,
        chart: str,
        closed_by: str | None,
    ) -> tuple[Call | None, set[Key], int | None]:
        """The call behind an alarm, the series it explains, and where these are watched on from (None: not again)."""
        kind, start = self.series[key].kind, begin[key] or 0
        present = np.flatnonzero(~np.isnan(self.values[key]))
        learned = present[(present >= start) & (present < max(since, start + FEWEST))][:FIRM_AT]
        got = self.residual(key, learned, at)
        if got is None:
            return None, set(), None
        residual, _, fitted = got
        use = present[(present >= start) & ~np.isnan(residual[present])]
        near = use[use <= at + AFTER_ALARM]
        shape, _ = change.step_or_trend(residual[near], int(np.searchsorted(near, since)))
        if shape == "trend":
            near = use
        end = int(near[-1])
        dated = change.onset([change.Part(near, residual[near], fitted.sigma)], shape, LEVEL)
        effects = self.effects(begin, dated.low, dated.high, end, shape)
        mine = effects.get(key[0])
        if mine is None or not mine.moved:
            return None, set(), None
        dated = change.onset(self.changed_together(effects, begin, dated.low, near[0], end), shape, LEVEL)
        onset, low, high = dated.index, dated.low, dated.high
        effects = self.effects(begin, low, high, end, shape)
        mine = effects.get(key[0], mine)
        moved = {(name, channel) for name, channel in self.values if (e := effects.get(name)) and e.moved}
        ranked = cause_table.rank_causes(effects, shape, self.one_channel, self.season(fitted, onset))
        rate = self.rate(kind, residual, use[use >= onset], fitted) if shape == "trend" else None
        base = _level_before(self.values[key], onset)
        size = to_unit(kind, mine.change, base)
        interval = tuple(sorted((to_unit(kind, mine.low, base), to_unit(kind, mine.high, base))))
        call = Call(
            id=hashlib.sha256(f"{oven}|{key[0]}|{key[1]}|{self.run[at]}".encode()).hexdigest()[:12],
            oven=oven,
            series=key[0],
            channel=mine.channel if kind.per_channel else None,
            kind=shape,
            since_run=int(self.run[onset]),
            since_run_interval=(int(self.run[low]), int(self.run[high])),
            since=self.date(onset),
            since_interval=_pair(self.date(low), self.date(high)),
            size=size,
            size_interval=(interval[0], interval[1]),
            unit=kind.unit,
            rate_per_100_runs=rate[0] if rate else None,
            rate_interval=(rate[1], rate[2]) if rate else None,
            n=mine.n_before + mine.n_after,
            tier=_tier(effects),
            causes=tuple(ranked),
            check_first=cause_table.check_first(ranked[0].cause if ranked else "unknown"),
            alarm_run=int(self.run[at]),
            chart=chart,
            level=LEVEL,
            method=dated.method,
            left_out=self.left_out,
            effects=tuple(effects.values()),
            closed_by=closed_by,
        )
        return call, moved, (onset if shape == "step" and onset > start else None)

    def changed_together(
        self, effects: Mapping[str, Effect], begin: Mapping[Key, int | None], before: int, first: int, end: int
    ) -> list[change.Part]:
        """The residuals of every series that moved, one channel each: together they date the change best."""
        parts = []
        for name, effect in effects.items():
            key = (name, effect.channel)
            if not effect.moved:
                continue
            present = np.flatnonzero(~np.isnan(self.values[key]))
            begun = begin[key] or 0
            got = self.residual(key, present[(present >= begun) & (present < before)][-2 * FIRM_AT :], before)
            if got is None:
                continue
            residual, _, fitted = got
            use = present[(present >= max(begun, first)) & (present <= end) & ~np.isnan(residual[present])]
            if len(use) >= 2 * change.FEWEST_EACH_SIDE:
                parts.append(change.Part(use, residual[use], fitted.sigma))
        return parts

    def effects(self, begin: Mapping[Key, int | None], low: int, high: int, end: int, shape: str) -> dict[str, Effect]:
        """How each series moved across the change, the strongest channel where there are several.

        A series with an open trend of its own is left out: its runs before this change are no level to compare with.
        """
        out: dict[str, Effect] = {}
        for key, values in self.values.items():
            start = begin[key]
            if start is None:
                continue
            present = np.flatnonzero(~np.isnan(values))
            before = present[(present >= start) & (present < low)][-2 * FIRM_AT :]
            after = present[(present >= high) & (present <= end)]
            if shape == "trend":  # the newest third shows the full size
                after = after[-max(change.FEWEST_EACH_SIDE, len(after) // 3) :]
            if len(before) < FEWEST or len(after) < 3:
                continue
            got = self.residual(key, before, int(high))
            if got is None:
                continue
            residual, bias, fitted = got
            kept = after[~np.isnan(residual[after])]
            if len(kept) < 3:
                continue
            moved = float(np.median(residual[kept]))
            # A median of n is as good as a mean of 0.64 n; the baseline's own doubt is shared by all runs after.
            error = float(np.hypot(fitted.sigma * np.sqrt(1 / (0.64 * len(kept))), np.median(bias[kept])))
            effect = _effect(self.series[key].kind, key[1], moved, error, len(before), len(kept))
            if key[0] not in out or abs(effect.t) > abs(out[key[0]].t):
                out[key[0]] = effect
        return out

    def rate(
        self, kind: SeriesKind, residual: Array, use: NDArray[np.int64], fitted: Baseline
    ) -> tuple[float, ...] | None:
        if len(use) < 8:
            return None
        trend = change.slope(residual[use], use.astype(float), LEVEL)
        base = float(np.median(fitted.coefficients[: len(fitted.groups)]))
        return tuple(to_unit(kind, 100 * s, base) for s in (trend.slope, trend.low, trend.high))

    def season(self, fitted: Baseline, onset: int) -> str | None:
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


def _effect(kind: SeriesKind, channel: str | None, moved: float, error: float, n_before: int, n_after: int) -> Effect:
    half = change.normal_quantile(LEVEL) * error
    t = moved / error if error > 0 else 0.0
    is_moved = abs(t) >= MOVED_T and abs(moved) >= kind.least
    if kind.logarithm:
        shown = [100 * (np.exp(v) - 1) for v in (moved, moved - half, moved + half)]
        text = f"{kind.label} {shown[0]:+.1f} % ({shown[1]:+.1f} to {shown[2]:+.1f} %)"
    else:
        unit = "" if kind.unit == "1" else f" {kind.unit}"
        text = f"{kind.label} {moved:+.2f}{unit} ({moved - half:+.2f} to {moved + half:+.2f}{unit})"
    if channel is not None:
        text = f"{channel}: {text}"
    side = int(np.sign(moved)) if is_moved else 0
    return Effect(kind.label, moved, moved - half, moved + half, t, side, n_before, n_after, text, channel)


def _tier(effects: Mapping[str, Effect]) -> str:
    for name, effect in effects.items():
        kind = BY_NAME[name]
        large = CHECK_EFFORT if kind.logarithm else CHECK_KELVIN
        if effect.moved and kind.unit in {"°C/s", "1", "s", "K", "°C"} and abs(effect.change) >= large:
            return CHECK
    return NOTE


def _level_before(values: Array, onset: int) -> float:
    before = values[:onset]
    before = before[~np.isnan(before)]
    return float(np.median(before)) if len(before) else 0.0


def _pair(low: str | None, high: str | None) -> tuple[str, str] | None:
    return None if low is None or high is None else (low, high)
