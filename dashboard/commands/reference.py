"""`ovenbook oven`, and finding anything by its name. Boards, pastes and jars have their own files."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, Refusal, print_json, records, say, table, wrong_usage

if TYPE_CHECKING:
    from ingest.archive import Archive

_NAME_COLUMN = {"oven": "name", "paste": "name", "board": "name", "profile": "name", "jar": "label"}


def one_named(archive: Archive, kind: str, name: str) -> tuple[int, str]:
    """Number and full name of the oven, paste, jar, board or profile called `name`; case does not matter.

    Raises Refusal, listing the known ones, when there is none; ArchiveError when a board's revision is missing.
    """
    from ingest.archive import reference

    with archive.connect() as con:
        found = getattr(reference, f"find_{kind}")(con, name)
        if found is None and kind == "paste":
            # "SAC305" is what people say; the paste of an alloy family that ships with the archive is meant.
            found = reference.find_paste(con, f"{name} (family default)")
        if found is not None:
            kept = getattr(reference, f"get_{kind}")(con, found)
            label = str(kept[_NAME_COLUMN[kind]])
            return found, reference.board_label(label, kept["revision"]) if kind == "board" else label
        names = getattr(reference, f"list_{kind}s")(con)
    labels = sorted({_label(kind, row) for row in names.to_dict("records")})
    add = {"jar": "jar open LABEL --paste NAME", "profile": ""}.get(kind, f"{kind} add NAME")
    if labels:
        raise Refusal(f"no {kind} is called '{name}'. Known: {', '.join(labels)}.")
    raise Refusal(f"no {kind} is called '{name}'; none is recorded yet." + (f" Add it: ovenbook {add}" if add else ""))


def _label(kind: str, row: dict[str, Any]) -> str:
    return " ".join(filter(None, (str(row[_NAME_COLUMN[kind]]), row.get("revision", "") if kind == "board" else "")))


# Ovens ---------------------------------------------------------------------------------------------------------------

ovens = typer.Typer(help="Ovens: one entry for each oven with its controller.", no_args_is_help=True)
OVEN_FIELDS = ("controller", "note", "control_channel")


@ovens.command("add")
def add_oven(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="What you call the oven.")],
    controller: Annotated[str | None, typer.Option(metavar="TEXT", help="The controller that writes its logs.")] = None,
    control_channel: Annotated[
        str | None,
        typer.Option("--control-channel", metavar="CHANNEL", help="The channel that steers the heat, or average."),
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything worth knowing.")] = None,
) -> None:
    """Record an oven.

    \b
    Example:
      ovenbook oven add "Oven A" --controller "bench controller, two channels" --control-channel T1
    """
    from ingest.archive import reference

    archive = the_archive(ctx)
    with archive.transaction() as con:
        reference.add_oven(con, name, controller=controller, control_channel=control_channel, note=note)
    say(f"Oven '{name}' is recorded. Use it: ovenbook import LOG.csv --oven '{name}'")


@ovens.command("list")
def list_ovens(ctx: typer.Context, as_json: Json = False) -> None:
    """List ovens with the number of their runs.

    \b
    Example:
      ovenbook oven list --json
    """
    archive = the_archive(ctx)
    rows = records(
        archive.read(
            "SELECT o.oven_id AS oven, o.name, o.controller, o.control_channel, o.note, o.placements,"
            " o.budget AS uncertainty_budget,"
            " count(r.run_id) AS runs, max(r.started_at) AS last_run FROM oven o LEFT JOIN run r USING (oven_id)"
            " GROUP BY ALL ORDER BY o.name"
        )
    )
    for row in rows:
        for field in ("placements", "uncertainty_budget"):
            row[field] = json.loads(row[field]) if isinstance(row[field], str) else row[field]
    if as_json:
        print_json(rows)
        return
    if not rows:
        say('No oven is recorded. Add one: ovenbook oven add "Oven A"')
        return
    table(
        ("name", "runs", "controller", "control channel", "note"),
        [(r["name"], r["runs"], r["controller"], r["control_channel"] or "unknown", r["note"]) for r in rows],
        right=("runs",),
    )
    for row in rows:
        for channel, placed in row["placements"].items():
            place, attachment = placed.get("place"), placed.get("attachment")
            say(f"{row['name']}, {channel}: {', '.join(filter(None, (place, attachment)))}", indent=2)


@ovens.command("set")
def set_oven(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="OVEN", help="The oven's name.")],
    fields: Annotated[
        list[str],
        typer.Argument(
            metavar="FIELD=VALUE...",
            help="name, controller, control_channel, note; place:CHANNEL and attachment:CHANNEL say where a thermocouple "
            "sits; budget.TERM is a term of its uncertainty budget (oven budget lists them; empty: the default).",
        ),
    ],
    why: Annotated[str | None, typer.Option(metavar="TEXT", help="Why it is corrected.")] = None,
) -> None:
    """Correct what is recorded of an oven.

    The old value is kept with who, when and why.

    \b
    Examples:
      ovenbook oven set "Oven A" control_channel=T1
      ovenbook oven set "Oven A" "place:T2=board, left corner" attachment:T2=tape --why "moved for the new board"
      ovenbook oven set "Oven A" budget.input_k=1.0 --why "input calibrated"
    """
    from dashboard.judging import bring_up_to_date
    from ingest.archive import reference

    changes = assignments(fields, "ovenbook oven set 'Oven A' control_channel=T1")
    archive = the_archive(ctx)
    oven_id, oven_name = one_named(archive, "oven", name)
    placements: dict[str, Any] = {}
    plain: dict[str, str | None] = {}
    budget: dict[str, float | None] = {}
    for field, value in changes.items():
        part, colon, channel = field.partition(":")
        if colon and part in ("place", "attachment") and channel:
            placements.setdefault(channel, {})[part] = value or None
        elif field.startswith("budget."):
            budget[field.removeprefix("budget.")] = _term(field, value)
        elif field in ("name", *OVEN_FIELDS):
            plain[field] = value or None
        else:
            raise wrong_usage(
                f"an oven has no field '{field}'. "
                f"Fields: name, {', '.join(OVEN_FIELDS)}, place:CHANNEL, attachment:CHANNEL, budget.TERM."
            )
    with archive.transaction() as con:
        for field, value in plain.items():
            reference.correct(con, "oven", oven_id, field, value, who(), why)
        if placements:
            merged = dict(reference.get_oven(con, oven_id)["placements"])
            for channel, placed in placements.items():
                merged[channel] = {**merged.get(channel, {}), **placed}
            reference.correct(con, "oven", oven_id, "placements", merged, who(), why)
        if budget:
            kept = {**reference.get_oven(con, oven_id)["budget"], **budget}
            kept = {term: value for term, value in kept.items() if value is not None}
            reference.correct(con, "oven", oven_id, "budget", kept, who(), why)
    say(f"Oven '{oven_name}': {', '.join(changes)} set.")
    if placements:
        say("A new place holds for runs stored from now on; earlier runs keep theirs.")
    told = bring_up_to_date(archive).sentence()
    if told:
        say(told)


def _term(field: str, value: str) -> float | None:
    """A term of the uncertainty budget as typed; empty is the default (None)."""
    from analysis.uncertainty import TERMS, problems_of

    name = field.removeprefix("budget.")
    if name not in TERMS:
        raise wrong_usage(f"{problems_of({name: 0.0})[0]}.")
    if not value:
        return None
    try:
        number = float(value)
    except ValueError:
        raise wrong_usage(f"'{value}' for {field} is not a number.") from None
    problems = problems_of({name: number})
    if problems:
        raise wrong_usage(f"{problems[0]}.")
    return number


@ovens.command("budget")
def budget(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="OVEN", help="The oven's name.")],
    as_json: Json = False,
) -> None:
    """Show an oven's uncertainty budget: each term, its size and its source.

    Standard uncertainties are of one channel's peak of 245 °C; noise, resolution and sampling interval are those of the
    oven's latest run.

    \b
    Example:
      ovenbook oven budget "Oven A"
    """
    from dataclasses import asdict

    from dashboard import budgets

    archive = the_archive(ctx)
    oven_id, oven_name = one_named(archive, "oven", name)
    found = budgets.budget_of(archive, oven_id)
    if as_json:
        print_json(
            {
                "oven": oven_name,
                "peak_c": found.peak_c,
                "run": found.run,
                "terms": [asdict(row) for row in found.rows],
                "shares": found.shares,
                "expanded_uncertainty_k": found.expanded_k,
                "coverage_factor": 2,
            }
        )
        return
    say(f"Uncertainty budget of {oven_name}, one channel's peak of {found.peak_c:g} °C", bold=True)
    table(
        ("term", "what it is", "half-width", "u, K", "common", "set here"),
        [
            (
                row.name,
                row.text,
                "" if row.half_width is None else f"{row.half_width:.3g} K",
                f"{row.u:.2f}",
                row.common,
                "yes" if row.overridden else "default",
            )
            for row in found.rows
        ],
        right=("half-width", "u, K"),
        whole=("term",),
    )
    say(f"Expanded uncertainty U = {found.expanded_k:.1f} K (k = 2). {found.measured_text}")
    for share, value in found.shares.items():
        say(f"{share} = {value:g}: {budgets.share_text(share)}", indent=2)
    for row in found.rows:
        say(f"{row.name}: {row.source}.", indent=2)
    say(f"To change a term: ovenbook oven set '{oven_name}' budget.input_k=1.0")


def add_to(app: typer.Typer) -> None:
    app.add_typer(ovens, name="oven")
