"""Every sentence Ovenbook says to people, in one place: pages, command line and sheets say the same thing the same way.

Works on the plain dictionaries of `ovenbook show N --json` (analysis.store.run_summary) and `ovenbook import --json`.
Words are the trade's (standards, textbooks, data sheets) or plain descriptions. Nothing here computes a result.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from analysis.quantities import QUANTITIES

# Numbers -----------------------------------------------------------------------------------------------------------

# A margin of a temperature is a difference: shown in K, never converted with an offset.
MARGIN_UNITS = {"°C": "K"}
_UNIT_ONE = {"1", "", None}


def number(value: float, decimals: int = 1) -> str:
    """A number with fixed decimals and a true minus sign; "-0.0" is written 0.0."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def decimals_of(metric: str) -> int:
    return QUANTITIES[metric].decimals if metric in QUANTITIES else 2


def with_unit(text: str, unit: str | None) -> str:
    """The unit after the number; the unit "1" of fractions and counts is not written."""
    return text if unit in _UNIT_ONE else f"{text} {unit}"


def quantity_text(metric: str, value: float | None, uncertainty: float | None, unit: str | None) -> str:
    """A value with its expanded uncertainty and unit, as "238.2 ± 5.1 °C"; no value gives an empty text."""
    if value is None:
        return ""
    places = decimals_of(metric)
    text = number(value, places)
    if uncertainty is not None:
        text += f" ± {number(uncertainty, places)}"
    return with_unit(text, unit)


def margin_text(metric: str, margin: float, unit: str | None) -> str:
    """A margin in words: "4.2 K inside" or "12.0 s outside"."""
    side = "inside" if margin >= 0 else "outside"
    return f"{with_unit(number(abs(margin), decimals_of(metric)), MARGIN_UNITS.get(unit or '', unit))} {side}"


