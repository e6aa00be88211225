"""`ovenbook defects`: which defects, where, with what, how sure that is, and what to do next; questions and trials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import the_archive, who
from dashboard.commands.output import Json, Refusal, heading, print_json, say, table, wrong_usage

if TYPE_CHECKING:
    from analysis.defects.report import DefectReport

group = typer.Typer(help="Which defects, where, with what, and how sure that is.", invoke_without_command=True)
BY = ("board", "oven", "jar", "profile", "month", "paste")

Defect = Annotated[str, typer.Argument(metavar="DEFECT", help="The defect, as tombstone.")]


def report(archive: Any) -> DefectReport:
    from analysis.defects.report import build
    from analysis.store.defects import defect_records, open_questions, trial_frames

    return build(defect_records(archive), open_questions(archive), *trial_frames(archive))


@group.callback()
def defects(
    ctx: typer.Context,
    defect: Annotated[str | None, typer.Option("--defect", metavar="DEFECT", help="Only this one.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Also what is consistent with chance.")] = False,
    as_json: Json = False,
) -> None:
    """Which defects, where, with what, and how sure that is.

    Runs nobody looked at are in no number: not inspected is not the same as clean.

    \b
    Examples:
      ovenbook defects
      ovenbook defects --defect tombstone --all
      ovenbook defects --json
    """
    if ctx.invoked_subcommand is not None:
        return
    from ingest.defect_terms import canonical

    found = report(the_archive(ctx))

    def wanted(term: str) -> bool:
        return defect is None or canonical(term) == canonical(defect)

    if as_json:
        print_json([item for item in found.to_json() if wanted(item["defect"])])
        return
    if defect is not None and not any(wanted(line.defect) for line in found.lines):
        known = ", ".join(line.defect for line in found.lines) or "none yet"
        raise Refusal(f"No inspection found '{defect}'. Found so far: {known}.")
    _tell(found, wanted, everything)


def _tell(found: DefectReport, wanted: Any, everything: bool) -> None:
    from analysis.defects.report import sides_of

    records = found.records
    say(f"{len(records.runs)} runs inspected, {records.not_inspected} product runs not inspected.")
    for line in found.lines:
        if not wanted(line.defect):
            continue
        say()
        say(_line_text(line), bold=True)
        for kind, name, count, of in line.places:
            say(f"{count} of {of} with a {kind} noted: {name}.", indent=2)
        for pair in sides_of(records, line.defect):
            say(pair.reading, indent=2)
        _tell_links(found, line.defect, everything)
    for question in found.questions:
        say()
        say(f"Asked beforehand ({question.asked_at:%Y-%m-%d}), question {question.question_id}: {question.reading}")
    for state in found.trials:
        say()
        say(f"Trial {state.trial.name}: {state.reading} {state.factor_moved} {state.next_step}")
    for title, lines in (
        ("What can be said", found.advice.can),
        ("What cannot", found.advice.cannot),
        ("What to record next", found.advice.record_next),
    ):
        if lines:
            heading(title)
            for text in lines:
                say(text, indent=2)


def _tell_links(found: DefectReport, defect: str, everything: bool) -> None:
    """The strongest link with everything about it, the others in a line each."""
    from analysis.defects.linking import CHANCE
    from analysis.defects.report import sentence

    mine = [k for k in found.links if k.defect == defect]
    shown = [k for k in mine if everything or k.grade != CHANCE]
    if mine and not shown:
        say("No factor goes with it beyond chance.", indent=2)
    for place, link in enumerate(shown):
        say(f"{link.grade.upper()}. {sentence(link)}", indent=2)
        if place == 0 or everything:
            for text in _about(link):
                say(text, indent=4)
        elif link.reservations:
            say(f"But: {'; '.join(link.reservations)}.", indent=4)
    for knot in found.entangled:
        if knot.defect == defect:
            say(f"Moving together: {' '.join((*knot.told_apart, *knot.cannot))} {knot.how_to_tell}", indent=2)


def _line_text(line: Any) -> str:
    runs, joints = line.runs, line.joints
    text = f"{line.defect}: {line.defects} on {runs.count} of {runs.n} runs ({runs.low:.0%} to {runs.high:.0%} of runs)"
    if joints.dpmo is not None:
        text += f", {joints.dpmo:.0f} per million joints looked at ({joints.low:.0f} to {joints.high:.0f})"
    return f"{text}."


def _about(link: Any) -> list[str]:
    out = []
    if link.effect is not None:
        out.append(
            f"Difference {link.effect.value:+.0%} of runs ({link.effect.low:+.0%} to {link.effect.high:+.0%}); inside board "
            f"and lot p = {link.p:.2g}, corrected for everything looked at q = {link.q:.2g}."
        )
    if link.mechanism is not None:
        out.append(
            f"{'Agrees with' if link.agrees else 'Is against'} the published direction: {link.mechanism.source}."
        )
    if link.largest_stratum:
        out.append(link.largest_stratum)
    if link.reservations:
        out.append(f"But: {'; '.join(link.reservations)}.")
    out.append(link.next_step)
    return out


@group.command("yield")
def yields(
    ctx: typer.Context,
    by: Annotated[str | None, typer.Option("--by", metavar="WHAT", help=f"One of: {', '.join(BY)}.")] = None,
    defect: Annotated[str | None, typer.Option("--defect", metavar="DEFECT", help="Only this defect counts.")] = None,
    as_json: Json = False,
) -> None:
    """First-pass yield and defects per million joints, with intervals.

    \b
    Examples:
      ovenbook defects yield
      ovenbook defects yield --by board
    """
    from analysis.defects import overview
    from analysis.store.defects import defect_records

    if by is not None and by not in BY:
        raise wrong_usage(f"'{by}' is nothing to group by. Choose one of: {', '.join(BY)}.")
    records = defect_records(the_archive(ctx))
    if records.runs.empty:
        if as_json:
            print_json([])
            return
        say("No run is inspected yet. Not inspected is not the same as clean: ovenbook inspect 12 --looked 480")
        return
    term = term_of(records, defect) if defect else None
    frame = overview.yields(records, by, term)
    from dashboard.commands.output import records as rows_of

    rows = rows_of(frame)
    if as_json:
        print_json(rows)
        return
    table(
        (by or "all", "clean", "of", "yield", "95 %", "defects", "joints", "per million", "95 % "),
        [
            (
                r["group"],
                r["clean"],
                r["inspected"],
                f"{r['rate']:.0%}",
                f"{r['low']:.0%} to {r['high']:.0%}",
                r["defects"],
                r["joints"] or "not said",
                "" if r["dpmo"] is None else f"{r['dpmo']:.0f}",
                "" if r["dpmo"] is None else f"{r['dpmo_low']:.0f} to {r['dpmo_high']:.0f}",
            )
            for r in rows
        ],
        right=("clean", "of", "yield", "defects", "joints", "per million"),
    )
    say(f"Runs without a defect before any touch-up. {records.not_inspected} product runs were not inspected.")


@group.command("limit")
def limit(
    ctx: typer.Context,
    defect: Defect,
    factor: Annotated[str, typer.Argument(metavar="FACTOR", help="As melt_lag_s; names are in defects --json.")],
    as_json: Json = False,
) -> None:
    """A limit that would have prevented a defect, and what it costs.

    Only for a link worth a trial, and only from 40 runs, 8 of them with the defect.

    \b
    Example:
      ovenbook defects limit tombstone melt_lag_s
    """
    from dataclasses import asdict

    from analysis.defects.report import detail

    found = report(the_archive(ctx))
    term, known = term_of(found.records, defect), factor_of(factor)
    link = next((k for k in found.links if k.defect == term and k.factor.name == known.name), None)
    if link is None:
        raise Refusal(f"{term} and {known.label} cannot be compared in these runs. What is needed: ovenbook defects")
    suggested = detail(found.records, link).limit
    if suggested is None:
        why = (
            "it is no number" if not known.numeric else f"the link is {link.grade}, and a limit needs one worth a trial"
        )
        raise Refusal(f"No limit for {known.label}: {why}.")
    if as_json:
        print_json({"defect": term, "factor": known.name, **asdict(suggested)})
        return
    say(suggested.sentence(known.label, known.unit))
    if suggested.limit is not None:
        say("A limit found on the same runs that suggested it is a proposal: try it in a planned trial first.")


@group.command("ask")
def ask(
    ctx: typer.Context,
    defect: Defect,
    factor: Annotated[str, typer.Argument(metavar="FACTOR", help="As melt_lag_s; names are in defects --json.")],
    text: Annotated[str | None, typer.Option("--text", metavar="TEXT", help="The question in your words.")] = None,
) -> None:
    """Ask a question beforehand; only runs inspected from now on answer it.

    Three to five such questions need no correction for having looked at everything.

    \b
    Example:
      ovenbook defects ask tombstone melt_lag_s
    """
    from ingest.archive.trials import ask_question

    known = factor_of(factor)
    archive = the_archive(ctx)
    with archive.transaction() as con:
        number = ask_question(con, defect, known.name, text, who())
    say(f"Question {number}: does {defect} go with {known.label}? Runs inspected from now on answer it.")


@group.command("withdraw")
def withdraw(
    ctx: typer.Context, number: Annotated[int, typer.Argument(metavar="QUESTION", help="The question's number.")]
) -> None:
    """Withdraw a question asked beforehand; the record keeps it.

    \b
    Example:
      ovenbook defects withdraw 2
    """
    from ingest.archive.trials import withdraw_question

    with the_archive(ctx).transaction() as con:
        withdraw_question(con, number, who())
    say(f"Question {number} is withdrawn.")


@group.command("size")
def size(
    rate_a: Annotated[float, typer.Argument(metavar="PERCENT", help="Percent of runs with the defect now.")],
    rate_b: Annotated[float, typer.Argument(metavar="PERCENT", help="Percent hoped for, or feared.")],
    runs: Annotated[
        list[int] | None, typer.Option("--runs", metavar="N", min=1, help="Runs of each arm, given twice: its power.")
    ] = None,
    as_json: Json = False,
) -> None:
    """How many runs a comparison needs, or what it could see.

    Exact power of Fisher's test at 5 %.

    \b
    Examples:
      ovenbook defects size 10 50
      ovenbook defects size 10 50 --runs 40 --runs 20
    """
    from dataclasses import asdict

    from analysis.defects.power import exact_power, runs_needed

    if not (0 <= rate_a <= 100 and 0 <= rate_b <= 100) or rate_a == rate_b:
        raise wrong_usage("give two different percentages from 0 to 100. Example: ovenbook defects size 10 50")
    a, b = rate_a / 100, rate_b / 100
    if runs:
        if len(runs) != 2:
            raise wrong_usage("--runs is given twice, once an arm. Example: --runs 40 --runs 20")
        power = exact_power(a, b, runs[0], runs[1])
        if as_json:
            print_json({"rate_a": a, "rate_b": b, "runs_a": runs[0], "runs_b": runs[1], "power": power, "alpha": 0.05})
            return
        say(f"{runs[0]} and {runs[1]} runs tell {rate_a:g} % from {rate_b:g} % with a chance of {power:.0%}.")
        return
    needed = runs_needed(a, b)
    if as_json:
        print_json(asdict(needed))
        return
    say(needed.sentence())


def term_of(records: Any, defect: str) -> str:
    """The defect as it is written in this archive."""
    from ingest.defect_terms import canonical

    found = next((t for t in records.terms if canonical(t) == canonical(defect)), None)
    if found is None:
        known = ", ".join(records.terms) or "none yet"
        raise Refusal(f"No inspection found '{defect}'. Found so far: {known}.")
    return found


def factor_of(name: str) -> Any:
    from analysis.defects.records import FACTORS, factor_named

    found = factor_named(name)
    if found is None:
        raise Refusal(f"'{name}' is no factor. Factors: {', '.join(f.name for f in FACTORS)}.")
    return found


def add_to(app: typer.Typer) -> None:
    from dashboard.commands import trials

    if not any(one.name == "trial" for one in group.registered_groups):
        group.add_typer(trials.group, name="trial")
    app.add_typer(group, name="defects")
