"""Drift on invented seasons with a known change: false calls, delay, right name, right date, beside two other ways.

    python tests/benchmarks/bench_drift.py [--seasons 200] [--each 60] [--logs 4] [--out FILE]

Part 1: clean seasons of 200 runs (three boards, two profiles, a year's room temperatures), as tables of metrics.
Part 2: planted changes after run 80 of such seasons. In the same run, on the same seasons,
    (a) three-sigma individuals on the coldest peak alone, limits per profile from the first 40 runs: what people do today;
    (b) an oracle: a one-sided CUSUM that knows the fault, its series, the true mean and scatter of every run and, for a
        step, its size; its false calls have the whole budget to themselves.
    Median runs until found counts a season in which nothing was found as longer than all others.
Part 3: the same from logs: a compact thermal model (tests/analysis/simulated_oven.py; not the demo's) makes every run, the
    real formulas measure it. Sizes are physical: heating power, heat loss, sensor error.

A call counts from the run at which it was made, with nothing later known. The numbers hold for these invented seasons;
real ovens scatter in other ways.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from simulated_oven import Oven, Tip, bake, recording_of
from simulated_series import ONSET, ORACLE, whole_season

from analysis.drift.calls import BUDGET_PER_100_RUNS, detect
from analysis.drift.run_length import cusum_run_length_one_sided
from analysis.drift.series import METRICS_NEEDED
from analysis.metrics import measure
from analysis.results import Context

RUNS = 200
PLANTED = (
    ("heater", 0.0005, "0.05 % of the high ramp a run"),
    ("heater", 0.001, "0.1 % a run"),
    ("heater", 0.002, "0.2 % a run"),
    ("mains", 0.10, "10 % of the high ramp at once"),
    ("seal", 0.00025, "0.1 % of the cooling constant a run"),
    ("seal", 0.0005, "0.2 % a run"),
    ("sensor_offset", 1.5, "1.5 K"),
    ("sensor_offset", 3.0, "3 K"),
    ("sensor_gain", 3.0, "3 K at peak in 100 runs"),
    ("sensor_gain", 6.0, "6 K at peak in 100 runs"),
    ("side", 2.0, "2 K at peak"),
    ("side", 4.0, "4 K at peak"),
    ("setpoint_or_firmware", 2.0, "2 K and 2 s of lag"),
    ("setpoint_or_firmware", 4.0, "4 K and 4 s of lag"),
)


def poisson_interval(k: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a Poisson count (Garwood 1936)."""
    tail = (1 - level) / 2
    low = 0.0 if k == 0 else float(chi2.ppf(tail, 2 * k)) / 2
    return low, float(chi2.ppf(1 - tail, 2 * k + 2)) / 2


def false_calls(seasons: int, say: Callable[[str], None]) -> None:
    began, calls = time.process_time(), 0
    kinds: dict[str, int] = {}
    peaks = 0
    for seed in range(seasons):
        made = whole_season(10_000 + seed, RUNS)
        peaks += peak_delay(made.runs, made.metrics) is not None
        for call in detect("oven", made.runs, made.metrics).calls:
            calls += 1
            kinds[call.series] = kinds.get(call.series, 0) + 1
    runs = seasons * RUNS
    low, high = (100 * end / runs for end in poisson_interval(calls))
    say(
        f"clean: (a) signals in {peaks} of {seasons} seasons within {RUNS - ONSET} runs: so much of what it finds is chance"
    )
    per_season = (time.process_time() - began) / seasons
    say(f"clean: {calls} false calls in {runs} runs = {100 * calls / runs:.3f} per 100 (95 %: {low:.3f} to {high:.3f})")
    say(f"budget {BUDGET_PER_100_RUNS:g} per 100; by series {kinds}; {per_season:.2f} s of processor a season")


def oracle_delay(z: np.ndarray, side: int, step: float | None) -> int | None:
    """Runs from the change to the signal of a one-sided CUSUM started at zero at the first run of the season."""
    allowance = 0.5 if step is None else float(np.clip(step / 2, 0.25, 2.0))
    limit = _limit(allowance)
    total = 0.0
    for i, value in enumerate(z):
        total = max(0.0, total + side * value - allowance)
        if total > limit:
            if i >= ONSET:
                return i - ONSET + 1
            total = 0.0
    return None


_LIMITS: dict[float, float] = {}


def _limit(allowance: float) -> float:
    from scipy.optimize import brentq

    name = round(allowance, 3)
    if name not in _LIMITS:
        wanted = 100 / BUDGET_PER_100_RUNS
        _LIMITS[name] = float(brentq(lambda h: cusum_run_length_one_sided(name, h) - wanted, 0.05, 12.0))  # type: ignore[arg-type]
    return _LIMITS[name]


