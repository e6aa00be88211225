"""Runs measured and judged together give the digits they give alone.

An identity, no outside source: one implementation serves both, and nothing in it may depend on the other runs of a batch.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from planted_faults import FAULTS, clean, plant
from simulated_oven import any_oven, bake, recording_of

from analysis.evaluate import batches, conclude, evaluate
from analysis.metrics.measuring import measure, measure_many
from analysis.results import Context, Limit
from ingest.recording import Recording

LIMITS = (
    Limit("peak_c", "{}", 230, 250, "°C", "paste", "a test", "1", 1),
    Limit("time_above_liquidus_s", '{"liquidus_c":217}', 40, 90, "s", "paste", "a test", "1", 1),
    Limit("ramp_up_max_c_per_s", '{"window_s":20}', None, 3, "°C/s", "paste", "a test", "1", 1),
)
CONTEXTS = (
    Context(),
    Context(liquidus_c=217.0, limits=LIMITS),
    Context(liquidus_c=217.0, limits=LIMITS, ambient_c=21.5),
    Context(liquidus_c=217.0, limits=LIMITS, budget={"input_k": 1.0}, placements={"TC left": ("oven air", None)}),
)


def runs_of_one_sampling() -> list[tuple[Recording, Context]]:
    """Forty runs of four channels at the same moments: with and without set point and duty, gaps, an average, a dead input."""
    found = []
    for number in range(40):
        rng = np.random.default_rng([5, number])
        made = bake(any_oven(rng, tips=4, length_s=400.0, interval_s=1.0, idle_s=0.0))
        logged = {"with_setpoint": number % 3 > 0, "with_duty": number % 4 == 0, "with_average": number % 5 == 0}
        recording = recording_of(made, rng, **logged)
        channels = list(recording.channels)
        if number % 7 == 0:
            values = channels[1].values.copy()
            values[50:80] = np.nan
            channels[1] = replace(channels[1], values=values)
        if number % 11 == 0:
            channels[2] = replace(channels[2], values=np.zeros_like(channels[2].values))
        found.append((replace(recording, channels=tuple(channels)), CONTEXTS[number % len(CONTEXTS)]))
    return found


def test_runs_measured_together_give_the_digits_they_give_alone() -> None:
    runs = runs_of_one_sampling()
    together = list(measure_many([r for r, _ in runs], [c for _, c in runs]))
    assert max(len(batch.places) for batch in together) > 1
    assert sorted(place for batch in together for place in batch.places) == list(range(len(runs)))
    for batch in together:
        for run, place in enumerate(batch.places):
            assert batch.sheet.of_run(run) == measure(*runs[place])


def test_runs_judged_together_give_what_they_give_alone() -> None:
    cases = [plant(code, np.random.default_rng([1, 2]), 1.0) for code in FAULTS]
    cases += [clean(np.random.default_rng([1, 3, n]), with_history=n % 2 == 0) for n in range(6)]
    runs = [*runs_of_one_sampling(), *((case.recording, case.context) for case in cases)]
    histories = [None] * 40 + [case.history for case in cases]
    for batch in batches([r for r, _ in runs], [c for _, c in runs]):
        for run, place in enumerate(batch.measured.places):
            alone = evaluate(*runs[place], histories[place])
            found = conclude(batch, run, *runs[place], histories[place], whole=False)
            assert replace(found, metrics=alone.metrics) == alone
            assert set(found.metrics) <= set(alone.metrics)
