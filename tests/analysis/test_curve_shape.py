"""Curve shape against the group: planted differences named with their stretch, usual runs left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from planted_faults import another_day, with_values
from simulated_oven import Oven, any_oven, bake, recording_of

from analysis.curve_shape import MINIMUM_RUNS, compare_shape
from ingest.recording import Recording


@pytest.fixture(scope="module")
def oven() -> Oven:
    return replace(any_oven(np.random.default_rng(5), tips=3), interval_s=1.0, idle_s=5.0, step_k=0.25, noise_k=0.2)


def some_runs(oven: Oven, seeds: range) -> dict[int, Recording]:
    found = {}
    for seed in seeds:
        rng = np.random.default_rng([seed, 3])
        found[seed] = recording_of(bake(another_day(oven, rng)), rng)
    return found


@pytest.fixture(scope="module")
def group(oven: Oven) -> dict[int, Recording]:
    return some_runs(oven, range(24))


def test_usual_runs_are_like_their_group(oven: Oven, group: dict[int, Recording]) -> None:
    answers = [compare_shape(run, group) for run in some_runs(oven, range(100, 112)).values()]
    assert {a.status for a in answers} == {"like"}
    assert answers[0].n >= 20
    assert 0.9 <= answers[0].explained <= 1.0


def test_a_door_left_ajar_for_a_minute_is_found_where_it_was(oven: Oven, group: dict[int, Recording]) -> None:
    run = some_runs(oven, range(200, 201))[200]
    t = run.elapsed_s
    dip = -18.0 * np.exp(-(((t - 150.0) / 20.0) ** 2))
    for number in range(3):
        run = with_values(run, number, run.channels[number].values + dip)
    answer = compare_shape(run, group)
    assert answer.status == "unlike"
    for stretch in answer.stretches:
        assert 110 <= stretch.from_s <= stretch.to_s <= 190
        assert stretch.difference_k < -4
    assert len({s.channel for s in answer.stretches}) == 3


def test_one_channel_off_is_named(oven: Oven, group: dict[int, Recording]) -> None:
    run = some_runs(oven, range(201, 202))[201]
    values = run.channels[1].values
    run = with_values(run, 1, values + 0.12 * (values - values[0]))
    answer = compare_shape(run, group)
    assert answer.status == "unlike"
    assert {s.channel for s in answer.stretches} == {run.channels[1].name}
    assert run.channels[1].name in answer.reason


def test_a_difference_below_the_threshold_is_not_called_unlike(oven: Oven, group: dict[int, Recording]) -> None:
    run = some_runs(oven, range(202, 203))[202]
    run = with_values(run, 1, run.channels[1].values + 1.5)
    assert compare_shape(run, group).status == "like"


def test_too_few_runs_and_no_heat_are_refused(group: dict[int, Recording]) -> None:
    few = {run: group[run] for run in list(group)[: MINIMUM_RUNS - 1]}
    answer = compare_shape(group[20], few)
    assert answer.status == "not evaluated"
    assert f"{MINIMUM_RUNS} needed" in answer.reason
    cold = group[0]
    for number in range(3):
        cold = with_values(cold, number, np.full(len(cold.elapsed_s), 25.0))
    assert "does not pass 60 °C" in compare_shape(cold, group).reason
    nothing = compare_shape(group[20], {})
    assert nothing.status == "not evaluated"


def test_runs_without_the_channels_are_left_out_and_named(oven: Oven, group: dict[int, Recording]) -> None:
    other = {**group, 999: replace(group[3], channels=group[3].channels[:2])}
    answer = compare_shape(some_runs(oven, range(203, 204))[203], other)
    assert 999 in answer.left_out
    assert answer.status == "like"
