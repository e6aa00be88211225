"""Judging many runs at once: the rule of analysis.verdict for runs without doubt about a channel, limit by limit.

Worked out in columns is what runs to their end give: values, temperatures that were never reached, values that could not be
given. Runs with a value that is incomplete are marked, for `analysis.verdict.judge`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.plan import BELOW_PEAK_K, canonical
from analysis.metrics.sheet import STATUSES, Column, Sheet
from analysis.results import VERDICTS, Limit, LimitResult
from analysis.verdict import (
    MELTING,
    NEAR_PEAK,
    NEAR_PEAK_METRIC,
    NO_UNCERTAINTY,
    RANK,
    ROUNDING,
    ZERO_WHEN_COLD,
    level_of,
    not_judged,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
_CODE = {verdict: code for code, verdict in enumerate(VERDICTS)}
_CODE_OF_RANK = np.array([_CODE[verdict] for verdict in sorted(RANK, key=lambda v: RANK[v])], dtype=np.uint8)
_NOT_REACHED, _INCOMPLETE = STATUSES.index("not reached"), STATUSES.index("incomplete")
_NOBODY = 9  # worse than any rank: a row that is not judged


@dataclass(frozen=True)
class Results:
    """`limits` judged. Arrays (limits, runs) but for `worst` and `limiting` (runs,), the place of the limiting limit, -1
    where there is none. Verdicts are places in VERDICTS; `channel` -1: of the run; numbers NaN: none. `reasons` by place
    of limit and run, where there is one."""

    limits: tuple[Limit, ...]
    worst: NDArray[np.uint8]
    limiting: NDArray[np.int64]
    verdict: NDArray[np.uint8]
    channel: NDArray[np.int16]
    value: FloatArray
    uncertainty: FloatArray
    margin: FloatArray
    reasons: dict[tuple[int, int], str | None]

    def of_run(self, run: int) -> tuple[LimitResult, ...]:
        """The results of one run as records."""

        def number(of: FloatArray, i: int) -> float | None:
            return None if np.isnan(of[i, run]) else float(of[i, run])

        return tuple(
            LimitResult(
                limit,
                None if self.channel[i, run] < 0 else int(self.channel[i, run]),
                number(self.value, i),
                number(self.uncertainty, i),
                number(self.margin, i),
                VERDICTS[self.verdict[i, run]],
                self.reasons.get((i, run)),
            )
            for i, limit in enumerate(self.limits)
        )

    def reason(self, run: int) -> str | None:
        """Why the run has no verdict, or None."""
        if VERDICTS[self.worst[run]] != "not evaluated":
            return None
        first = int((self.verdict[:, run] == _CODE["not evaluated"]).argmax())
        unknown = int((self.verdict[:, run] == _CODE["not evaluated"]).sum())
        return not_judged(unknown, len(self.limits), self.limits[first].metric, self.reasons.get((first, run)))


class _Column:
    """What one metric's column says of the rows of the runs that are judged: (runs, rows of a run)."""

    def __init__(self, column: Column, per: int, runs: NDArray[np.intp]) -> None:
        self.column, self.per, self.runs = column, per, runs
        self.value = column.value.reshape(-1, per)[runs]
        self.u = column.uncertainty.reshape(-1, per)[runs]
        self.status = column.status.reshape(-1, per)[runs]

    def reason(self, run: int, row: int) -> str | None:
        """Why there is no value, in a row of one of the runs."""
        return self.column.reasons.get(int(self.runs[run]) * self.per + row, self.column.said)


