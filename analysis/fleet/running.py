"""Chains of steps on a Dask cluster, or on the processes of this machine. A lost worker's steps are done again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from ingest.archive import ArchiveError
from ingest.dataset import INSTALL

# step(argument, what the step before handed on, or None) -> (result, what to hand on). Module-level and picklable.
Step = Callable[[Any, Any], tuple[Any, Any]]

POOLS_LOST = 3  # of processes that were killed, before it is taken for more than bad luck
CONNECT_S = 20.0


def run_chains(
    step: Step, chains: Sequence[Sequence[Any]], *, scheduler: str | None = None, workers: int = 1
) -> Iterator[Any]:
    """The result of every step, in no order. Within a chain steps run in order, each with what the one before handed on.

    `scheduler`: address of a Dask scheduler, as tcp://host:8786, whose workers have Ovenbook installed and reach the data set
    under the same path; None: `workers` processes here, 1 for this one alone. A worker that dies loses nothing: what
    it had in hand is done again elsewhere.

    Raises ArchiveError: Dask is not installed, the scheduler cannot be reached, workers keep dying.
    """
    if scheduler is not None:
        yield from _on_dask(step, chains, scheduler)
    elif workers <= 1:
        for chain in chains:
            yield from run_chain(step, chain)
    else:
        yield from _in_processes(step, chains, workers)


def run_chain(step: Step, chain: Sequence[Any]) -> list[Any]:
    results: list[Any] = []
    handed_on = None
    for argument in chain:
        result, handed_on = step(argument, handed_on)
        results.append(result)
    return results


def _in_processes(step: Step, chains: Sequence[Sequence[Any]], workers: int) -> Iterator[Any]:
    from concurrent.futures import Future, as_completed
    from concurrent.futures.process import BrokenProcessPool

    from ingest.processes import started_afresh

    left = list(chains)
    for _ in range(POOLS_LOST):
        with started_afresh(workers) as pool:
            running: dict[Future[list[Any]], Sequence[Any]] = {}
            try:
                running = {pool.submit(run_chain, step, chain): chain for chain in left}
                for future in as_completed(running):
                    results = future.result()
                    left.remove(running[future])
                    yield from results
                return
            except BrokenProcessPool:
                continue  # chains that had come back are done; the rest goes to new processes
            finally:
                for future in running:
                    future.cancel()
    raise ArchiveError(
        f"{POOLS_LOST} times a process was killed under the work: is there enough memory? Try fewer workers"
    )


def _on_dask(step: Step, chains: Sequence[Sequence[Any]], scheduler: str) -> Iterator[Any]:
    try:
        from distributed import Client, as_completed
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise ArchiveError(f"--scheduler needs Dask, which is not installed: {INSTALL}") from None
    try:
        client = Client(scheduler, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        raise ArchiveError(f"the scheduler at {scheduler} cannot be reached: {' '.join(str(error).split())}") from None
    with client:
        futures: list[Any] = []
        for chain in chains:
            before = None
            for argument in chain:
                # pure=False: the same call is the same work again, never an answer kept from an earlier command
                before = client.submit(_follow, step, argument, before, pure=False)
                futures.append(before)
        try:
            for _, (result, _) in as_completed(futures, with_results=True):
                yield result
        except KilledWorker:
            raise ArchiveError("workers keep dying under the work: have they enough memory?") from None
        except ModuleNotFoundError as error:
            raise ArchiveError(f"a worker lacks {error.name}: install the same Ovenbook on every worker") from None
        finally:
            client.cancel(futures)


def _follow(step: Step, argument: Any, before: tuple[Any, Any] | None) -> tuple[Any, Any]:
    return step(argument, before[1] if before is not None else None)
