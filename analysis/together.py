"""Evaluating many runs at once, to the digits and words of evaluating each by itself.

Runs of the same columns are measured, screened by the checks and judged as columns. One by one go only the runs that have
something to say: a finding, a limit without a sound value, a log that was cut off. Runs come in the order they were made;
each is compared with comparable ones before it, so a run that leaves less than expected (a channel was not believable) has
those after it compared again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.aborted import says_stopped, stopped_early
from analysis.checks.cold_start import ColdStarts
from analysis.checks.history import METRICS_NEEDED, UsualOfMany, usual_of_many
from analysis.checks.many import Answers
from analysis.checks.screening import Screened, findings_said, look_with_usual, screen, screen_with_usual
from analysis.evaluate import RULES_VERSION, Standing, bodies, judged, looked_at, questioned, standing_of
from analysis.metrics.measuring import Measured, measure_one, measure_stack
from analysis.metrics.sheet import Column, Sheet
from analysis.metrics.stack import Stack
from analysis.results import VERDICTS, Context, Evaluation
from analysis.usual import Left, usual_of
from analysis.verdict import doubted_channels, no_window
from analysis.verdict_columns import Results, judge_columns
from ingest.recording import Recording

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Places = NDArray[np.intp]
_AT_ONCE = 512  # runs whose usual is worked out at once: a few megabytes


@dataclass(frozen=True)
class Work:
    """Runs to evaluate, each known by its place: the places run from 0 in the order in which the runs were made.

    `stacks`: stacked runs with their places; `alone`: the others. `contexts` of every place. `before` (places, n): the
    comparable runs before each, -1 where there are fewer: places, or what `earlier` runs left, counted on from the last
    place.
    """

    contexts: Sequence[Context]
    stacks: Sequence[tuple[Sequence[int], Stack]]
    alone: Sequence[tuple[int, Recording]]
    before: Places
    earlier: Sequence[Left] = ()


class Plain(NamedTuple):
    """Runs judged as columns: those of `results` that are `chosen`, at `places`. `names` of the channels by number."""

    places: Places
    results: Results
    chosen: Places
    names: tuple[str, ...]
    has_paste: BoolArray


@dataclass
class Concluded:
    """`measured`: all metrics. Of a run that is not in `evaluations`, what its limits gave is in `plain`, and what is
    listed of its channels in `answers`. `left`: what each run leaves for later ones."""

    measured: list[Measured]
    plain: list[Plain]
    answers: Answers
    evaluations: dict[int, Evaluation]
    left: list[Left]

    @cached_property
    def _plain_at(self) -> dict[int, tuple[Plain, int]]:
        return {place: (group, at) for group in self.plain for at, place in enumerate(group.places.tolist())}

    def evaluation(self, place: int) -> Evaluation:
        """The evaluation of a run without its metrics."""
        if place in self.evaluations:
            return self.evaluations[place]
        group, at = self._plain_at[place]
        run = int(group.chosen[at])
        results = group.results.of_run(run)
        verdict, reason = VERDICTS[group.results.worst[run]], group.results.reason(run)
        if not results:
            verdict, reason = "not evaluated", no_window(bool(group.has_paste[at]))
        at_limit = int(group.results.limiting[run])
        limiting = results[at_limit] if at_limit >= 0 else None
        findings = tuple(findings_said(self.answers, place))
        return Evaluation(RULES_VERSION, verdict, reason, limiting, True, False, (), results, findings)


@dataclass
class _Part:
    """Runs that were measured together."""

    places: Places
    names: tuple[str, ...]  # of the rows
    rows: tuple[int, ...]  # those the checks look at
    sheet: Sheet
    standing: Standing | None
    screened: Screened | None  # None: a run by itself
    interval_s: float
    stack: Stack | None  # the one they come from, and where they are in it
    runs: Sequence[int]


@dataclass
class _Kin:
    """Runs whose channels have the same names, for comparing with earlier ones: `places`, and by their order in it, what
    the screens of one run's own arrays left."""

    names: tuple[str, ...]
    rows: list[int]
    places: Places
    starts: ColdStarts
    interval_s: FloatArray
    contexts: list[Context]
    at: dict[int, int] = field(default_factory=dict[int, int])


def conclude_many(work: Work) -> Concluded:
    """Evaluates all runs of `work`."""
    return _Round(work).concluded()


