"""Drift in words: calls, dates, causes, effort numbers, reference runs. The same sentences on the pages and the command line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.drift.answers import Answer
    from analysis.drift.events import EventReport
    from analysis.drift.now import EffortNow, ReferenceState
    from analysis.drift.outlook import Outlook
    from analysis.drift.records import Call
    from analysis.store.drift import OvenReport

CAUSES = {
    "heater": "less heating power: an element ages or failed",
    "mains": "less heating power: the supply is low",
    "seal": "heat lost through the door or its seal",
    "fan": "less air movement: fan slow or blocked",
    "load": "a heavier load than recorded",
    "side": "one side or place heats differently",
    "sensor_offset": "one sensor reads off by a fixed amount",
    "sensor_gain": "one sensor reads off in proportion to temperature",
    "reference_junction": "all sensors read off alike: reference junction",
    "setpoint_or_firmware": "set point, control settings or firmware changed",
    "season": "the season: the room has changed",
    "paste": "paste, print or part; nothing thermal moved",
    "unknown": "no cause in the table fits",
}


# What the charts of a series are, as hover texts.
CHARTS = {
    "individuals": "Each dot is one run. Individuals chart: two of three runs beyond the band on one side call a step. EWMA, the "
    "exponentially weighted moving average, follows slow changes: each run moves the line by a tenth of its distance.",
    "baseline": "What this oven did in the first comparable runs, group by group. Scatter: how far single runs usually lie from "
    "it (one standard deviation). Learning below 20 runs, firm from 40.",
    "moving range": "The difference of each run from the one before it. It shows jumps and a scatter that grows; no call is "
    "made from it alone.",
    "cusum": "Cumulative sum: small differences that keep the same sign pile up, so a slow change shows long before a single "
    "run stands out. Counted in scatters of the baseline.",
}
TIERS = "Note: keep an eye on it. Check before the next batch: do the check below before boards depend on it."


def expected(kind: str) -> str:
    """What an event of this kind moves when it was needed and worked: "hold duty down, cooling time constant up"."""
    from analysis.drift.events import EXPECTED
    from analysis.drift.series import BY_NAME

    way = {"+": "up", "-": "down", "any": "either way"}
    moves = EXPECTED.get(kind, {})
    return (
        ", ".join(f"{BY_NAME[name].label} {way[sign]}" for name, sign in moves.items() if name in BY_NAME) or "nothing"
    )


def cause(name: str) -> str:
    return CAUSES.get(name, name)


def day(stamp: str | None, run: int) -> str:
    """ "14 Mar 2025 (run 212)", or the run alone where no date is known."""
    if stamp is None:
        return f"run {run}"
    import pandas as pd

    at = pd.Timestamp(stamp)
    return f"{at.day} {at:%b %Y} (run {run})"


def headline(call: Call) -> str:
    """ "full-power ramp, high -11.7 % (-12.6 to -10.7 %), trend": what moved and by how much."""
    shape = "at once" if call.kind == "step" else "slowly"
    text = minus(call.size_text)
    return f"{text if call.channel else text[0].upper() + text[1:]}, {shape}"


def details(call: Call, answer: Answer | None, zone: str) -> list[str]:
    """Everything about a call, a sentence a line."""
    del zone  # dates of runs are days; a zone could move none of them by more than one
    low, high = (
        day(stamp, run) for stamp, run in zip(call.since_interval or (None, None), call.since_run_interval, strict=True)
    )
    lines = [
        f"Since {day(call.since, call.since_run)}, seen in the set points of the logs. Runs before and after are not "
        "compared with each other."
        if call.chart == "set points"
        else f"Since {day(call.since, call.since_run)}, between {low} and {high} ({100 * call.level:.0f} %). "
        f"Called at run {call.alarm_run} by the {chart(call.chart)}; {call.n} runs compared, {call.left_out} left out."
    ]
    if call.rate_per_100_runs is not None and call.rate_interval is not None:
        share = call.unit == "1"
        pace, a, b = (100 * v if share else v for v in (call.rate_per_100_runs, *call.rate_interval))
        unit = "percentage points" if share else call.unit
        lines.append(minus(f"Pace: {pace:+.2g} {unit} per 100 runs ({a:+.2g} to {b:+.2g} {unit})."))
    if call.margin is not None:
        lines.append(f"Effect on the boards: {minus(call.margin.text)}.")
    known: set[str] = set()
    for rank, one in enumerate(call.causes):
        said = "Most like" if rank == 0 else "Or"
        new = [text for text in one.fits if text not in known]
        same = "the same" if len(new) < len(one.fits) else ""
        fits = f" Fits: {'; '.join([*([same] if same else []), *new])}." if one.fits else ""
        other = [text for text in one.against if text not in known]
        against = f" Does not fit: {'; '.join(other)}." if other else ""
        known |= {*one.fits, *one.against}
        lines.append(minus(f"{said} {one.cause} ({cause(one.cause)}).{fits}{against}"))
    lines.append(f"Check first: {call.check_first}")
    if call.beside:
        lines.append(f"Noted at about that date: {', '.join(call.beside)}.")
    if call.question:
        lines.append(f"{call.question} If so, note it as an event.")
    lines += (
        [f"The baseline began anew with {call.closed_by}: it cannot be followed further."] if call.closed_by else []
    )
    lines += ["The newest runs no longer show it."] if call.state == "gone back" else []
    if answer is not None:
        by = f" by {answer.who}" if answer.who else ""
        note = f": {answer.note}" if answer.note else ""
        lines.append(f"Answered {answer.answer}{by} on {answer.at[:10]}{note}.")
    return lines


def chart(name: str) -> str:
    return {"cusum": "CUSUM chart", "individuals": "individuals chart (two of three runs)"}.get(
        name, f"CUSUM chart of the {name}"
    )


def standing(report: OvenReport) -> list[str]:
    """The three effort numbers, the reference run, what was assumed."""
    lines = [effort(e) for e in report.effort]
    lines.append(reference(report.reference))
    lines += [f"Assumed: {note}." for note in report.drift.notes]
    return lines


def effort(e: EffortNow) -> str:
    if e.value is None:
        return f"{e.label}: not evaluated, because {e.reason}"
    return f"{e.label}: {effort_value(e)}, {effort_remark(e)}"


def effort_value(e: EffortNow) -> str:
    """The number of now, short: "26 %", or "not evaluated"."""
    if e.value is None:
        return "not evaluated"
    return f"{100 * e.value:.0f} %" if e.unit == "1" else f"{e.value:.3g} {e.unit}"


def effort_remark(e: EffortNow) -> str:
    """How it stands against its baseline, or why it is not evaluated."""
    if e.change is None or e.low is None or e.high is None:
        return f"because {e.reason}"
    return minus(
        f"{100 * e.change:+.1f} % against the baseline ({100 * e.low:+.1f} to {100 * e.high:+.1f} %), newest {e.n} runs; "
        f"baseline {e.state}, {e.n_baseline} runs"
    )


def reference(state: ReferenceState) -> str:
    """When the last reference run was and when the next is due."""
    if state.last_run is None:
        return "no reference run yet: bake the same reference board from cold, and give its run the kind reference"
    if state.last_at is None or state.due is None:
        return f"last reference run: {state.last_run}, its date is unknown, so none is due by date"
    last = f"{state.last_at.day} {state.last_at:%b %Y}"
    due = f"{state.due.day} {state.due:%b %Y}"
    late = state.overdue_days is not None and state.overdue_days > 0
    since = f"{state.runs_since} {'run' if state.runs_since == 1 else 'runs'} since"
    return f"last reference run: {state.last_run} on {last}, {since}; the next {'was' if late else 'is'} due on {due}"


def forecasts(outlooks: Sequence[Outlook]) -> list[str]:
    """Forecasts one by one; refusals gathered, each reason with the limits it holds for."""
    given = [minus(o.text[0].upper() + o.text[1:]) + "." for o in outlooks if o.forecast.refused is None]
    refused: dict[str, Counter[str]] = {}
    for o in outlooks:
        if o.forecast.refused is not None:
            refused.setdefault(_reason(o.forecast.refused), Counter())[o.limit] += 1
    lines = []
    for reason, limits in refused.items():
        names = [f"{limit} ({n} groups)" if n > 1 else limit for limit, n in limits.items()]
        lines.append(minus(f"No forecast, because {reason}: {'; '.join(names)}."))
    return given + lines


def _reason(text: str) -> str:
    """Refusals that differ in a number only are one reason."""
    if text.startswith("a step of"):
        return "a step lies inside the fit"
    if text.startswith("the answer lies beyond"):
        return "the answer lies farther away than the history is long"
    return text


def event_day(report: EventReport) -> str:
    return report.happened_at[:10]


def minus(text: str) -> str:
    """Numbers with a true minus sign: a hyphen before a digit, after a blank or an opening bracket."""
    out: list[str] = []
    for i, mark in enumerate(text):
        before = text[i - 1] if i else " "
        after: Any = text[i + 1] if i + 1 < len(text) else ""
        out.append("−" if mark == "-" and before in " (" and after.isdigit() else mark)
    return "".join(out)
