"""`ovenbook drift`: what changed on an oven, since when, how much, why, and the one check to do first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import run_number, the_archive, who
from dashboard.commands.output import Json, Refusal, heading, print_json, say, table, wrong_usage
from dashboard.commands.reference import one_named
from dashboard.words import drift as words

if TYPE_CHECKING:
    from analysis.drift.records import Call
    from analysis.store.drift import OvenReport
    from ingest.archive import Archive

Oven = Annotated[str | None, typer.Option("--oven", metavar="NAME", help="Only this oven.")]

group = typer.Typer(invoke_without_command=True, no_args_is_help=False)


@group.callback()
def drift(
    ctx: typer.Context,
    oven: Oven = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Also calls that are answered, gone back or ended by an event.")
    ] = False,
    budget: Annotated[
        float | None,
        typer.Option("--budget", metavar="N", help="False calls allowed per 100 runs of an oven. Usual: 1."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Say what changed on each oven, since when, how much, and what to check first.

    With --json: the list of all calls, whatever became of them; `state` and `answer` tell.

    \b
    Examples:
      ovenbook drift
      ovenbook drift --oven "Oven A" --all
      ovenbook drift --json
    """
    if ctx.invoked_subcommand is not None:
        return
    if budget is not None and not budget > 0:
        raise wrong_usage("--budget must be above 0: no limit lets no call through.")
    archive = the_archive(ctx)
    reports = _reports(archive, oven, budget)
    if as_json:
        print_json([call for report in reports for call in report.calls_json()])
        return
    if not reports:
        say("No oven has a run yet. Store logs with their oven: ovenbook import FOLDER --oven NAME")
        return
    for report in reports:
        _say_oven(report, everything, archive.zone)


@group.command("answer")
def answer(
    ctx: typer.Context,
    call: Annotated[str, typer.Argument(metavar="CALL", help="The call's number, as `ovenbook drift` prints it.")],
    what: Annotated[str, typer.Argument(metavar="ANSWER", help="explained, fixed, watch or false.")],
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="What was found.")] = None,
) -> None:
    """Answer a call: explained, fixed, watch or false.

    The answers are the tool's own record: of so many calls, so many real.

    \b
    Example:
      ovenbook drift answer 3f2a fixed --note "element replaced"
    """
    from ingest.archive import drift_notes

    if what not in drift_notes.ANSWERS:
        raise wrong_usage(f"'{what}' is no answer. Choose one of: {', '.join(drift_notes.ANSWERS)}.")
    archive = the_archive(ctx)
    found = [
        (report, one)
        for report in _reports(archive, None, None)
        for one in report.drift.calls
        if one.id.startswith(call)
    ]
    if len(found) != 1:
        many = "No call" if not found else f"{len(found)} calls"
        raise Refusal(f"{many} with a number that begins with {call}. Calls are listed by: ovenbook drift --all")
    report, one = found[0]
    oven_id, _ = one_named(archive, "oven", report.oven)
    with archive.transaction() as con:
        drift_notes.answer_call(con, oven_id, one.to_json(), what, note=note, who=who())
    say(f"Noted: {words.headline(one)} on {report.oven} is {what}.")
    if what == "fixed":
        say(
            "Note what was done, so that later runs get a baseline of their own: "
            f'ovenbook event add "{report.oven}" KIND --on DATE'
        )


@group.command("leave-out")
def leave_out(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help='A run number, or "latest".')],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Shown with every result.")],
) -> None:
    """Leave a run out of comparison.

    \b
    Example:
      ovenbook drift leave-out 12 --why "door opened"
    """
    _choose(ctx, run, "left out", why)


@group.command("take-in")
def take_in(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help='A run number, or "latest".')],
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Shown with every result.")],
) -> None:
    """Take a run into comparison that a rule leaves out.

    \b
    Example:
      ovenbook drift take-in 12 --why "the oven was cold, the sensor lay on a hot board"
    """
    _choose(ctx, run, "taken in", why)


@group.command("by-rule")
def by_rule(
    ctx: typer.Context, run: Annotated[str, typer.Argument(metavar="RUN", help='A run number, or "latest".')]
) -> None:
    """Let the rules decide about a run again.

    \b
    Example:
      ovenbook drift by-rule 12
    """
    from ingest.archive import drift_notes

    archive = the_archive(ctx)
    number = run_number(archive, run)
    with archive.transaction() as con:
        drift_notes.withdraw_choice(con, number, who())
    say(f"Run {number}: the rules decide again.")


@group.command("set")
def settings(
    ctx: typer.Context,
    oven: Annotated[str, typer.Argument(metavar="OVEN", help="The oven's name.")],
    reference_every: Annotated[
        float | None, typer.Option("--reference-every", metavar="DAYS", help="Days between reference runs. Usual: 30.")
    ] = None,
    budget: Annotated[
        float | None, typer.Option("--budget", metavar="N", help="False calls allowed per 100 runs. Usual: 1.")
    ] = None,
) -> None:
    """Set when an oven's reference run is due, and its budget of false calls.

    What is not given is as usual.

    \b
    Example:
      ovenbook drift set "Oven A" --reference-every 7
    """
    from ingest.archive import drift_notes

    archive = the_archive(ctx)
    oven_id, name = one_named(archive, "oven", oven)
    with archive.transaction() as con:
        drift_notes.set_drift(
            con, oven_id, reference_every_days=reference_every, false_calls_per_100_runs=budget, who=who()
        )
    days = "as usual" if reference_every is None else f"every {reference_every:g} days"
    calls = "as usual" if budget is None else f"{budget:g} per 100 runs"
    say(f"{name}: reference run {days}, false calls {calls}.")


def _choose(ctx: typer.Context, run: str, choice: str, why: str) -> None:
    from ingest.archive import drift_notes

    archive = the_archive(ctx)
    number = run_number(archive, run)
    with archive.transaction() as con:
        drift_notes.choose_run(con, number, choice, why, who())
    say(f"Run {number} is {choice}. Undo: ovenbook drift by-rule {number}")


def _reports(archive: Archive, oven: str | None, budget: float | None) -> list[OvenReport]:
    from analysis.store.drift import oven_names, oven_report

    names = oven_names(archive) if oven is None else [one_named(archive, "oven", oven)[1]]
    return [oven_report(archive, name, budget) for name in names]


def _say_oven(report: OvenReport, everything: bool, zone: str) -> None:
    heading(report.oven)
    for line in words.standing(report):
        say(line, indent=2)
    shown = list(report.drift.calls) if everything else report.open_calls()
    if report.drift.reason:
        say(f"Nothing can be said: {report.drift.reason}.", indent=2)
    elif not shown:
        say("No open call.", indent=2)
    for call in shown:
        _say_call(call, report, zone)
    rows: list[tuple[Any, ...]] = [(words.event_day(e), e.kind, e.answer, e.text) for e in report.events]
    if rows:
        say()
        table(("event", "kind", "did it help", "what moved"), rows, indent=2, whole=("event", "kind"))
    for line in words.forecasts(report.outlooks):
        say(line, indent=2)
    say(report.record.text, indent=2)


def _say_call(call: Call, report: OvenReport, zone: str) -> None:
    say()
    say(f"{words.headline(call)} [{call.tier}]", bold=True, indent=2)
    for line in words.details(call, report.answers.get(call.id), zone):
        say(line, indent=4)
    say(f"Answer it: ovenbook drift answer {call.id[:6]} explained|fixed|watch|false", indent=4)


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="drift")