class _Round:
    def __init__(self, work: Work) -> None:
        self.work = work
        count = len(work.contexts)
        self.answers = Answers.none(count, {})
        self.loud = np.zeros(count, dtype=bool)
        self.cold_unsure = np.zeros(count, dtype=bool)
        self.placed_unsure = np.zeros(count, dtype=bool)
        self.unplain = np.ones(count, dtype=bool)
        self.parts: list[_Part] = []
        self.part_of: list[tuple[_Part, int]] = [None] * count  # pyright: ignore[reportAttributeAccessIssue]
        self.judged: list[tuple[Places, Results, tuple[str, ...], BoolArray]] = []
        self.evaluations: dict[int, Evaluation] = {}
        self.recordings = dict(work.alone)

    def concluded(self) -> Concluded:
        for places, stack in self.work.stacks:
            self._measure(np.array(places, dtype=np.intp), stack)
        for place, recording in self.work.alone:
            self._measure_alone(place, recording)
        self.legacy = _Legacy(self.parts, self.work)
        self.own = self.answers.said.copy()  # before anything was compared
        kin = self._kin()
        for group in kin:
            self._compare(group, np.arange(len(group.places)))
        self._one_by_one({place: group for group in kin for place in group.places.tolist()})
        for place in np.flatnonzero(self.unplain & ~self.loud).tolist():
            part, run = self.part_of[place]
            context = self.work.contexts[place]
            metrics = part.sheet.of_run(run, looked_at(context.limits))
            findings = findings_said(self.answers, place)
            self.evaluations[place] = judged(part.standing, run, self._recording(place), context, metrics, findings)
        plain = []
        for places, results, names, has_paste in self.judged:
            chosen = np.flatnonzero(~self.unplain[places] & ~self.loud[places])
            plain.append(Plain(places[chosen], results, chosen, names, has_paste[chosen]))
        measured = [Measured(tuple(part.places.tolist()), part.sheet, None) for part in self.parts]
        return Concluded(measured, plain, self.answers, self.evaluations, self.legacy.left())

    def _measure(self, places: Places, stack: Stack) -> None:
        """Measures stacked runs, screens them, judges them."""
        temperatures = stack.of_role("temperature")
        names = tuple(stack.columns[place].name for place in temperatures)
        rows = tuple(row for row, place in enumerate(temperatures) if stack.columns[place].judged)
        contexts = [self.work.contexts[place] for place in places.tolist()]
        may_stop = any(says_stopped(label) for channel in stack.columns for label in channel.labels)
        for own, found in measure_stack(stack, contexts):
            b = found.basis
            assert b is not None  # stacked runs have samples
            here = places[list(found.places)]
            asked = [contexts[run] for run in found.places]
            screened = screen(own, asked, self.answers.reasons)
            self.answers.said[here] = screened.answers.said
            self.loud[here] = screened.loud
            self.cold_unsure[here] = screened.cold_unsure
            standing = standing_of(b)
            part = _Part(here, names, rows, found.sheet, standing, screened, b.traces.step_s, stack, found.places)
            self._keep(part)
            whole = standing.whole() & b.work.any(axis=1)
            if may_stop:
                whole &= [stopped_early(own.recording(run)) is None for run in range(len(own))]
            whole &= [not (context.placements and bodies(stack.columns, context)) for context in asked]
            self._judge(part, asked, whole, min((level for level, _ in b.plan.liquidus), default=None))

    def _judge(self, part: _Part, contexts: Sequence[Context], whole: BoolArray, liquidus_c: float | None) -> None:
        assert part.standing is not None
        has_paste = np.array([context.liquidus_c is not None for context in contexts], dtype=bool)
        columns = () if part.stack is None else part.stack.columns
        names = tuple(column.name for column in columns)
        by_limits: dict[int, list[int]] = {}
        for run, context in enumerate(contexts):
            by_limits.setdefault(id(context.limits), []).append(run)
        for runs in by_limits.values():
            at = np.array(runs, dtype=np.intp)
            limits = contexts[runs[0]].limits
            results, plain = judge_columns(part.sheet, at, limits, part.standing.judged, liquidus_c)
            plain &= whole[at] & (has_paste[at] | (len(limits) == 0))
            self.unplain[part.places[at]] = ~plain
            self.judged.append((part.places[at], results, names, has_paste[at]))

    def _measure_alone(self, place: int, recording: Recording) -> None:
        found = measure_one(recording, self.work.contexts[place])
        b = found.basis
        numbers = [] if b is None else b.traces.numbers
        names = tuple(recording.channels[number].name for number in numbers)
        standing = None if b is None else standing_of(b)
        self._keep(_Part(np.array([place]), names, (), found.sheet, standing, None, 0.0, None, (0,)))
        self.loud[place] = True

    def _keep(self, part: _Part) -> None:
        self.parts.append(part)
        for run, place in enumerate(part.places.tolist()):
            self.part_of[place] = (part, run)

    def _recording(self, place: int) -> Recording:
        part, run = self.part_of[place]
        return self.recordings[place] if part.stack is None else part.stack.recording(part.runs[run])

    def _kin(self) -> list[_Kin]:
        together: dict[tuple[tuple[str, ...], tuple[int, ...]], list[_Part]] = {}
        for part in self.parts:
            if part.screened is not None and part.screened.starts is not None:
                together.setdefault((part.names, part.rows), []).append(part)
        found = []
        for (names, rows), parts in together.items():
            starts = [part.screened.starts for part in parts if part.screened is not None and part.screened.starts]
            places = np.concatenate([part.places for part in parts])
            found.append(
                _Kin(
                    names,
                    list(rows),
                    places,
                    ColdStarts.joined(starts),
                    np.concatenate([np.full(len(part.places), part.interval_s) for part in parts]),
                    [self.work.contexts[place] for place in places.tolist()],
                    {place: at for at, place in enumerate(places.tolist())},
                )
            )
        return found

    def _compare(self, kin: _Kin, at: Places) -> None:
        """Asks the checks that compare about some of `kin`, and notes which runs they must look at."""
        names = [kin.names[row] for row in kin.rows]
        for begin in range(0, len(at), _AT_ONCE):
            some = at[begin : begin + _AT_ONCE]
            places = kin.places[some]
            usual = _of_rows(self.legacy.usual(kin.names, places), kin.rows)
            starts = kin.starts.some(some)
            peak, lag = self.legacy.now(places, len(kin.names), kin.rows)
            said = Answers(self.own[places], self.answers.reasons)
            contexts = [kin.contexts[run] for run in some.tolist()]
            cold, placed = screen_with_usual(names, contexts, kin.interval_s[some], starts, peak, lag, usual, said)
            self.answers.said[places] = said.said
            self.cold_unsure[places] |= cold
            self.placed_unsure[places] = placed

    def _one_by_one(self, kin_of: dict[int, _Kin]) -> None:
        """Looks at the runs that may have something to say, in their order."""
        waiting = self.loud | self.cold_unsure | self.placed_unsure
        place = -1
        while True:
            rest = np.flatnonzero(waiting[place + 1 :])
            if len(rest) == 0:
                return
            place += 1 + int(rest[0])
            if not self.loud[place] and self._quiet(place):
                continue
            self.loud[place] = True
            part, run = self.part_of[place]
            context = self.work.contexts[place]
            metrics = part.sheet.of_run(run, looked_at(context.limits))
            history = usual_of(left.by_name() for left in self.legacy.before(place))
            evaluation = questioned(part.standing, run, self._recording(place), context, metrics, history)
            self.evaluations[place] = evaluation
            later = self.legacy.without(place, part, run, doubted_channels(evaluation.findings))
            for group in {id(kin_of[x]): kin_of[x] for x in later if x in kin_of}.values():
                again = np.array([group.at[x] for x in later if x in group.at], dtype=np.intp)
                self._compare(group, again)
                places = group.places[again]
                waiting[places] = self.loud[places] | self.cold_unsure[places] | self.placed_unsure[places]

    def _quiet(self, place: int) -> bool:
        part, run = self.part_of[place]
        metrics = part.sheet.of_run(run, METRICS_NEEDED)
        history = usual_of(left.by_name() for left in self.legacy.before(place))
        cold, placed = bool(self.cold_unsure[place]), bool(self.placed_unsure[place])
        context = self.work.contexts[place]
        return look_with_usual(self._recording(place), context, metrics, history, self.answers, place, cold, placed)


