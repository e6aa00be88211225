"""`ovenbook defects trial`: planned trials, from the plan to what was shown."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.defects import factor_of, report
from dashboard.commands.opening import run_number, the_archive, who
from dashboard.commands.output import Json, print_json, say

group = typer.Typer(help="Planned trials: the only way to be shown.", no_args_is_help=True)


@group.command("plan")
def plan(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="A name for the trial.")],
    defect: Annotated[str, typer.Option("--defect", metavar="DEFECT", help="The defect it is about.")],
    change: Annotated[str, typer.Option("--change", metavar="TEXT", help="What changes between the arms.")],
    now: Annotated[str, typer.Option("--now", metavar="TEXT", help="Arm a, as it is now.")],
    then: Annotated[str, typer.Option("--then", metavar="TEXT", help="Arm b, with the change.")],
    runs: Annotated[int, typer.Option("--runs", metavar="N", min=1, help="Runs an arm, fixed now.")],
    factor: Annotated[str | None, typer.Option("--factor", metavar="FACTOR", help="The factor it moves.")] = None,
    board: Annotated[str | None, typer.Option("--board", metavar="BOARD", help="Only with this board.")] = None,
) -> None:
    """Plan a trial: one change, alternate runs, the number fixed beforehand.

    \b
    Example:
      ovenbook defects trial plan "longer soak" --defect tombstone --factor melt_lag_s \\
        --change "soak 20 s longer" --now "90 s" --then "110 s" --runs 23
    """
    from dashboard.commands.reference import one_named
    from ingest.archive.trials import plan_trial

    archive = the_archive(ctx)
    board_id = one_named(archive, "board", board)[0] if board else None
    with archive.transaction() as con:
        number = plan_trial(
            con,
            name,
            defect=defect,
            change=change,
            arm_a=now,
            arm_b=then,
            runs_per_arm=runs,
            factor=factor_of(factor).name if factor else None,
            board_id=board_id,
            who=who(),
        )
    say(f"Trial {number} planned: {runs} runs an arm, alternately, evaluated once when all are inspected.")
    say(f"First run: {now}, board turned by 0°.")
    say(f"Put each run in before anyone looks at its boards: ovenbook defects trial run {number} latest")


@group.command("run")
def trial_run(
    ctx: typer.Context,
    number: Annotated[int, typer.Argument(metavar="TRIAL", help="The trial's number.")],
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, or latest.")],
    arm: Annotated[
        str | None, typer.Option("--arm", metavar="a|b", help="When it was not the one whose turn it is.")
    ] = None,
) -> None:
    """Put a run into a trial, before anyone looks at its boards.

    \b
    Example:
      ovenbook defects trial run 1 latest
    """
    from ingest.archive.trials import add_trial_run

    archive = the_archive(ctx)
    which = run_number(archive, run)
    with archive.transaction() as con:
        chosen = add_trial_run(con, number, which, arm, who())
    say(f"Run {which} is in trial {number}, arm {chosen}.")


@group.command("close")
def close(
    ctx: typer.Context,
    number: Annotated[int, typer.Argument(metavar="TRIAL", help="The trial's number.")],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why no more runs.")] = None,
) -> None:
    """Close a trial; closed early it can give a hint at most.

    \b
    Example:
      ovenbook defects trial close 1 --why "board withdrawn"
    """
    from ingest.archive.trials import close_trial

    with the_archive(ctx).transaction() as con:
        close_trial(con, number, why, who())
    say(f"Trial {number} is closed.")


@group.command("list")
def trials(ctx: typer.Context, as_json: Json = False) -> None:
    """List trials: how far each is, and what it showed.

    \b
    Example:
      ovenbook defects trial list
    """
    found = report(the_archive(ctx))
    rows = [
        {
            "trial": s.trial.trial_id,
            "name": s.trial.name,
            "defect": s.trial.defect,
            "runs_per_arm": s.trial.runs_per_arm,
            "inspected": list(s.inspected),
            "with_defect": list(s.with_defect) if s.grade is not None else None,
            "grade": s.grade,
            "p": s.p,
            "reading": s.reading,
            "next_step": s.next_step,
        }
        for s in found.trials
    ]
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No trial is planned. How to plan one: ovenbook defects trial plan --help")
    for row in rows:
        say(f"{row['trial']}. {row['name']} ({row['defect']}): {row['reading']}")
        say(row["next_step"], indent=3)
