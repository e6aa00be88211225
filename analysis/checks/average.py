"""An average that hides a channel that cannot be believed."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.texts import STOP_SENSOR
from analysis.checks.view import View, unable
from analysis.results import Finding

# An average column is the mean of the channels it follows within rounding and sampling skew.
IS_MEAN_WITHIN_K = 2.0
# What a believable average would differ by is inside the uncertainty of a single channel (about 5 °C).
HIDES_K = 5.0
NO_AVERAGE = "no average in the log and none known to steer the oven"


def check_average(view: View) -> list[Finding]:
    """Domain: an average in the log, or an oven that is steered by the average of its channels."""
    code = "average_hides"
    steers = view.context.control_channel == "average"
    if not view.averages and not steers:
        return [unable(code, NO_AVERAGE)]
    if not view.failed or not view.alive:
        return []
    true_mean = view.filled[view.alive].mean(axis=0)
    dead = [
        (row, why) for row, why in view.failed.items() if why in ("stuck", "open", "reversed", "dropout", "wrong_scale")
    ]
    if not dead:
        return []
    blamed = ", ".join(f"{view.names[row]} {why}" for row, why in dead)
    findings: list[Finding] = []
    for number in view.averages:
        average = view.recording.channels[number].values
        with_dead = view.filled.mean(axis=0)
        usable = np.isfinite(average)
        if not usable.any() or float(np.median(np.abs(average - with_dead)[usable])) > IS_MEAN_WITHIN_K:
            continue
        gap = np.where(usable, average - true_mean, 0.0)
        k = int(np.argmax(np.abs(gap)))
        if abs(gap[k]) < HIDES_K:
            continue
        name = view.recording.channels[number].name
        evidence = (
            f"{name} reads {average[k]:.0f} °C at {view.elapsed_s[k]:.0f} s, the believable channels {true_mean[k]:.0f} °C "
            f"({gap[k]:+.0f} K); it contains {blamed}."
        )
        findings.append(view.finding(code, number, "fail", evidence))
    if steers and not findings:
        evidence = f"The oven is steered by the average of its channels, and it contains {blamed}."
        findings.append(view.finding(code, None, "fail", evidence, danger=STOP_SENSOR))
    return findings


def screen_average(many: Many) -> BoolArray:
    """An average hides only a channel that another check found not believable."""
    if not many.averages:
        steers = np.array([context.control_channel == "average" for context in many.contexts], dtype=bool)
        many.answers.unable(~steers, "average_hides", NO_AVERAGE)
    return many.nowhere
