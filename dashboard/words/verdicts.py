"""A run's verdict in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.words.limits import limit_text, metric_label, metric_text, source_text
from dashboard.words.numbers import margin_text, quantity_text

VERDICT_WORDS = {
    "meets": "meets the window",
    "fails": "fails the window",
    "too close to call": "too close to call",
    "not evaluated": "not evaluated",
}


def limiting_text(limiting: Mapping[str, Any] | None) -> str:
    """The limiting metric, channel and margin in words, or an empty text."""
    if not limiting or limiting.get("metric") is None:
        return ""
    text = metric_label(limiting["metric"])
    if limiting.get("channel"):
        text += f" on {limiting['channel']}"
    if limiting.get("margin") is not None:
        text += f", {margin_text(limiting['metric'], limiting['margin'], limiting.get('unit'))}"
    return text


def deciding_limit(summary: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The limit that decided a run's verdict, found by metric and margin."""
    limiting = summary.get("limiting") or {}
    for limit in summary.get("limits") or ():
        if limit["metric"] == limiting.get("metric") and limit.get("margin") == limiting.get("margin"):
            return limit
    return None


def never_melted(summary: Mapping[str, Any]) -> bool:
    """Whether a failed run stayed below the liquidus on every channel that says so."""
    above = [m["status"] for m in summary.get("metrics") or () if m["metric"] == "time_above_liquidus_s"]
    return summary.get("verdict") == "fails" and bool(above) and all(status == "not reached" for status in above)


def verdict_sentence(summary: Mapping[str, Any]) -> str:
    """A run's verdict as one or two sentences: what, where, by how much, against which limit from where."""
    verdict = summary.get("verdict") or "not evaluated"
    reason = summary.get("reason")
    limiting = limiting_text(summary.get("limiting"))
    limit = deciding_limit(summary)
    against = ""
    if limit is not None:
        unit = (summary.get("limiting") or {}).get("unit")
        bounds = limit_text(limit["metric"], limit["low"], limit["high"], limit.get("unit") or unit)
        against = f" (limit {bounds}; {source_text(limit['source'], limit.get('revision'))})"
    if verdict == "meets":
        text = "Meets the window."
        return f"{text} Smallest margin: {limiting}{against}." if limiting else text
    if verdict == "fails":
        melted = "the solder did not melt; " if never_melted(summary) else ""
        return f"Fails the window: {melted}{limiting}{against}." if limiting else f"Fails the window{_because(reason)}."
    if verdict == "too close to call":
        text = f"Too close to call: {limiting}{against}." if limiting else f"Too close to call{_because(reason)}."
        return text + " The margin is smaller than the uncertainty of the measurement."
    return f"Not evaluated{_because(reason)}."


def _because(reason: str | None) -> str:
    return f": {reason.rstrip('.')}" if reason else ": no reason was recorded"


def short_verdict(verdict: str | None) -> str:
    return verdict or "not evaluated"


VERDICT_HEADINGS = {
    "meets": "Run {run} meets its window",
    "fails": "Run {run} fails its window",
    "too close to call": "Run {run} is too close to call",
    "not evaluated": "Run {run} has no verdict",
}

NO_LIMITS = (
    "No limit was judged, so there are no margins. Note the paste or the jar of this run: its window gives the limits."
)


def limit_sentence(
    metric: str,
    parameters: Mapping[str, Any],
    channel: str | None,
    value: float,
    uncertainty: float | None,
    unit: str,
    low: float | None,
    high: float | None,
    margin: float,
    source: str,
    revision: str | None,
) -> str:
    """A judged limit in one sentence: what was measured where, how far from which limit, and where the limit comes from."""
    measured = quantity_text(metric, value, uncertainty, unit)
    what = metric_text(metric, parameters)
    where = f" on {channel}" if channel else ""
    below = high is None or (low is not None and value - low < high - value)
    limit = limit_text(metric, low if below else None, None if below else high, unit)
    return (
        f"{what[0].upper()}{what[1:]}{where} is {measured}: {margin_text(metric, margin, unit)} "
        f"the limit of {limit} ({source_text(source, revision)})."
    )


def verdict_heading(run: int, verdict: str | None) -> str:
    return VERDICT_HEADINGS.get(verdict or "not evaluated", VERDICT_HEADINGS["not evaluated"]).format(run=run)


def check_first(summary: Mapping[str, Any]) -> str:
    """The one thing to look at first: what the gravest finding asks for, else what follows from the verdict."""
    for state in ("fail", "suspect"):
        for finding in summary.get("findings") or ():
            if finding.get("state") == state and finding.get("check_first"):
                return finding["check_first"]
    verdict = summary.get("verdict")
    limiting = summary.get("limiting") or {}
    channel = limiting.get("channel")
    where = f"the tip of {channel} and how it is fixed" if channel else "the tips and how they are fixed"
    if verdict == "meets":
        return "nothing; look at the boards as usual."
    if verdict == "too close to call":
        return f"look at {where}, then run once more: a second run tells whether the margin is there."
    if never_melted(summary):
        return "whether the profile ran to its end and the heater worked. Hold the boards: their solder did not melt."
    if verdict == "fails":
        return f"look at {where}, then compare with the last run of the same oven, board and profile. Hold the boards until then."
    if (summary.get("reason") or "").startswith("no paste"):
        return "choose the paste or its jar under What was on the rack; the run is judged at once."
    if (summary.get("reason") or "").endswith("no limit is broken up to there"):
        return "why the run stopped. Its boards have not seen a whole profile: hold them."
    return "what the reason names; once it is mended or filled in, the run is judged again."