def peak_delay(runs: pd.DataFrame, metrics: pd.DataFrame) -> int | None:
    """Three-sigma individuals on the coldest peak, by profile; runs from the change to the first point outside."""
    peak = metrics[(metrics["metric"] == "peak_c") & (metrics["status"] == "ok")].groupby("run")["value"].min()
    values = peak.reindex(runs["run"]).to_numpy(dtype=float)
    first = []
    for name in runs["profile"].unique():
        at = np.flatnonzero(runs["profile"].to_numpy() == name)
        learned = values[at[at < 40]]
        if len(learned) < 5:
            continue
        half = 3 * np.abs(np.diff(learned)).mean() / 1.128
        out = at[(np.abs(values[at] - learned.mean()) > half) & (at >= ONSET)]
        first += [int(out[0])] if len(out) else []
    return min(first) - ONSET + 1 if first else None


@dataclass
class Row:
    found: int = 0
    named: int = 0
    dated: int = 0
    early: int = 0
    more: int = 0


def describe(delays: list[int | None]) -> str:
    """Share found, and the median runs until found with the seasons without a find as the longest."""
    share = sum(d is not None for d in delays) / len(delays)
    middle = float(np.median([np.inf if d is None else d for d in delays]))
    return f"{100 * share:3.0f} % {'  >120' if np.isinf(middle) else f'{middle:6.1f}'}"


def judge(fault: str, runs: pd.DataFrame, metrics: pd.DataFrame, row: Row) -> int | None:
    calls = detect("oven", runs, metrics).calls
    row.early += sum(c.alarm_run <= ONSET for c in calls)
    later = [c for c in calls if c.alarm_run > ONSET]
    if not later:
        return None
    call = later[0]
    row.found += 1
    row.named += call.causes[0].cause == fault
    row.dated += abs(call.since_run - (ONSET + 1)) <= 15
    row.more += len(later) - 1
    return call.alarm_run - ONSET


def shares(row: Row, seasons: int) -> str:
    of = max(1, row.found)
    return f"{100 * row.named / of:4.0f} %  {100 * row.dated / of:4.0f} %  {row.early / seasons:5.2f}  {row.more / seasons:5.2f}"


HEAD = f"{'fault':22} {'size':34} {'Ovenbook':13} {'(a) peak':13} {'(b) oracle':13} ratio  named  dated  early   more"


def power(each: int, say: Callable[[str], None]) -> None:
    say(HEAD)
    for fault, size, words in PLANTED:
        row, ours, peaks, oracles = Row(), [], [], []
        name, side = ORACLE[fault]
        for seed in range(each):
            made = whole_season(20_000 + seed, RUNS, fault, size)
            ours.append(judge(fault, made.runs, made.metrics, row))
            peaks.append(peak_delay(made.runs, made.metrics))
            is_step = fault not in {"heater", "seal", "sensor_gain"}
            clean = whole_season(20_000 + seed, RUNS)
            step = abs(float((made.z[name] - clean.z[name])[-1])) if is_step else None
            oracles.append(oracle_delay(made.z[name], side, step))
        say(f"{fault:22} {words:34} {describe(ours)}  {describe(peaks)}  {describe(oracles)}  {ratio(ours, oracles)}  "
            f"{shares(row, each)}")  # fmt: skip


def ratio(ours: list[int | None], oracles: list[int | None]) -> str:
    a, b = (float(np.median([np.inf if d is None else d for d in x])) for x in (ours, oracles))
    return f"{a / b:5.2f}" if np.isfinite(a) and np.isfinite(b) and b > 0 else "    -"


# From logs --------------------------------------------------------------------------------------------------------------

LOG_RUNS = 160
FROM_LOGS = (
    ("", 0.0, "nothing"),
    ("heater", 0.15, "15 % of the power over 80 runs"),
    ("heater", 0.30, "30 % of the power over 80 runs"),
    ("mains", 0.10, "10 % of the power at once"),
    ("seal", 0.40, "loss up by 40 % over 80 runs"),
    ("sensor_offset", 3.0, "3 K"),
    ("sensor_gain", 0.03, "3 % over 80 runs"),
    ("side", 0.03, "one side 3 % of the rise colder"),
    ("setpoint_or_firmware", 4.0, "set point 4 K higher; this oven follows by 1 to 2 K"),
)
TIPS = (
    Tip("left", 0.0, 0.01, 20.0, 2.0),
    Tip("centre", 0.0, 0.0, 26.0, 2.0, 0.2),
    Tip("right", 0.0, -0.02, 22.0, 2.0, -0.1),
)
BOARDS = {"P": 1.0, "Q": 0.85, "R": 1.25}