def _of_rows(usual: UsualOfMany, rows: list[int]) -> UsualOfMany:
    if len(rows) == usual.peak_c.shape[1]:
        return usual
    changed = {}
    for name, values in vars(usual).items():
        if values.ndim == 2:
            changed[name] = values[:, rows]
        elif values.ndim == 3:
            changed[name] = values[:, rows][:, :, rows]
    return replace(usual, **changed)


class _Legacy:
    """What every run leaves for later ones, and what was left for it."""

    def __init__(self, parts: Sequence[_Part], work: Work) -> None:
        self._count = len(work.contexts)
        self._before = work.before
        self._names: list[tuple[str, ...]] = [()] * self._count
        self._values: list[FloatArray] = [np.empty((len(METRICS_NEEDED), 0))] * self._count
        for part in parts:
            values = _values_of(part.sheet, len(part.places))
            for run, place in enumerate(part.places.tolist()):
                self._names[place], self._values[place] = part.names, values[run]
        self._names += [left.names for left in work.earlier]
        self._values += [left.values for left in work.earlier]
        self._tables: dict[tuple[str, ...], FloatArray] = {}
        self._any = np.array([bool(np.isfinite(values).any()) for values in self._values] + [False])

    def _table(self, names: tuple[str, ...]) -> FloatArray:
        """What every run left of channels of these names; the last row, of no run, is missing."""
        if names not in self._tables:
            table = np.full((len(self._names) + 1, len(METRICS_NEEDED), len(names)), np.nan)
            same = [run for run, own in enumerate(self._names) if own == names]
            if same:
                table[same] = [self._values[run] for run in same]
            for run, own in enumerate(self._names):
                if own != names:
                    shared = [(names.index(name), at) for at, name in enumerate(own) if name in names]
                    for here, there in shared:
                        table[run, :, here] = self._values[run][:, there]
            self._tables[names] = table
        return self._tables[names]

    def usual(self, names: tuple[str, ...], places: Places) -> UsualOfMany:
        table = self._table(names)
        before = self._before[places]
        return usual_of_many(table[before], self._any[before].sum(axis=1))

    def now(self, places: Places, rows: int, chosen: list[int]) -> tuple[FloatArray, FloatArray]:
        """Peaks and lags of runs (runs, chosen rows)."""
        values = np.array([self._values[place] for place in places.tolist()]).reshape(-1, len(METRICS_NEEDED), rows)
        peak, lag = METRICS_NEEDED.index("peak_c"), METRICS_NEEDED.index("channel_lag_s")
        return values[:, peak][:, chosen], values[:, lag][:, chosen]

    def before(self, place: int) -> list[Left]:
        runs = self._before[place]
        return [Left(self._names[run], self._values[run]) for run in runs[runs >= 0].tolist()]

    def without(self, place: int, part: _Part, run: int, doubted: dict[int, str]) -> list[int]:
        """Takes back what doubted channels of a run leave; returns the places that must be compared again."""
        if not doubted or part.standing is None:
            return []
        own = part.standing.numbers[part.standing.rows(run)]
        gone = np.array([number in doubted for number in own], dtype=bool)
        if np.isnan(self._values[place][:, gone]).all():
            return []
        self._values[place] = np.where(gone, np.nan, self._values[place])
        for names, table in self._tables.items():
            for at in np.flatnonzero(gone).tolist():
                if part.names[at] in names:
                    table[place, :, names.index(part.names[at])] = np.nan
        self._any[place] = bool(np.isfinite(self._values[place]).any())
        return np.flatnonzero((self._before == place).any(axis=1)).tolist()

    def left(self) -> list[Left]:
        return [Left(names, values) for names, values in zip(self._names, self._values, strict=True)][
            : len(self._before)
        ]


def _values_of(sheet: Sheet, runs: int) -> FloatArray:
    """(runs, METRICS_NEEDED, rows) sound values, NaN where there is none."""
    found = np.full((runs, len(METRICS_NEEDED), sheet.per), np.nan)
    if sheet.per == 0:
        return found
    for column in reversed(sheet.columns):
        if isinstance(column, Column) and column.of_channels and column.metric in METRICS_NEEDED:
            sound = np.where(column.status == 0, column.value, np.nan)
            found[:, METRICS_NEEDED.index(column.metric)] = sound.reshape(runs, sheet.per)
    return found