def counted(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(items: Sequence[str], joint: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


# Metrics and limits --------------------------------------------------------------------------------------------------


def metric_label(metric: str) -> str:
    return QUANTITIES[metric].label if metric in QUANTITIES else metric.replace("_", " ")


def parameters_text(parameters: Mapping[str, Any]) -> str:
    """The parameters that define a metric, in words: "150 to 200 °C", "over 20 s", "above 217 °C"; empty for none."""
    p = dict(parameters)

    def one(key: str) -> str:
        value = p[key]
        return f"{value:g}" if isinstance(value, (int, float)) else str(value)

    parts: list[str] = []
    if "liquidus_c" in p:
        parts.append(f"{one('liquidus_c')} °C")
    if "low_c" in p and "high_c" in p:
        parts.append(f"{one('low_c')} to {one('high_c')} °C")
    elif "high_c" in p:
        parts.append(f"at {one('high_c')} °C")
    if "from_c" in p and "to_c" in p:
        to = one("to_c")
        parts.append(f"{one('from_c')} °C to {to if to == 'peak' else to + ' °C'}")
    elif "from_c" in p:
        parts.append(f"from {one('from_c')}{'' if p['from_c'] == 'start' else ' °C'}")
    elif "to_c" in p:
        parts.append(f"down to {one('to_c')} °C")
    if "from_fraction" in p and "to_fraction" in p:
        parts.append(f"{float(p['from_fraction']):.0%} to {float(p['to_fraction']):.0%} of the fall")
    if "below_k" in p:
        reference = p.get("reference", "peak")
        named = f"{reference:g} °C" if isinstance(reference, (int, float)) else f"the {reference}"
        parts.append(f"within {one('below_k')} K of {named}")
    if "hold_c" in p:
        parts.append(f"hold at {one('hold_c')} °C")
    if "window_s" in p:
        parts.append(f"over {one('window_s')} s")
    if "full_at" in p:
        parts.append(f"full power from {float(p['full_at']):.0%}")
    return ", ".join(parts)


def metric_text(metric: str, parameters: Mapping[str, Any] | None = None) -> str:
    """A metric's name with what defines it: "soak time (150 to 200 °C)"."""
    detail = parameters_text(parameters or {})
    return f"{metric_label(metric)} ({detail})" if detail else metric_label(metric)


def limit_text(metric: str, low: float | None, high: float | None, unit: str | None = None) -> str:
    """A limit as people say it: "235 to 250 °C", "at most 3 °C/s", "at least 60 s"."""
    if unit is None and metric in QUANTITIES:
        unit = QUANTITIES[metric].unit
    if low is not None and high is not None:
        return with_unit(f"{low:g} to {high:g}", unit)
    if high is not None:
        return with_unit(f"at most {high:g}", unit)
    if low is not None:
        return with_unit(f"at least {low:g}", unit)
    return "no limit"


def source_text(source: str, revision: str | None) -> str:
    if not revision:
        return source
    return f"{source}, {revision if revision.lower().startswith(('rev', 'edition')) else 'revision ' + revision}"


# The verdict ---------------------------------------------------------------------------------------------------------

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
        return f"Fails the window: {limiting}{against}." if limiting else f"Fails the window{_because(reason)}."
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
    if verdict == "fails":
        return f"look at {where}, then compare with the last run of the same oven, board and profile. Hold the boards until then."
    return "fill in what the reason names; the run is judged again at once."


# Findings ------------------------------------------------------------------------------------------------------------

FINDING_NAMES = {
    "stuck": "stuck channel",
    "twin": "twin channels",
    "reversed": "reversed thermocouple",
    "open": "open circuit",
    "dropout": "dropouts",
    "spike": "spikes",
    "heater_noise": "noise from the heater",
    "lifted": "lifted tip",
    "cold_disagreement": "channels disagree when cold",
    "room_disagreement": "disagrees with the room",
    "reference_shift": "reference junction shift",
    "wrong_scale": "wrong scale",
    "swapped": "swapped channels",
    "average_hides": "average hides a channel",
    "control_lifted": "lifted control tip",
    "log_fault": "fault in the log",
    "heat_at_zero_command": "heat at zero command",
    "runaway": "heating out of control",
}

FINDING_DEFINITIONS = {
    "stuck": "The channel repeats one value while the others heat or cool.",
    "twin": "Two channels carry the same numbers, more alike than two sensors can be.",
    "reversed": "The channel falls as heat rises, mirrored about the temperature of the terminals.",
    "open": "The input reports a broken sensor, or the reading jumps to the end of its scale and stays.",
    "dropout": "Samples are missing in stretches within the run.",
    "spike": "Single samples leave the curve and return at once, faster than a board can.",
    "heater_noise": "The scatter is larger while the heater switches than while it is off.",
    "lifted": "A tip on the board answers faster than the others and follows the air.",
    "cold_disagreement": "The channels differ at a cold start, where all should read the same.",
    "room_disagreement": "All channels agree when cold, but not with the room's temperature.",
    "reference_shift": "All channels are shifted by the same amount, cold and hot.",
    "wrong_scale": "The readings are scaled: a wrong thermocouple type or unit is set.",
    "swapped": "The pattern between channels is the mirror of the earlier runs of this oven.",
    "average_hides": "The log's average looks sound while one of its channels does not.",
    "control_lifted": "The control channel looks normal while all others shifted together.",
    "log_fault": "The log itself is at fault: a clock jump, missing samples, a copy of another run.",
    "heat_at_zero_command": "The temperature rises although the command to the heater is zero.",
    "runaway": "The temperature keeps rising far past the set point.",
}

# Standing stop texts: shown when a finding carries none of its own.
STOP_HEATER = "Heat with command at zero: switch off at the wall now."
STOP_SENSOR = "Sensor not believable: do not run."

STATE_MEANINGS = {
    "good": "checked, nothing seen",
    "suspect": "looks odd; check before relying on it",
    "fail": "not believable",
    "not evaluated": "could not be checked; the reason is given",
    "missing": "no data",
}


def finding_name(code: str) -> str:
    return FINDING_NAMES.get(code, code.replace("_", " "))


def finding_sentence(finding: Mapping[str, Any]) -> str:
    """One finding: what, where, in which state, with the evidence."""
    where = f" on {finding['channel']}" if finding.get("channel") else ""
    evidence = (finding.get("evidence") or "").rstrip(".")
    text = f"{finding_name(finding['code'])}{where}, {finding['state']}"
    return f"{text[0].upper()}{text[1:]}: {evidence}." if evidence else f"{text[0].upper()}{text[1:]}."


def stop_lines(findings: Iterable[Mapping[str, Any]]) -> list[str]:
    """The stop texts of findings that can mean danger, each once. They lead everything else on every surface."""
    lines: list[str] = []
    for finding in findings:
        text = finding.get("danger")
        if text and finding.get("state") in ("suspect", "fail"):
            line = f"STOP. {text}"
            if finding.get("channel"):
                line += f" (channel {finding['channel']})"
            if line not in lines:
                lines.append(line)
    return lines


# Imports -------------------------------------------------------------------------------------------------------------

STATUS_WORDS = {
    "stored": "stored",
    "held": "held: a question must be answered first",
    "duplicate": "already in the archive",
    "rejected": "rejected",
}


def import_sentence(item: Mapping[str, Any]) -> str:
    """What became of one log, from its item of `import --json`."""
    status, name = item["status"], item["file"]
    runs = item.get("runs") or []
    numbers = [run["run"] for run in runs if run.get("run") is not None]
    if status == "stored":
        if not numbers:
            return f"{name}: would be stored, {counted(len(runs), 'run')}."
        return f"{name}: stored as {_runs_text(runs)}."
    if status == "duplicate":
        tail = f" as {_runs_text(runs)}" if numbers else ""
        return f"{name}: already in the archive{tail}; nothing was stored."
    if status == "held":
        n = len(item.get("questions") or [])
        return f"{name}: held, {counted(n, 'question')} to answer. Nothing is stored on a guess."
    reason = item.get("reason") or "no reason was given"
    return f"{name}: rejected: {reason.rstrip('.')}."


def _runs_text(runs: Sequence[Mapping[str, Any]]) -> str:
    return f"run{'' if len(runs) == 1 else 's'} {listed([str(run['run']) for run in runs])}"


def question_text(question: Mapping[str, Any]) -> str:
    """A question of a held log with its choices and the guess."""
    text = f"{question['id']}: {question['text']}"
    if question.get("choices"):
        text += f" Choices: {', '.join(question['choices'])}."
    if question.get("guess"):
        text += f" Most likely: {question['guess']}."
    return text


def answer_command(log: int, questions: Iterable[Mapping[str, Any]]) -> str:
    """The command that answers a held log, to be copied, with the likely answers filled in."""
    import shlex

    pairs = [f"{question['id']}={question.get('guess') or 'YOUR_ANSWER'}" for question in questions]
    return shlex.join(["ovenbook", "answer", str(log), *pairs])


def import_counts(counts: Mapping[str, int]) -> str:
    """The totals of an import: "12 stored, 0 held, 1 duplicate, 0 rejected"."""
    return ", ".join(f"{counts.get(status, 0)} {status}" for status in ("stored", "held", "duplicate", "rejected"))


# Terms and cautions --------------------------------------------------------------------------------------------------

DEFINITIONS = {
    "oven": "One oven with its controller. Runs of different ovens are never pooled without saying so.",
    "profile": "The temperature against time the controller was told to follow; recognised by its set points.",
    "paste": "A solder paste product with its alloy and its window.",
    "jar": "An opened container of one paste lot; runs inherit it until another is opened.",
    "board": "A board type with its revision.",
    "run": "One bake: the unit of evidence.",
    "channel": "One column of a log, usually one thermocouple.",
    "log": "The file a controller wrote. Its bytes are kept unchanged.",
    "layout": "How one controller's logs are laid out, remembered from the answers given.",
    "window": "The limits a run is judged by, with their source and revision.",
    "margin": "Distance from the nearest limit; positive is inside.",
    "uncertainty": "Expanded uncertainty (k = 2): the true value lies within ± of the reading about 95 times in 100.",
    "meets": "Every limit is met by more than the uncertainty of the measurement.",
    "fails": "At least one limit is missed by more than the uncertainty of the measurement.",
    "too close to call": "The smallest margin is inside the uncertainty of the measurement: it proves neither.",
    "not evaluated": "No verdict could be given; the reason is shown.",
    "liquidus": "The temperature above which the solder is fully liquid.",
    "finding": "What a check of the sensors or the log saw. Data is flagged, never deleted.",
    "event": "Maintenance or a change on an oven, with its date.",
    "inspection": "Someone looked at the boards. A run without one is not inspected, which is not the same as clean.",
    "defect": "What an inspection found, in the terms of the standards.",
    "typed": "Entered by a person; never overwritten by what was derived.",
    "carried over": "Taken from the last run of the same oven.",
    "derived": "Worked out from the log itself.",
    "imported": "Read from the log's header or a sheet.",
    "unknown": "Not recorded. Unknown is a value; it is not filled in silently.",
} | {name: quantity.meaning for name, quantity in QUANTITIES.items()}

ROLE_WORDS = {
    "temperature": "temperature",
    "setpoint": "set point",
    "duty": "heater duty",
    "state": "state",
    "reference_junction": "reference junction",
    "other": "other",
}

RECORDS_ONLY = (
    "Ovenbook records and advises. It does not control heat and is not a safety device; "
    "never place it in the path that removes heat."
)

# Usual cautions of the trade; local codes, the appliance's own rules and licensed people come first.
CAUTIONS = (
    (
        "Mains",
        "A modified appliance has lost its approval. Enclosure, earth bond, fuse, strain relief and residual-current "
        "protection are work for a qualified person. Isolate, lock and prove dead before touching elements or relays. "
        "Thermocouple tips can become live.",
    ),
    (
        "Over-temperature",
        "Fit an independent cut-out with its own sensor and switch and a manual reset, and test it on a schedule. "
        "Relays and semiconductor switches commonly fail closed; software cannot open them.",
    ),
    (
        "Sensors",
        "An open, shorted, lifted or reversed sensor must lead to heat off. "
        "Do not run on a sensor that is not believable.",
    ),
    (
        "Unattended heat",
        "Never heat unattended. Keep the place clear, with an extinguisher and a smoke detector. "
        "Door and boards stay hot.",
    ),
    (
        "Fumes",
        "Rosin flux fume is a leading cause of occupational asthma. Extract it at the source, to outside or through a "
        "proper filter, and keep your head out of the plume.",
    ),
    (
        "Lead",
        "Lead enters through hands and surfaces. Wash hands, keep food and drink away, separate tools and waste. "
        "Extra care for children and in pregnancy. Bismuth paste must not meet leaded finishes.",
    ),
    ("Food", "An oven used for solder is never again used for food: label it."),
)
CAUTIONS_DEFER = "Local codes, the appliance's own rules and licensed electricians come first."


def cautions_text() -> str:
    """All cautions as one text, a line each."""
    lines = [RECORDS_ONLY, *(f"{title}: {text}" for title, text in CAUTIONS), CAUTIONS_DEFER]
    return "\n".join(lines)
