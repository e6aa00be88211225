"""Runs evaluated together get the findings, verdicts, words and numbers they get by themselves.

An identity, no outside source: screens and columns stand for the checks and the judging of single runs, which the other
tests hold against outside values. Invented runs: every planted fault, clean logs, an oven on many days.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from planted_faults import FAULTS, another_day, clean, context_of, plant
from simulated_oven import any_oven, bake, recording_of
from test_metrics_batches import runs_of_one_sampling

from analysis.evaluate import evaluate
from analysis.metrics.stack import stacks_of
from analysis.results import Context, Limit
from analysis.store.comparable import DEPTH, values_of
from analysis.together import Concluded, Work, conclude_many
from analysis.usual import Left, left_of, usual_of
from ingest.recording import Channel, Recording, quantise_values


def limit(metric: str, text: str, low: float | None, high: float | None, unit: str) -> Limit:
    return Limit(metric, text, low, high, unit, "paste", "a test", "1", 1)


LIMITS = (
    limit("peak_c", "{}", 230, 250, "°C"),
    limit("time_above_liquidus_s", '{"liquidus_c":217}', 40, 90, "s"),
    limit("time_above_liquidus_intervals", '{"liquidus_c":217}', None, 1, "1"),
    limit("time_near_peak_s", '{"below_k":5,"reference":260}', None, 30, "s"),
    limit("ramp_up_max_c_per_s", '{"window_s":20}', None, 3, "°C/s"),
    limit("ramp_up_mean_c_per_s", '{"from_c":150,"to_c":"peak"}', 0.3, None, "°C/s"),
    limit("spread_at_peak_c", "{}", None, 8, "K"),
    limit("soak_time_s", '{"high_c":200,"low_c":150}', 60, 120, "s"),
)
Runs = Sequence[tuple[Recording, Context]]


def before(keys: Sequence[Hashable]) -> np.ndarray:
    """Of every run the last comparable ones before it."""
    groups: dict[Hashable, deque[int]] = {}
    found = np.full((len(keys), DEPTH), -1)
    for place, key in enumerate(keys):
        runs = groups.setdefault(key, deque(maxlen=DEPTH))
        found[place, : len(runs)] = runs
        runs.append(place)
    return found


def together(runs: Runs, earlier: np.ndarray, left: Sequence[Left] = ()) -> Concluded:
    recordings = [recording for recording, _ in runs]
    stacks, alone = stacks_of(recordings)
    contexts = [context for _, context in runs]
    return conclude_many(Work(contexts, stacks, [(place, recordings[place]) for place in alone], earlier, left))


def same_as_alone(runs: Runs, keys: Sequence[Hashable]) -> Concluded:
    """Holds every run against its evaluation by itself, one after the other."""
    earlier = before(keys)
    found = together(runs, earlier)
    left: list[dict] = []
    for place, (recording, context) in enumerate(runs):
        history = usual_of([left[run] for run in earlier[place].tolist() if run >= 0])
        alone = evaluate(recording, context, history)
        left.append(values_of(recording, alone))
        assert replace(found.evaluation(place), metrics=alone.metrics) == alone
        assert found.left[place].by_name() == left[place]
    return found


def test_mixed_runs_of_one_sampling() -> None:
    runs = runs_of_one_sampling()
    found = same_as_alone(runs, [number % 3 for number in range(len(runs))])
    assert len(found.evaluations) < len(runs) / 2  # the columns carry most of them


@pytest.mark.parametrize("size", [1.0, 0.5])
def test_every_planted_fault(size: float) -> None:
    cases = [plant(code, np.random.default_rng([seed, 11]), size) for code in FAULTS for seed in range(2)]
    same_as_alone([(case.recording, replace(case.context, limits=LIMITS)) for case in cases], range(len(cases)))


def test_clean_logs() -> None:
    cases = [clean(np.random.default_rng([seed, 12]), with_history=False) for seed in range(60)]
    runs = [(case.recording, replace(case.context, limits=LIMITS[seed % 3 :])) for seed, case in enumerate(cases)]
    found = same_as_alone(runs, range(len(cases)))
    assert len(found.evaluations) < len(runs) / 2


def days(seed: int, count: int, *, tips: int, faulty: float, **logged: Any) -> list[tuple[Recording, Context]]:
    """One oven on many days, its room sometimes known, a part of the days with a stuck or wrongly scaled channel."""
    rng = np.random.default_rng([seed, 13])
    oven = replace(any_oven(rng, tips=tips), length_s=420.0, interval_s=1.0, idle_s=0.0)
    found = []
    for number in range(count):
        day = another_day(oven, rng)
        recording = recording_of(bake(day), rng, **logged)
        context = replace(context_of(day, rng, room=rng.random() < 0.7), limits=LIMITS if number % 5 else ())
        if number % 7 == 0:
            context = replace(context, control_channel=None, placements={oven.tips[0].name: ("air", "air")})
        if number % 11 == 0:
            context = replace(context, liquidus_c=None, control_channel="average")
        if rng.random() < faulty:
            recording = _spoilt(recording, int(rng.integers(tips)), stuck=rng.random() < 0.5)
        found.append((recording, context))
    return found


def _spoilt(recording: Recording, which: int, *, stuck: bool) -> Recording:
    channels = list(recording.channels)
    number = [i for i, channel in enumerate(channels) if channel.role == "temperature"][which]
    values = channels[number].values.copy()
    if stuck:
        values[100:300] = values[100]
    else:
        values = values * 0.8 + 5.0
    channels[number] = replace(channels[number], values=quantise_values(values))
    return replace(recording, channels=tuple(channels))


@pytest.mark.parametrize(
    ("tips", "logged"),
    [
        (1, {"with_setpoint": False, "with_duty": False}),
        (2, {"with_setpoint": True, "with_duty": False}),
        (3, {"with_setpoint": True, "with_duty": True}),
        (4, {"with_setpoint": False, "with_duty": False}),
        (5, {"with_setpoint": False, "with_duty": True, "with_average": True}),
    ],
)
def test_an_oven_on_many_days_with_earlier_runs(tips: int, logged: dict[str, bool]) -> None:
    """What a channel that was not believable leaves is taken back, so that later runs are compared without it."""
    runs = days(tips, 45, tips=tips, faulty=0.1, **logged)
    found = same_as_alone(runs, [0] * len(runs))
    assert len(found.evaluations) < len(runs)


def test_channels_that_changed_their_names_and_state_channels() -> None:
    runs = days(7, 30, tips=3, faulty=0.1, with_setpoint=True)
    changed = []
    for number, (recording, context) in enumerate(runs):
        channels = list(recording.channels)
        first = next(i for i, channel in enumerate(channels) if channel.role == "temperature")
        if number >= 12:
            channels[first] = replace(channels[first], name="new tip")
        if number % 4 == 0:
            codes = np.where(np.arange(len(recording.elapsed_s)) > 300, 1.0, 0.0) * (number % 8 == 0)
            channels.append(Channel("state", "state", "", codes, labels=("run", "aborted")))
        changed.append((replace(recording, channels=tuple(channels)), context))
    same_as_alone(changed, [number % 2 for number in range(len(changed))])


def test_in_one_piece_or_in_several() -> None:
    """The digits do not depend on the runs that are evaluated in one go."""
    runs = days(9, 40, tips=4, faulty=0.1, with_setpoint=True)
    whole = together(runs, before([0] * len(runs)))
    left: list[Left] = []
    for begin in range(0, len(runs), 7):
        part = runs[begin : begin + 7]
        known = len(left)
        earlier = np.full((len(part), DEPTH), -1)
        for at in range(begin, begin + len(part)):
            runs_before = [run - begin if run >= begin else len(part) + run for run in range(max(at - DEPTH, 0), at)]
            earlier[at - begin, : len(runs_before)] = runs_before
        found = together(part, earlier, left[:known])
        left += [left_of(one.by_name()) for one in found.left]
        for at in range(len(part)):
            assert found.evaluation(at) == whole.evaluation(begin + at)
