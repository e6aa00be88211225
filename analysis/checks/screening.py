"""The checks of many runs at once: which runs surely have nothing to say, and what their codes cannot speak about.

Each check has a screen beside it (see analysis.checks.many). A run whose screen is not sure goes through that check; a run
in which a check finds something is *loud* and goes through all of them by itself, as every single run does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.checks import LEAST_SAMPLES, LEAST_SECONDS, NO_CHANNEL, too_short
from analysis.checks.average import check_average, screen_average
from analysis.checks.cold_start import ColdStarts, check_cold_start, screen_cold_start, screen_shifts
from analysis.checks.contact import check_contact, screen_contact
from analysis.checks.danger import check_heat_at_zero, check_runaway, screen_heat_at_zero, screen_runaway
from analysis.checks.history import History, UsualOfMany
from analysis.checks.log_faults import check_log, screen_log
from analysis.checks.many import PLACE, Answers, BoolArray, Many
from analysis.checks.noise import check_heater_noise, screen_heater_noise
from analysis.checks.open_circuit import check_open, screen_open
from analysis.checks.placement import check_placement, screen_placement
from analysis.checks.polarity import check_reversed, screen_reversed
from analysis.checks.repetition import check_stuck, check_twin, screen_stuck, screen_twin
from analysis.checks.scale import check_wrong_scale, screen_wrong_scale
from analysis.checks.texts import CODES
from analysis.checks.view import View, build_view, unable
from analysis.metrics.stack import Stack
from analysis.results import Context, Finding, MetricValue
from ingest.recording import FloatArray, Recording

_ALONE: tuple[tuple[Callable[[Many], BoolArray], Callable[[View], list[Finding]], tuple[str, ...]], ...] = (
    (screen_reversed, check_reversed, ("reversed",)),
    (screen_open, check_open, ("open",)),
    (screen_stuck, check_stuck, ("stuck",)),
    (screen_twin, check_twin, ("twin",)),
    (screen_heater_noise, check_heater_noise, ("heater_noise",)),
    (screen_contact, check_contact, ("dropout", "spike")),
    (screen_log, check_log, ("log_fault",)),
    (screen_wrong_scale, check_wrong_scale, ("wrong_scale",)),
    (screen_average, check_average, ("average_hides",)),
    (screen_heat_at_zero, check_heat_at_zero, ("heat_at_zero_command",)),
    (screen_runaway, check_runaway, ("runaway",)),
)
_COLD = ("cold_disagreement", "room_disagreement", "reference_shift")
_PLACED = ("swapped", "control_lifted", "lifted")


@dataclass
class Screened:
    """What is known of runs before their usual is: `answers`; `loud` (runs,); `cold_unsure` (runs,): the check of cold
    starts must look at the run; `starts`: None where no check applies to these runs at all."""

    answers: Answers
    loud: BoolArray
    cold_unsure: BoolArray
    starts: ColdStarts | None


def screen(stack: Stack, contexts: Sequence[Context], reasons: dict[str, int]) -> Screened:
    """All checks that need no earlier run."""
    answers = Answers.none(len(stack), reasons)
    many = Many(stack, contexts, answers)
    nowhere = many.nowhere
    n = len(stack.elapsed_s)
    duration = float(stack.elapsed_s[-1])
    if n < LEAST_SAMPLES or duration < LEAST_SECONDS or not many.numbers:
        reason = too_short(n, duration) if n < LEAST_SAMPLES or duration < LEAST_SECONDS else NO_CHANNEL
        for code in CODES:
            answers.unable(slice(None), code, reason)
        return Screened(answers, nowhere, nowhere, None)
    unsure = np.array([ask(many) for ask, _, _ in _ALONE])
    cold_unsure, starts = screen_cold_start(many)
    loud = many.nowhere
    for run in np.flatnonzero(unsure.any(axis=0)).tolist():
        view = build_view(stack.recording(run), contexts[run], ())
        for (_, check, codes), look in zip(_ALONE, unsure[:, run].tolist(), strict=True):
            if look and not quiet(view, check, codes, answers, run):
                loud[run] = True
                break
    return Screened(answers, loud, cold_unsure, starts)


def screen_with_usual(
    names: Sequence[str],
    contexts: Sequence[Context],
    interval_s: FloatArray,
    starts: ColdStarts,
    peak_c: FloatArray,
    lag_s: FloatArray,
    usual: UsualOfMany,
    answers: Answers,
) -> tuple[BoolArray, BoolArray]:
    """The checks that compare with earlier runs: where that of cold starts and that of places must look at the run.

    `peak_c`, `lag_s` (runs, rows): the metrics, NaN where they are not sound. Runs are the same throughout.
    """
    return (
        screen_shifts(starts, usual, answers.unable),
        screen_placement(names, contexts, interval_s, peak_c, lag_s, usual, answers.unable),
    )


def look_with_usual(
    recording: Recording,
    context: Context,
    metrics: Sequence[MetricValue],
    history: History | None,
    answers: Answers,
    run: int,
    cold: bool,
    placed: bool,
) -> bool:
    """Lets the checks that compare look at a run; whether they were quiet. What they cannot say goes to `answers`."""
    view = build_view(recording, context, metrics, history)
    if cold and not quiet(view, check_cold_start, _COLD, answers, run):
        return False
    return not placed or quiet(view, check_placement, _PLACED, answers, run)


def quiet(view: View, check: Callable[[View], list[Finding]], codes: Sequence[str], answers: Answers, run: int) -> bool:
    """Whether a check has nothing to say about a run but what it cannot speak about, which goes to `answers`."""
    try:
        found = check(view)
    except Exception:  # told by the run's own round of checks
        return False
    if view.failed or view.scatter_k or view.lost_rows or any(f.state != "not evaluated" for f in found):
        return False
    answers.said[run, [PLACE[code] for code in codes]] = 0
    for finding in found:
        answers.unable(run, finding.code, finding.evidence)
    return True


def findings_said(answers: Answers, run: int) -> list[Finding]:
    """What is listed of a run that is not loud."""
    texts = list(answers.reasons)
    return [unable(code, texts[place]) for code, place in zip(CODES, answers.said[run].tolist(), strict=True) if place]
