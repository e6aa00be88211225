"""`ovenbook fleet evaluate|drift`: a published data set worked through on several processes or machines."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from dashboard.commands.output import Json, print_json, progress_bar, say, table

fleet_app = typer.Typer(
    help="""Evaluate a published data set, or watch its ovens for drift, on many processes.

Without --scheduler on this machine; with it on a Dask cluster whose workers have Ovenbook
installed and reach the data set under the same path.

\b
Examples:
  ovenbook fleet evaluate --data /mnt/shared/ovens
  ovenbook fleet drift --data /mnt/shared/ovens --scheduler tcp://scheduler:8786
""",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Data = Annotated[str, typer.Option("--data", metavar="DATASET", help="Folder or URL that `publish` wrote to.")]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="A Dask scheduler, tcp://host:8786 (extra `fleet`)."),
]
Workers = Annotated[
    int | None, typer.Option("--workers", metavar="N", min=1, help="Processes here. Default: one for each core.")
]


@fleet_app.command("evaluate")
def evaluate(
    data: Data,
    scheduler: Scheduler = None,
    workers: Workers = None,
    keep_windows: Annotated[
        bool, typer.Option("--keep-windows", help="By the windows each run was judged by, not those of today.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Evaluate every run of the data set by the rules of today.

    Results lie as Parquet below fleet/ of the data set; what was published stays as it is.

    \b
    Example:
      ovenbook fleet evaluate --data /mnt/shared/ovens
    """
    from dataclasses import asdict

    from analysis.fleet.evaluating import evaluate_dataset

    with progress_bar(1) as step:
        done = evaluate_dataset(
            data,
            scheduler=scheduler,
            workers=workers or os.cpu_count() or 1,
            keep_windows=keep_windows,
            progress=lambda so_far, of: step("Evaluating months of ovens", so_far, of),
        )
    if as_json:
        print_json(asdict(done))
        return
    verdicts = ", ".join(f"{number} {verdict}" for verdict, number in sorted(done.verdicts.items()))
    say(f"{done.runs} runs of {done.ovens} ovens evaluated: {verdicts}.")
    say(f"Results: {data.rstrip('/')}/fleet/, listed in evaluation.json.")


@fleet_app.command("drift")
def drift(
    data: Data,
    scheduler: Scheduler = None,
    workers: Workers = None,
    evaluated: Annotated[
        bool, typer.Option("--evaluated", help="From the metrics of `fleet evaluate`, not the published ones.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Say what changed on each oven of the data set, and since when.

    \b
    Example:
      ovenbook fleet drift --data /mnt/shared/ovens
    """
    from analysis.fleet.drifting import drift_of_dataset

    with progress_bar(1) as step:
        found = drift_of_dataset(
            data,
            scheduler=scheduler,
            workers=workers or os.cpu_count() or 1,
            evaluated=evaluated,
            progress=lambda so_far, of: step("Watching ovens", so_far, of),
        )
    if as_json:
        print_json([{"oven": o.oven, "runs": o.runs, "reason": o.reason, "calls": list(o.calls)} for o in found])
        return
    for oven in found:
        if oven.reason is not None:
            say(f"{oven.oven} ({oven.runs} runs): {oven.reason}.")
        elif not oven.calls:
            say(f"{oven.oven} ({oven.runs} runs): no change called.")
        else:
            say(f"{oven.oven} ({oven.runs} runs):")
            rows = [
                (call["series"], call["channel"], call["kind"], (call["since"] or "")[:10], call["since_run"],
                 f"{call['size']:+.3g} {call['unit']}", call["state"])
                for call in oven.calls
            ]  # fmt: skip
            table(("series", "channel", "kind", "since", "run", "size", "state"), rows, right=("run", "size"), indent=2)


def add_to(app: typer.Typer) -> None:
    app.add_typer(fleet_app, name="fleet")
