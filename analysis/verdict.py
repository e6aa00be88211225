"""Judging metrics by limits: three-valued, guard-banded, worst channel first.

Decision rule (JCGM 106:2012; ISO 14253-1): with the expanded uncertainty U (k = 2) as guard band on either side of a
limit, a value inside by at least U *meets*, one outside by more than U *fails*, and anything between is *too close to
call*. With w = U = 2 u the risk that a value said to meet is really outside is at most 2.3 %, one-sided.

Every channel on the work is judged. A low limit is decided by the lowest channel and a high limit by the highest,
unless a larger uncertainty makes another channel the less certain one. Averages are never judged.

The limiting result is the one a process engineer would name first. Solder that did not melt makes no joint, whatever soak
and ramps were: when a channel surely stayed below liquidus (peak plus its uncertainty is below it), its missed lower limit
on the peak is named, else that on the time above liquidus. Otherwise it is the result with the worst verdict and, among
equals, the smallest margin in units of its expanded uncertainty; without an uncertainty, in units of the half-window, and
of the limit itself where the window has one side. A ceiling on the time at a temperature that was never reached comes last.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache

from analysis.metrics.plan import BELOW_PEAK_K, canonical, parameters
from analysis.results import Finding, Limit, LimitResult, MetricValue, Verdict

# Findings of these codes in state fail make a channel unbelievable (a log fault or a hidden average does not).
CREDIBILITY = frozenset(
    {
        "stuck",
        "twin",
        "reversed",
        "open",
        "dropout",
        "spike",
        "heater_noise",
        "lifted",
        "cold_disagreement",
        "room_disagreement",
        "reference_shift",
        "wrong_scale",
        "swapped",
        "control_lifted",
    }
)
# A margin below a billionth of the values is their rounding (a metric of exactly the limit, computed in floats).
ROUNDING = 1e-9
RANK: dict[Verdict, int] = {"fails": 0, "too close to call": 1, "not evaluated": 2, "meets": 3}
# Limits that say whether the solder melted, in the order they are named when it did not.
MELTING = ("peak_c", "time_above_liquidus_s", "time_above_liquidus_longest_s")
# Metrics that are zero, not unknown, when their temperature was never reached.
ZERO_WHEN_COLD = {"time_above_liquidus_s", "time_above_liquidus_longest_s", "time_near_peak_s"}
NEAR_PEAK_METRIC = "time_near_peak_s"
NEAR_PEAK = parameters(reference="peak", below_k=BELOW_PEAK_K)
NO_UNCERTAINTY = "no uncertainty could be given for the value"
_NOT_MEASURED = "not measured: {metric} {parameters}"


def worst(verdicts: Collection[Verdict]) -> Verdict:
    """The worst of several verdicts: fails, too close to call, not evaluated, meets. None at all: not evaluated."""
    return min(verdicts, key=lambda v: RANK[v]) if verdicts else "not evaluated"


def doubted_channels(findings: Sequence[Finding]) -> dict[int, str]:
    """Channel number -> code of the first finding that makes it unbelievable."""
    found: dict[int, str] = {}
    for f in findings:
        if f.state == "fail" and f.code in CREDIBILITY and f.channel is not None:
            found.setdefault(f.channel, f.code)
    return found


def judge(
    metrics: Sequence[MetricValue],
    limits: Sequence[Limit],
    findings: Sequence[Finding],
    *,
    names: Mapping[int, str],
    unjudged: Collection[int] = (),
    bodies: Collection[int] = (),
    complete: bool = True,
    has_paste: bool = True,
) -> tuple[Verdict, str | None, LimitResult | None, tuple[LimitResult, ...]]:
    """Judge a run.

    `names`: channel number to name, for the reasons. `unjudged`: channels never judged (averages, sensors in the air).
    `bodies`: channels on a package body: when there are any, limits of scope body are judged on them alone and those
    of the paste on the others. `complete` False: the run was cut off; a limit it already breaks still fails.

    Returns the run's verdict, the reason behind anything but a plain verdict, the limiting result, and one result a
    limit in the order of `limits`.
    """
    doubted = doubted_channels(findings)
    by_name: dict[tuple[str, str], list[MetricValue]] = {}
    for m in metrics:
        if m.channel is None or (m.channel not in unjudged and m.channel not in doubted):
            by_name.setdefault((m.metric, m.parameters), []).append(m)
    peaks = {m.channel: m for m in by_name.get(("peak_c", "{}"), ())}
    near = {m.channel: m for m in by_name.get((NEAR_PEAK_METRIC, NEAR_PEAK), ())}
    # a spread or a melt lag that counts a doubted channel says nothing about the work
    spoiled = bool(doubted)
    bodies = set(bodies) - set(doubted)
    results = tuple(_judge_limit(limit, by_name, peaks, near, bodies, spoiled) for limit in limits)
    if not limits:
        reason = no_window(has_paste)
        return _with_doubt(doubted, names, "not evaluated", reason, None, results)
    verdict = worst([r.verdict for r in results])
    limiting = limiting_of(results, _never_molten(by_name, peaks))
    reason = None
    if verdict == "not evaluated":
        unknown = [r for r in results if r.verdict == "not evaluated"]
        reason = not_judged(len(unknown), len(results), unknown[0].limit.metric, unknown[0].reason)
    if not complete and verdict != "fails":
        verdict, reason = "not evaluated", "the run was cut off before it was over; no limit is broken up to there"
    if not has_paste and verdict != "fails":
        verdict, reason = "not evaluated", no_window(has_paste)
    return _with_doubt(doubted, names, verdict, reason, limiting, results)


def no_window(has_paste: bool) -> str:
    return "no window to judge by" if has_paste else "no paste recorded, so no window to judge by"


def not_judged(unknown: int, limits: int, first: str, why: str | None) -> str:
    return f"{unknown} of {limits} limits could not be judged: {first}, {why}"


def _with_doubt(doubted, names, verdict, reason, limiting, results):
    if not doubted:
        return verdict, reason, limiting, results
    told = ", ".join(f"{names.get(channel, channel)} {code}" for channel, code in doubted.items())
    rest = verdict if reason is None else f"{verdict} ({reason})"
    text = f"Sensor not believable: {told}. The other channels alone: {rest}"
    return ("fails" if verdict == "fails" else "not evaluated"), text, limiting, results


def _judge_limit(limit: Limit, by_name, peaks, near, bodies: set[int], spoiled: bool) -> LimitResult:
    found = by_name.get((limit.metric, canonical(limit.parameters)), ())
    if bodies and found and found[0].channel is not None:
        on_body = limit.scope == "body"
        found = [m for m in found if (m.channel in bodies) == on_body]
    if not found:
        text = _NOT_MEASURED.format(metric=limit.metric, parameters=limit.parameters)
        return LimitResult(limit, None, None, None, None, "not evaluated", text)
    best: LimitResult | None = None
    key: tuple[int, float] = (9, 0.0)
    for m in found:
        if m.channel is None and spoiled:
            result = LimitResult(
                limit, None, m.value, m.uncertainty, None, "not evaluated", "a channel it counts is not believable"
            )
        else:
            result = _judge_value(limit, m, peaks.get(m.channel), near.get(m.channel))
        this = (RANK[result.verdict], closeness(result))
        if best is None or this < key:
            best, key = result, this
    assert best is not None
    return best


def _judge_value(limit: Limit, m: MetricValue, peak: MetricValue | None, near: MetricValue | None) -> LimitResult:
    if m.value is not None and m.uncertainty is None and limit.unit != "1":  # counts carry none
        return LimitResult(limit, m.channel, m.value, None, None, "not evaluated", NO_UNCERTAINTY)
    if m.status == "ok" and m.value is not None:
        return decide(limit, m.channel, m.value, m.uncertainty or 0.0)
    if m.status == "incomplete" and m.value is not None:
        # what a cut log shows is a lower bound: it can break a high limit and meet a low one, nothing else
        full = decide(limit, m.channel, m.value, m.uncertainty or 0.0)
        over = limit.high is not None and m.value - (m.uncertainty or 0.0) > limit.high
        enough = limit.high is None and full.verdict == "meets"
        if over or enough:
            return full
        return LimitResult(limit, m.channel, m.value, m.uncertainty, full.margin, "not evaluated", m.reason)
    if m.status == "not reached" and m.metric in ZERO_WHEN_COLD and peak is not None and peak.value is not None:
        return _never_reached(limit, m, peak, near)
    return LimitResult(limit, m.channel, None, None, None, "not evaluated", m.reason)


def _never_reached(limit: Limit, m: MetricValue, peak: MetricValue, near: MetricValue | None) -> LimitResult:
    """A time above a temperature that no sample reached: zero, if the peak is below it by more than its uncertainty."""
    level = level_of(m.parameters)
    if peak.status != "ok":  # the log ended before the peak: what it did not reach is not known
        return LimitResult(limit, m.channel, None, None, None, "not evaluated", peak.reason)
    sure = float(peak.value or 0.0) + (peak.uncertainty or 0.0) < level
    if limit.low is not None and limit.low > 0:
        verdict: Verdict = "fails" if sure else "too close to call"
        return LimitResult(limit, m.channel, None, None, -limit.low, verdict, m.reason)
    if limit.high is None:
        return LimitResult(limit, m.channel, None, None, None, "meets", m.reason)
    # if the reading is off by U, the time is at most that near the peak, longer where the level lies deeper below it
    depth = float(peak.value or 0.0) + (peak.uncertainty or 0.0) - level
    longest = None if near is None or near.value is None else near.value * max(depth / BELOW_PEAK_K, 1.0)
    verdict = "meets" if sure or (longest is not None and longest <= limit.high) else "too close to call"
    return LimitResult(limit, m.channel, None, None, limit.high, verdict, m.reason)


@lru_cache(maxsize=1024)
def level_of(text: str) -> float:
    """The temperature [°C] that a metric of ZERO_WHEN_COLD with these parameters counts the time above."""
    p = json.loads(text)
    return float(p["liquidus_c"]) if "liquidus_c" in p else float(p["reference"]) - float(p["below_k"])


def decide(limit: Limit, channel: int | None, value: float, uncertainty: float) -> LimitResult:
    """One value against one limit. The margin is the distance to the nearer limit, positive inside."""
    margin = min(
        value - limit.low if limit.low is not None else float("inf"),
        limit.high - value if limit.high is not None else float("inf"),
    )
    if margin == float("inf"):
        return LimitResult(limit, channel, value, uncertainty, None, "not evaluated", "the limit is open on both sides")
    rounding = ROUNDING * max(abs(value), 1.0)
    if margin >= uncertainty - rounding:
        verdict: Verdict = "meets"
    elif margin < -uncertainty - rounding:
        verdict = "fails"
    else:
        verdict = "too close to call"
    return LimitResult(limit, channel, value, uncertainty, margin, verdict, None)


def closeness(result: LimitResult) -> float:
    """Margin in units that compare between limits (module docstring); infinite when there is no margin."""
    if result.margin is None:
        return float("inf")
    low, high = result.limit.low, result.limit.high
    unit = result.uncertainty
    if not unit:
        unit = (
            (high - low) / 2.0 if low is not None and high is not None else abs(low if low is not None else high or 0.0)
        )
    return result.margin / unit if unit else result.margin


def limiting_of(results: Sequence[LimitResult], never_molten: Collection[int | None] = ()) -> LimitResult | None:
    """The result that decides the run; one with a margin before one without.

    `never_molten`: channels that surely stayed below liquidus; their lower limits on melting come first.
    """
    measured = [r for r in results if r.margin is not None and r.verdict != "not evaluated"]

    def order(r: LimitResult) -> tuple[int, int, float]:
        too_cold = r.limit.low is not None and (r.value is None or r.value < r.limit.low)
        unmelted = r.verdict == "fails" and r.channel in never_molten and too_cold and r.limit.metric in MELTING
        if r.verdict == "meets" and r.value is None:  # a ceiling on time at a temperature that was never reached
            return RANK[r.verdict], len(MELTING), float("inf")
        return RANK[r.verdict], MELTING.index(r.limit.metric) if unmelted else len(MELTING), closeness(r)

    return min(measured, key=order, default=None)


def _never_molten(by_name: Mapping[tuple[str, str], Sequence[MetricValue]], peaks: Mapping) -> set[int | None]:
    """Channels whose peak is surely below the lowest liquidus they were measured against."""
    found = (json.loads(text) for name, text in by_name if name == "time_above_liquidus_s")
    level = min((float(p["liquidus_c"]) for p in found if "liquidus_c" in p), default=None)
    if level is None:
        return set()
    return {
        channel
        for channel, m in peaks.items()
        if m.status == "ok" and m.value is not None and m.value + (m.uncertainty or 0.0) < level
    }