def logged_season(seed: int, fault: str, size: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A season of logs through the formulas: frames as the views give them."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0, 300, LOG_RUNS)) + 0.2 * np.arange(LOG_RUNS)  # five hours of rest at least
    phase = rng.uniform()
    rows, values = [], []
    for i, day in enumerate(days):
        room = 20 + 7 * np.sin(2 * np.pi * (day / 365 + phase)) + rng.normal(0, 1.5)
        board = str(rng.choice(list(BOARDS), p=[0.5, 0.3, 0.2]))
        made = bake(_oven(rng, room, BOARDS[board], fault, size, i))
        recording = recording_of(made, rng)
        context = Context(liquidus_c=217.0)
        for m in measure(recording, context):
            if m.metric in METRICS_NEEDED:
                channel = None if m.channel is None else recording.channels[m.channel].name
                values.append((i + 1, channel, m.metric, m.value, m.status, m.reason))
        at = pd.Timestamp("2025-01-10", tz="UTC") + pd.Timedelta(days=float(day))
        rows.append((i + 1, at, "profile", "profile", board, "A", None, 1, "product", np.nan, True, 400.0))
    runs = pd.DataFrame(
        rows,
        columns=["run", "started_at", "setpoint_hash", "profile", "board", "board_revision", "orientation", "load_count", "kind",
                 "ambient_c", "complete", "duration_s"],
    )  # fmt: skip
    return runs, pd.DataFrame(values, columns=["run", "channel", "metric", "value", "status", "reason"])


def _oven(rng: np.random.Generator, room: float, mass: float, fault: str, size: float, run: int) -> Oven:
    grown = float(np.clip((run - ONSET) / (LOG_RUNS - ONSET), 0.0, 1.0))
    on = float(run >= ONSET)
    power = (
        1 + rng.normal(0, 0.01) - (size * grown if fault == "heater" else 0) - (size * on if fault == "mains" else 0)
    )
    loss = 1 / (1 + rng.normal(0, 0.015) + (size * grown if fault == "seal" else 0))
    tips = []
    for tip in TIPS:
        right = tip.name == "right"
        tips.append(
            replace(
                tip,
                board_tau_s=tip.board_tau_s * mass * (1 + rng.normal(0, 0.012)),
                side=tip.side - (size * on if fault == "side" and right else 0),
                offset_k=tip.offset_k + rng.normal(0, 0.12) - (size * on if fault == "sensor_offset" and right else 0),
                gain=1 + rng.normal(0, 0.0025) - (size * grown if fault == "sensor_gain" and right else 0),
            )
        )
    top = 245.0 + (size * on if fault == "setpoint_or_firmware" else 0)
    profile = ((0, 25), (80, 150), (175, 150), (225, top), (250, top), (251, 25))
    return Oven(
        tuple(tips),
        room_c=room,
        element_k_per_s=4.4 * power,
        loss_tau_s=180.0 * loss,
        door_tau_s=180.0 * loss,  # the door stays shut: a leak shows in the cooling
        control=1,
        profile=profile,
        length_s=760.0,
        interval_s=2.0,
    )


def from_logs(each: int, say: Callable[[str], None]) -> None:
    say(f"from logs, {each} seasons of {LOG_RUNS} runs each, change after run {ONSET}")
    for fault, size, words in FROM_LOGS:
        row, ours, peaks, calls, chance = Row(), [], [], 0, 0
        causes: dict[str, int] = {}
        for seed in range(each):
            runs, metrics = logged_season(30_000 + seed, fault, size)
            if not fault:
                calls += len(detect("oven", runs, metrics).calls)
                chance += peak_delay(runs, metrics) is not None
                continue
            ours.append(judge(fault, runs, metrics, row))
            peaks.append(peak_delay(runs, metrics))
            for call in detect("oven", runs, metrics).calls[:1]:
                causes[call.causes[0].cause] = causes.get(call.causes[0].cause, 0) + 1
        if not fault:
            low, high = (100 * e / (each * LOG_RUNS) for e in poisson_interval(calls))
            say(f"clean: {calls} false calls in {each * LOG_RUNS} runs (95 %: {low:.2f} to {high:.2f} per 100 runs)")
            say(f"clean: (a) signals in {chance} of {each} seasons within {LOG_RUNS - ONSET} runs")
        else:
            say(f"{fault:22} {words:44} {describe(ours)}  (a) {describe(peaks)}  {shares(row, each)}  {causes}")


def main() -> None:
    asked = argparse.ArgumentParser(description="Drift benchmark")
    asked.add_argument("--seasons", type=int, default=200)
    asked.add_argument("--each", type=int, default=60)
    asked.add_argument("--logs", type=int, default=4)
    asked.add_argument("--out", type=Path)
    given = asked.parse_args()
    out = given.out.open("w", encoding="utf-8") if given.out else None

    def say(line: str) -> None:
        print(line, flush=True)
        if out:
            print(line, file=out, flush=True)

    if given.seasons:
        false_calls(given.seasons, say)
    if given.each:
        power(given.each, say)
    if given.logs:
        from_logs(given.logs, say)


if __name__ == "__main__":
    main()
