"""Can the sensors be believed, and does anything mean danger?

`check_channels` looks at one recording. Every check states where it can speak; elsewhere it answers "not evaluated"
with the reason. Good findings are not listed. Data is never deleted, only flagged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from analysis.checks.average import check_average
from analysis.checks.cold_start import check_cold_start
from analysis.checks.contact import check_contact
from analysis.checks.danger import check_heat_at_zero, check_runaway
from analysis.checks.history import History, build_history
from analysis.checks.log_faults import check_log
from analysis.checks.noise import check_heater_noise
from analysis.checks.open_circuit import check_open
from analysis.checks.placement import check_placement
from analysis.checks.polarity import check_reversed
from analysis.checks.repetition import check_stuck, check_twin
from analysis.checks.scale import check_wrong_scale
from analysis.checks.shapes import Shapes
from analysis.checks.texts import CODES
from analysis.checks.view import View, build_view, unable
from analysis.results import Context, Finding, MetricValue
from ingest.recording import Recording

__all__ = ["CODES", "History", "build_history", "check_channels"]

# Fewer samples or less time than this is no run: nothing can be said about sensors.
LEAST_SAMPLES = 10
LEAST_SECONDS = 20.0
NO_CHANNEL = "no temperature channel in the log"

# In the order they run: a channel found not believable is left out by the checks after.
_CHECKS: tuple[tuple[Callable[[View], list[Finding]], tuple[str, ...]], ...] = (
    (check_reversed, ("reversed",)),
    (check_open, ("open",)),
    (check_stuck, ("stuck",)),
    (check_twin, ("twin",)),
    (check_heater_noise, ("heater_noise",)),
    (check_contact, ("dropout", "spike")),
    (check_log, ("log_fault",)),
    (check_cold_start, ("cold_disagreement", "room_disagreement", "reference_shift")),
    (check_wrong_scale, ("wrong_scale",)),
    (check_placement, ("swapped", "control_lifted", "lifted")),
    (check_average, ("average_hides",)),
    (check_heat_at_zero, ("heat_at_zero_command",)),
    (check_runaway, ("runaway",)),
)
_PLACE = {code: place for place, code in enumerate(CODES)}
_STATE_ORDER = {"fail": 0, "suspect": 1, "missing": 2, "not evaluated": 3, "good": 4}


def check_channels(
    recording: Recording,
    context: Context,
    metrics: Sequence[MetricValue],
    history: History | None = None,
    shapes: Shapes | None = None,
    own: slice = slice(None),
) -> list[Finding]:
    """All findings about one run's channels, danger first.

    `recording`: temperatures in °C, NaN where missing. `metrics`: the run's metrics (analysis.metrics.measure); start
    temperature, peak and lag are read from them by the checks that compare with `history`, the usual of comparable
    earlier runs (analysis.checks.history.build_history). `shapes`, `own`: see build_view. Pure: the same input gives the
    same findings.

    Returns findings in state suspect, fail or missing, and one "not evaluated" with its reason for each code that
    could not speak. A check that breaks is listed as "not evaluated: did not run" and stops no other.
    """
    if len(recording.elapsed_s) < LEAST_SAMPLES or recording.duration_s < LEAST_SECONDS:
        reason = too_short(len(recording.elapsed_s), recording.duration_s)
        return [unable(code, reason) for code in CODES]
    view = build_view(recording, context, metrics, history, shapes, own)
    if not view.names and not view.empty:
        return [unable(code, NO_CHANNEL) for code in CODES]
    findings: list[Finding] = []
    for check, codes in _CHECKS:
        try:
            findings.extend(check(view))
        except Exception as error:  # one broken check must neither vanish nor take the others with it
            findings.extend(unable(code, f"did not run, {type(error).__name__}: {error}") for code in codes)
    return sorted(findings, key=_rank)


def too_short(samples: int, duration_s: float) -> str:
    return f"{samples} samples over {duration_s:.0f} s are too few"


def _rank(finding: Finding) -> tuple[int, int, int, int]:
    channel = -1 if finding.channel is None else finding.channel
    return (
        0 if finding.danger else 1,
        _STATE_ORDER[finding.state],
        _PLACE[finding.code],
        channel,
    )