def judge_columns(
    sheet: Sheet, runs: NDArray[np.intp], limits: tuple[Limit, ...], judged: BoolArray, lowest_liquidus_c: float | None
) -> tuple[Results, BoolArray]:
    """Judges some `runs` of a sheet by the same limits; and which of them (runs,) could be judged here: the results of
    the others mean nothing. `judged` (rows,): channels on the work; `lowest_liquidus_c` that times above liquidus are
    counted from."""
    columns = {(c.metric, c.parameters): c for c in reversed(sheet.columns) if isinstance(c, Column)}
    on_work = judged.reshape(-1, sheet.per)[runs]
    numbers = np.array(sheet.numbers, dtype=np.int16).reshape(-1, sheet.per)[runs]
    count, each = len(runs), np.arange(len(runs))
    peak = _Column(columns["peak_c", "{}"], sheet.per, runs)
    plain = on_work.any(axis=1) & ((peak.status == 0) | ~on_work).all(axis=1)
    top = peak.value + np.where(np.isnan(peak.u), 0.0, peak.u)
    near = _Column(columns[NEAR_PEAK_METRIC, NEAR_PEAK], sheet.per, runs).value
    unmolten = on_work & (top < (-np.inf if lowest_liquidus_c is None else lowest_liquidus_c))
    shape = (len(limits), count)
    channel = np.full(shape, -1, dtype=np.int16)
    value, uncertainty, margin, close = (np.full(shape, np.nan) for _ in range(4))
    rank, order = np.full(shape, RANK["not evaluated"], dtype=np.int64), np.full(shape, len(MELTING), dtype=np.int64)
    reasons: dict[tuple[int, int], str | None] = {}
    for i, limit in enumerate(limits):
        column = columns.get((limit.metric, canonical(limit.parameters)))
        if column is None or (limit.low is None and limit.high is None):
            plain[:] = False
            continue
        of = _Column(column, sheet.per if column.of_channels else 1, runs)
        counted = on_work if column.of_channels else np.ones((count, 1), dtype=bool)
        v = np.where((of.status == 0) | (of.status == _INCOMPLETE), of.value, np.nan)
        e = np.where(np.isnan(of.u), 0.0, of.u) if limit.unit == "1" else of.u  # counts carry none
        plain &= ((of.status != _INCOMPLETE) | ~counted).all(axis=1)
        sound = (of.status == 0) & ~np.isnan(v) & ~np.isnan(e)
        m, r = _decide(limit, v, e)
        m, r = np.where(sound, m, np.nan), np.where(sound, r, RANK["not evaluated"])
        e = np.where(sound, e, np.nan)
        cold = (of.status == _NOT_REACHED) & counted
        if column.of_channels and limit.metric in ZERO_WHEN_COLD and cold.any():
            cold_m, cold_r = _never_reached(limit, level_of(column.parameters), top, near)
            m, r = np.where(cold, cold_m, m), np.where(cold, cold_r, r)
        r = np.where(counted, r, _NOBODY)
        c = np.where(np.isnan(m), np.inf, m / _unit(limit, e))
        at = _closest(c, r == r.min(axis=1, keepdims=True))
        value[i], uncertainty[i], margin[i], close[i], rank[i] = (x[each, at] for x in (v, e, m, c, r))
        if column.of_channels:
            channel[i] = numbers[each, at]
        for run in np.flatnonzero(~sound[each, at]).tolist():
            row = int(at[run])
            given = not np.isnan(of.value[run, row]) and of.status[run, row] == 0
            reasons[i, run] = NO_UNCERTAINTY if given else of.reason(run, row)
        if limit.metric in MELTING and limit.low is not None and column.of_channels:
            short = unmolten[each, at] & (rank[i] == RANK["fails"]) & ~(value[i] >= limit.low)
            order[i] = np.where(short, MELTING.index(limit.metric), order[i])
        # a ceiling on the time at a temperature that was never reached comes last
        close[i] = np.where((rank[i] == RANK["meets"]) & np.isnan(value[i]), np.inf, close[i])
    rank[rank == _NOBODY] = RANK["not evaluated"]
    worst = rank.min(axis=0, initial=RANK["meets"])
    results = Results(
        limits,
        _CODE_OF_RANK[worst],
        _limiting(rank, order, close, np.isnan(margin)),
        _CODE_OF_RANK[rank],
        *(channel, value, uncertainty, margin, reasons),
    )
    return results, plain


def _limiting(
    rank: NDArray[np.int64], order: NDArray[np.int64], close: FloatArray, open_: BoolArray
) -> NDArray[np.int64]:
    """The place of the least by rank, order and closeness among the measured ones; -1 where none is."""
    out = open_ | (rank == RANK["not evaluated"])
    key = np.where(out, _NOBODY * 10, rank * 10 + order)
    if len(key) == 0:
        return np.full(key.shape[1], -1, dtype=np.int64)
    at = _closest(close.T, (key == key.min(axis=0)).T)
    return np.where(out.all(axis=0), -1, at)


def _closest(close: FloatArray, among: BoolArray) -> NDArray[np.intp]:
    """In each row the place of the least of those `among`; of equals, and of infinite ones, the first."""
    asked = np.where(among, close, np.inf)
    at = asked.argmin(axis=1)
    return np.where(np.isinf(asked[np.arange(len(at)), at]), among.argmax(axis=1), at)


def _decide(limit: Limit, value: FloatArray, uncertainty: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """Margins and ranks: analysis.verdict.decide."""
    low, high = limit.low, limit.high
    if low is None:
        margin = float(high or 0.0) - value
    elif high is None:
        margin = value - low
    else:
        margin = np.minimum(value - low, high - value)
    rounding = ROUNDING * np.maximum(np.abs(value), 1.0)
    rank = np.where(
        margin >= uncertainty - rounding,
        RANK["meets"],
        np.where(margin < -uncertainty - rounding, RANK["fails"], RANK["too close to call"]),
    )
    return margin, rank


def _never_reached(
    limit: Limit, level: float, top: FloatArray, near: FloatArray
) -> tuple[FloatArray | float, NDArray[np.int64]]:
    """Margins and ranks of rows that surely or hardly stayed below a level: analysis.verdict's rule for them."""
    sure = top < level
    if limit.low is not None and limit.low > 0:
        return -limit.low, np.where(sure, RANK["fails"], RANK["too close to call"])
    if limit.high is None:
        return np.nan, np.full(top.shape, RANK["meets"])
    longest = near * np.maximum((top - level) / BELOW_PEAK_K, 1.0)
    return limit.high, np.where(sure | (longest <= limit.high), RANK["meets"], RANK["too close to call"])


def _unit(limit: Limit, uncertainty: FloatArray) -> FloatArray:
    """What margins are told in, to compare between limits: analysis.verdict.closeness."""
    low, high = limit.low, limit.high
    window = (
        (high - low) / 2.0 if low is not None and high is not None else abs(low if low is not None else high or 0.0)
    )
    return np.where(uncertainty > 0, uncertainty, window or 1.0)
