"""What an evaluation is made of: plain records that pages, command line and archive share."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

MetricStatus = Literal["ok", "not reached", "not evaluated", "incomplete"]
State = Literal["good", "suspect", "fail", "not evaluated", "missing"]
Verdict = Literal["meets", "fails", "too close to call", "not evaluated"]
STATES: tuple[State, ...] = ("good", "suspect", "fail", "not evaluated", "missing")
VERDICTS: tuple[Verdict, ...] = ("meets", "fails", "too close to call", "not evaluated")


def canonical_parameters(parameters: Mapping[str, Any]) -> str:
    """Parameters as the text that names a metric's definition: JSON, keys sorted, no spaces."""
    return json.dumps(dict(parameters), sort_keys=True, separators=(",", ":"))


@dataclass(frozen=True)
class MetricValue:
    """One number about one channel (or the run, `channel` None).

    `value` in `unit`, None unless status is "ok" or "incomplete". `uncertainty` is expanded (k = 2), same unit, None
    where none can be given. `reason` says why there is no value, or what is incomplete.
    """

    metric: str
    channel: int | None
    value: float | None
    uncertainty: float | None
    unit: str
    status: MetricStatus = "ok"
    reason: str | None = None
    parameters: str = "{}"


@dataclass(frozen=True)
class Limit:
    """One limit of a window. Low and high in `unit`; None is open. `scope`: paste, body or house."""

    metric: str
    parameters: str
    low: float | None
    high: float | None
    unit: str
    scope: str
    source: str
    revision: str
    window_id: int
    is_default: bool = False


@dataclass(frozen=True)
class LimitResult:
    """One limit judged. `margin` positive inside, in the limit's unit; `channel` is the one that decides."""

    limit: Limit
    channel: int | None
    value: float | None
    uncertainty: float | None
    margin: float | None
    verdict: Verdict
    reason: str | None = None


@dataclass(frozen=True)
class Finding:
    """What a check saw. `danger` is the stop text, or empty."""

    code: str
    channel: int | None
    state: State
    evidence: str
    meaning: str = ""
    check_first: str = ""
    danger: str = ""


@dataclass(frozen=True)
class Context:
    """What the evaluation of one run knows beside the recording. Unknown is None, never a stand-in.

    `liquidus_c` [°C] of the paste; `limits` frozen from the windows; `budget` overrides of the uncertainty budget of
    the oven; `placements` channel name to (place, attachment); `control_channel` a channel name, "average" or None;
    `ambient_c` [°C] typed or measured elsewhere; `room_c` [°C] the best word on the room: that, else what a cold start of
    the oven showed not long before (this run's own included); `classification_c` [°C] the body ceiling Tc, if the board
    names one; `idle_s` [s] from the end of the oven's run before to the start of this one.
    """

    liquidus_c: float | None = None
    alloy: str | None = None
    limits: tuple[Limit, ...] = ()
    budget: Mapping[str, float] = field(default_factory=dict[str, float])
    placements: Mapping[str, tuple[str | None, str | None]] = field(
        default_factory=dict[str, tuple[str | None, str | None]]
    )
    control_channel: str | None = None
    ambient_c: float | None = None
    room_c: float | None = None
    classification_c: float | None = None
    idle_s: float | None = None


@dataclass(frozen=True)
class Evaluation:
    """Everything derived from one recording in its context, under one version of the rules."""

    rules_version: str
    verdict: Verdict
    reason: str | None
    limiting: LimitResult | None
    complete: bool
    danger: bool
    metrics: tuple[MetricValue, ...]
    limit_results: tuple[LimitResult, ...]
    findings: tuple[Finding, ...]
