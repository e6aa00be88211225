"""Findings: their names, what each code means, and the stop texts that lead everything else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

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
