"""One recording in its context -> every metric, each with unit, uncertainty, parameters, status and reason."""

from __future__ import annotations

from analysis.metrics.basis import Basis, basis_of
from analysis.metrics.effort import add_effort
from analysis.metrics.group import add_group
from analysis.metrics.heating import add_heating
from analysis.metrics.plan import parameters, plan_for
from analysis.metrics.sensors import add_sensors
from analysis.metrics.sheet import Sheet
from analysis.results import Context, MetricValue
from ingest.recording import Recording


def measure(recording: Recording, context: Context) -> list[MetricValue]:
    """All metrics of a run.

    Pure: the same recording and context give the same digits. Missing samples are bridged by straight lines inside a
    channel and a long gap marks its times "incomplete"; a channel without a single sample gets "not evaluated" for its
    peak. Definitions: `analysis.quantities`; which parameters: `analysis.metrics.plan`.
    """
    return measure_with_basis(recording, context)[0]


def measure_with_basis(recording: Recording, context: Context) -> tuple[list[MetricValue], Basis | None]:
    """The metrics and what they were worked out from (None when no temperature channel has a sample)."""
    b = basis_of(recording, context)
    sheet = Sheet(b.traces.numbers if b else [])
    if b is not None:
        add_heating(sheet, b)
        add_group(sheet, b)
        add_effort(sheet, b)
        add_sensors(sheet, b)
        _asked_but_unknown(sheet, b.plan.unknown)
    measured = set(b.traces.numbers) if b else set()
    for number, channel in enumerate(recording.channels):
        if channel.role == "temperature" and number not in measured:
            reason = "the channel has no sample"
            sheet.values.append(MetricValue("peak_c", number, None, None, "°C", "not evaluated", reason, parameters()))
    if b is None:
        _asked_but_unknown(sheet, plan_for(context).unknown)
    return sheet.values, b


def _asked_but_unknown(sheet: Sheet, unknown: tuple[tuple[str, str, str], ...]) -> None:
    for metric, text, reason in unknown:
        sheet.values.append(MetricValue(metric, None, None, None, "", "not evaluated", reason, text))
