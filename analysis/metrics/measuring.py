"""Recordings in their contexts -> every metric, each with unit, uncertainty, parameters, status and reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analysis.metrics.basis import Basis, basis_of, kind_of
from analysis.metrics.effort import add_effort
from analysis.metrics.group import add_group
from analysis.metrics.heating import add_heating
from analysis.metrics.plan import parameters, plan_for
from analysis.metrics.sensors import add_sensors
from analysis.metrics.sheet import Sheet
from analysis.results import Context, MetricValue
from ingest.recording import Recording

RUNS_AT_ONCE = 32  # of 4 channels x 600 samples: an array of them is 600 kB, so what is in work stays in the cache


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
    return _measured((0,), [recording], [context]).sheet.of_run(0)


def measure_many(recordings: Sequence[Recording], contexts: Sequence[Context]) -> Iterator[Measured]:
    """All metrics of many runs, the digits of `measure`. Runs that were sampled at the same moments and are asked the
    same things are worked out together; each place comes once, in no particular order."""
    together: dict[object, list[int]] = {}
    for place, (recording, context) in enumerate(zip(recordings, contexts, strict=True)):
        kind = kind_of(recording, context)
        together.setdefault(("alone", place) if kind is None else kind, []).append(place)
    for places in together.values():
        for start in range(0, len(places), RUNS_AT_ONCE):
            part = tuple(places[start : start + RUNS_AT_ONCE])
            yield _measured(part, [recordings[i] for i in part], [contexts[i] for i in part])


def _measured(places: tuple[int, ...], recordings: Sequence[Recording], contexts: Sequence[Context]) -> Measured:
    b = basis_of(recordings, contexts)
    sheet = Sheet(b.traces.numbers if b else [], len(recordings))
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
            for run in range(len(recordings))
        ]
    )
    measured = set(b.traces.numbers) if b is not None else set()
    why, none = "the channel has no sample", parameters()
    sheet.singles(  # only a run measured alone can have such a channel
        [
            (0, MetricValue("peak_c", number, None, None, "°C", "not evaluated", why, none))
            for number, channel in enumerate(recordings[0].channels)
            if channel.role == "temperature" and number not in measured and len(recordings) == 1
        ]
    )
    return Measured(places, sheet, b)
