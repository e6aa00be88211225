"""Evaluating the archive part by part: the calling thread reads and writes, others evaluate meanwhile.

While one part is evaluated the next is read and the one before written, in one opening of the file. Groups of comparable
runs are independent of each other: each goes to one worker, which keeps what its runs leave for later ones.

One worker is a thread: as most of its work is numpy's and most of reading and writing is DuckDB's, the two keep two cores
busy. More are processes; these pay where many runs have findings and are looked at one by one, in Python.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from analysis.metrics.stack import Stack
from analysis.results import Context
from analysis.store.comparable import DEPTH, Key, Order, stored_left
from analysis.store.contexts import contexts_for
from analysis.store.loading import load_stacks
from analysis.together import Concluded, Work, conclude_many
from analysis.usual import Left
from ingest.recording import Recording

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future

    from ingest.archive.connection import Connection

T = TypeVar("T")
AHEAD = 2  # parts that are read before the first of them must be done: one in work, one waiting


@dataclass
class Part:
    """Runs to evaluate, in their order: `runs` their numbers, `keys` their groups, `before` as in Order. `stacks` and
    `alone` by their places. `settled`: what runs left that are not evaluated now."""

    runs: list[int]
    keys: list[Key | None]
    before: np.ndarray
    contexts: list[Context]
    stacks: list[tuple[list[int], Stack]]
    alone: list[tuple[int, Recording]]
    settled: dict[int, Left]

    def share(self, places: Sequence[int]) -> Part:
        """Some of the runs."""
        new = {place: at for at, place in enumerate(places)}
        stacks = []
        for own, stack in self.stacks:
            chosen = [at for at, place in enumerate(own) if place in new]
            if chosen:
                stacks.append(([new[own[at]] for at in chosen], replace(stack, values=stack.values[chosen])))
        return Part(
            [self.runs[place] for place in places],
            [self.keys[place] for place in places],
            self.before[list(places)],
            [self.contexts[place] for place in places],
            stacks,
            [(new[place], recording) for place, recording in self.alone if place in new],
            self.settled,
        )

    def names(self, places: Sequence[int]) -> dict[int, list[str]]:
        """The names of the channels of some runs."""
        found = {place: [c.name for c in recording.channels] for place, recording in self.alone}
        for own, stack in self.stacks:
            names = [column.name for column in stack.columns]
            found.update((place, names) for place in own)
        return {place: found[place] for place in places}


def load_part(con: Connection, order: Order, begin: int, end: int, wanted: set[int], keep_windows: bool) -> Part:
    """What evaluating the runs from place `begin` to before `end` of an order takes."""
    runs, before = order.runs[begin:end], order.before[begin:end]
    contexts = dict(contexts_for(con, runs, keep_windows=keep_windows))
    stacks, alone = load_stacks(con, runs)
    settled = settled_before(con, before, wanted)
    return Part(runs, order.keys[begin:end], before, [contexts[run] for run in runs], stacks, alone, settled)


def settled_before(con: Connection, before: np.ndarray, wanted: set[int]) -> dict[int, Left]:
    """What the runs in `before` that are not `wanted` left."""
    return stored_left(con, sorted(set(np.unique(before).tolist()) - wanted - {0}))


@dataclass
class Memory:
    """What the last runs of each group that were evaluated leave for later ones."""

    left: dict[int, Left] = field(default_factory=dict[int, Left])
    recent: dict[Key, deque[int]] = field(default_factory=dict[Key, "deque[int]"])

    def add(self, key: Key, run: int, left: Left) -> None:
        runs = self.recent.setdefault(key, deque())
        runs.append(run)
        self.left[run] = left
        if len(runs) > DEPTH:
            del self.left[runs.popleft()]


def evaluate_part(part: Part, memory: Memory) -> Concluded:
    """Evaluates the runs of a part, and remembers what they leave."""
    places = {run: place for place, run in enumerate(part.runs)}
    earlier: list[Left] = []
    numbers, inverse = np.unique(part.before, return_inverse=True)
    at = np.full(len(numbers), -1, dtype=np.intp)
    for i, run in enumerate(numbers.tolist()):
        if run in places:
            at[i] = places[run]
        elif run:
            at[i] = len(part.runs) + len(earlier)
            earlier.append(memory.left.get(run) or part.settled[run])
    before = at[inverse].reshape(part.before.shape)
    found = conclude_many(Work(part.contexts, part.stacks, part.alone, before, earlier))
    for run, key, left in zip(part.runs, part.keys, found.left, strict=True):
        if key is not None:
            memory.add(key, run, left)
    return found


Make = Callable[[Part, Concluded], T]  # what is wanted of a part: made where it was evaluated
_memory = Memory()  # of a worker that is a process


def _in_process(part: Part, make: Make[T]) -> T:
    return make(part, evaluate_part(part, _memory))


class Evaluating(Generic[T]):
    """Evaluates parts in their order, beside the calling thread, and makes of each what is wanted."""

    def __init__(self, workers: int, make: Make[T]) -> None:
        self._make = make
        self._count = max(workers, 1)
        self._share: dict[Key, int] = {}  # group -> the worker that has it
        self._workers: list[Executor] = []
        self._memory = Memory()
        self._given: deque[list[Future[T]]] = deque()

    def __enter__(self) -> Evaluating[T]:
        from concurrent.futures import ThreadPoolExecutor

        from ingest.processes import started_afresh

        if self._count == 1:
            self._workers = [ThreadPoolExecutor(1)]
        else:  # one each, so that a group stays where its memory is
            self._workers = [started_afresh(1) for _ in range(self._count)]
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._workers:
            worker.shutdown(cancel_futures=True)

    def _in_thread(self, part: Part) -> T:
        return self._make(part, evaluate_part(part, self._memory))

    def give(self, part: Part) -> None:
        """Hands over a part."""
        if self._count == 1:
            self._given.append([self._workers[0].submit(self._in_thread, part)])
            return
        shares: list[list[int]] = [[] for _ in self._workers]
        for place, key in enumerate(part.keys):
            # a group stays with the worker it was first given to, the emptiest one; runs without a group go anywhere
            emptiest = min(range(self._count), key=lambda i: len(shares[i]))
            shares[emptiest if key is None else self._share.setdefault(key, emptiest)].append(place)
        self._given.append(
            [
                worker.submit(_in_process, part.share(places), self._make)
                for worker, places in zip(self._workers, shares, strict=True)
                if places
            ]
        )

    def take(self) -> Iterator[T]:
        """What was made of the part that was given first and not yet taken, share by share."""
        for share in self._given.popleft():
            yield share.result()
