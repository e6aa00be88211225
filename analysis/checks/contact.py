"""Loose contacts: readings that come and go (dropout) and single readings that jump and come back (spike)."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.view import View, at
from analysis.results import Finding

# One blank cell is a transfer error; three stretches or 5 s without a value is a contact.
SUSPECT_STRETCHES = 3
SUSPECT_S = 5.0
# From here the hole is large enough to move peak or time above liquidus.
FAIL_S = 30.0
FAIL_SHARE = 0.10
# An excursion that comes back this fast is no temperature: a bead of 1 mm has a time constant of about a second.
EXCURSION_SAMPLES = 3
# The way back must undo most of the way out, otherwise it is a step (a door opened, a tip moved).
UNDONE_SHARE = 0.6
SPIKES_FAIL = 10
NOISY_SCATTERS = 8.0


def check_contact(view: View) -> list[Finding]:
    """Domain: every channel that is not already found open, stuck or reversed."""
    findings: list[Finding] = []
    for row in view.alive:
        excursions = _excursions(view, row) if len(view.jumps[row]) else []
        falls_to_zero = [first for first, level, _ in excursions if level == 0.0]
        finding = _dropout(view, row, falls_to_zero)
        if finding is not None:
            findings.append(finding)
            if finding.state == "fail":
                view.failed[row] = "dropout"
                continue
        # Scatter that comes with the heater throws single readings far out too; that is told as scatter.
        least = NOISY_SCATTERS * view.scatter_k.get(row, 0.0)
        spikes = [e for e in excursions if e[1] != 0.0 and e[2] >= least]
        if spikes:
            largest = max(spikes, key=lambda e: e[2])
            state = "fail" if len(spikes) >= SPIKES_FAIL else "suspect"
            findings.append(
                view.finding(
                    "spike",
                    view.numbers[row],
                    state,
                    f"{view.names[row]} jumps and comes back {len(spikes)} time{'s' * (len(spikes) > 1)}, largest "
                    f"{largest[2]:.0f} K at {at(view.elapsed_s, largest[0])} "
                    f"(a jump counts from {view.jump_k[row]:.0f} K).",
                )
            )
    return findings


def _excursions(view: View, row: int) -> list[tuple[int, float, float]]:
    """(first sample away, level there [°C], size [K]) of every jump that is undone within three samples."""
    change = view.change[row]
    found: list[tuple[int, float, float]] = []
    free = 0
    for before in view.jumps[row]:
        if before < free:
            continue
        away = change[before]
        for back in range(int(before) + 1, min(int(before) + 1 + EXCURSION_SAMPLES, len(change))):
            rest = float(change[before : back + 1].sum())
            undone = abs(rest) <= (1.0 - UNDONE_SHARE) * abs(away) and change[back] * away < 0
            if undone and abs(change[back]) >= 0.5 * abs(away):
                found.append((int(before) + 1, float(view.values[row, before + 1]), float(abs(away))))
                free = back + 1
                break
    return found


def _dropout(view: View, row: int, falls_to_zero: list[int]) -> Finding | None:
    if not view.has_gaps and len(falls_to_zero) < SUSPECT_STRETCHES:
        return None
    missing = _missing_alone(view, row) if view.has_gaps else np.empty(0, dtype=np.intp)
    stretches = [s for s in np.split(missing, np.flatnonzero(np.diff(missing) > 1) + 1) if len(s)]
    seconds = len(missing) * view.interval_s
    longest = max((len(s) for s in stretches), default=0)
    count = len(stretches) + len(falls_to_zero)
    enough_time = seconds >= SUSPECT_S and longest >= 2
    if count < SUSPECT_STRETCHES and not enough_time:
        return None
    share = len(missing) / view.values.shape[1]
    state = "fail" if seconds >= FAIL_S or share >= FAIL_SHARE else "suspect"
    parts: list[str] = []
    if len(stretches):
        parts.append(
            f"{len(stretches)} stretch{'es' * (len(stretches) > 1)} without a value, {seconds:.0f} s together, "
            f"first at {at(view.elapsed_s, int(missing[0]))}"
        )
    if falls_to_zero:
        parts.append(f"falls to 0 and comes back {len(falls_to_zero)} times")
    return view.finding("dropout", view.numbers[row], state, f"{view.names[row]}: {'; '.join(parts)}.")


def _missing_alone(view: View, row: int) -> np.ndarray:
    """Samples that this channel lacks while another channel has a value (all of them when it is alone)."""
    missing = np.isnan(view.values[row])
    others = [other for other in range(len(view.names)) if other != row]
    if others:
        missing &= np.isfinite(view.values[others]).any(axis=0)
    return np.flatnonzero(missing)


def screen_contact(many: Many) -> BoolArray:
    """Readings that come and go jump, or leave gaps, of which there are none here."""
    return many.jumps
