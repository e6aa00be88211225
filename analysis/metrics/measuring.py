"""Recordings in their contexts -> every metric, each with unit, uncertainty, parameters, status and reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from analysis.metrics.basis import Basis, alike, basis_of, basis_of_stack
from analysis.metrics.effort import add_effort
from analysis.metrics.group import add_group
from analysis.metrics.heating import add_heating
from analysis.metrics.plan import parameters, plan_for
from analysis.metrics.sensors import add_sensors
from analysis.metrics.sheet import Sheet
from analysis.metrics.stack import Stack, stacks_of
from analysis.results import Context, MetricValue
from ingest.recording import Recording

RUNS_AT_ONCE = 256  # of 4 channels x 600 samples: an array of them is 5 MB; what goes over samples again takes parts


@dataclass(frozen=True)
class Measured:
    """Runs that were measured together: their places in what was given, the metrics, and what they were worked out
    from (None when no temperature channel has a sample)."""

    places: tuple[int, ...]
    sheet: Sheet
    basis: Basis | None


def measure(recording: Recording, context: Context) -> list[MetricValue]:
    """All metrics of a run.

    Pure: the same recording and context give the same digits, alone or among others. Missing samples are bridged by
    straight lines inside a channel and a long gap marks its times "incomplete"; a channel without a single sample gets
    "not evaluated" for its peak. Definitions: `analysis.quantities`; which parameters: `analysis.metrics.plan`.
    """
    return measure_one(recording, context).sheet.of_run(0)


def measure_one(recording: Recording, context: Context, place: int = 0) -> Measured:
    """All metrics of a run by itself, whatever it lacks."""
    b = basis_of(recording, context)
    sheet = _sheet(b, [context])
    measured = set(b.traces.numbers) if b is not None else set()
    why, none = "the channel has no sample", parameters()
    sheet.singles(
        [
            (0, MetricValue("peak_c", number, None, None, "°C", "not evaluated", why, none))
            for number, channel in enumerate(recording.channels)
            if channel.role == "temperature" and number not in measured
        ]
    )
    return Measured((place,), sheet, b)


def measure_stack(stack: Stack, contexts: Sequence[Context]) -> Iterator[tuple[Stack, Measured]]:
    """All metrics of stacked runs, the digits of `measure`, some at a time: these runs, and what was measured. Those
    that are asked the same things are worked out together; each run comes once, in no particular order."""
    for runs in alike(stack, contexts):
        for start in range(0, len(runs), RUNS_AT_ONCE):
            places = tuple(runs[start : start + RUNS_AT_ONCE])
            part, asked = stack.part(places), [contexts[run] for run in places]
            b = basis_of_stack(part, asked)
            yield part, Measured(places, _sheet(b, asked), b)


def measure_many(recordings: Sequence[Recording], contexts: Sequence[Context]) -> Iterator[Measured]:
    """All metrics of many runs, the digits of `measure`; each place comes once, in no particular order."""
    stacks, alone = stacks_of(recordings)
    for places, stack in stacks:
        for _, found in measure_stack(stack, [contexts[place] for place in places]):
            yield replace(found, places=tuple(places[run] for run in found.places))
    for place in alone:
        yield measure_one(recordings[place], contexts[place], place)


def _sheet(b: Basis | None, contexts: Sequence[Context]) -> Sheet:
    sheet = Sheet(b.traces.numbers if b else [], len(contexts))
    if b is not None:
        add_heating(sheet, b)
        add_group(sheet, b)
        add_effort(sheet, b)
        add_sensors(sheet, b)
    unknown = b.plan.unknown if b is not None else plan_for(contexts[0]).unknown
    sheet.singles(
        [
            (run, MetricValue(metric, None, None, None, "", "not evaluated", reason, text))
            for metric, text, reason in unknown
            for run in range(len(contexts))
        ]
    )
    return sheet
