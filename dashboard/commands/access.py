"""`ovenbook access`: who may use the service. Tokens for controllers, passwords for people."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from dashboard.commands.opening import the_archive, who
from dashboard.commands.output import Json, Refusal, local_text, print_json, records, say, table

access = typer.Typer(
    name="access",
    help="Who may use the service: tokens for controllers, passwords for people.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
tokens = typer.Typer(
    name="token",
    help="Tokens: a controller that shows one may add logs, and nothing else.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
access.add_typer(tokens)


@tokens.command("add")
def add(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The controller that gets it.")],
    oven: Annotated[
        str | None, typer.Option(metavar="NAME", help="Its oven: logs that come with this token are of it, always.")
    ] = None,
) -> None:
    """Make a token for a controller.

    It is shown once; the archive keeps only its hash.

    \b
    Example:
      ovenbook access token add "bench controller" --oven "Oven A"
    """
    from dashboard.commands.reference import one_named
    from ingest.archive.access import add_token

    archive = the_archive(ctx)
    oven_id = one_named(archive, "oven", oven)[0] if oven else None
    with archive.transaction() as con:
        number, token = add_token(con, name, oven_id=oven_id, who=who())
    print(token, flush=True)
    say(f"Token {number}. It is not shown again. The controller sends it as: Authorization: Bearer TOKEN")
    say("From now on a log that comes by HTTP needs a token.")


@tokens.command("list")
def list_(ctx: typer.Context, as_json: Json = False) -> None:
    """List tokens, also those revoked.

    \b
    Example:
      ovenbook access token list
    """
    from ingest.archive.access import list_tokens

    archive = the_archive(ctx)
    with archive.connect() as con:
        rows = records(list_tokens(con))
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No token yet. Make one: ovenbook access token add NAME")
        return
    table(
        ("token", "controller", "oven", "made", "revoked"),
        [
            (
                row["token"],
                row["name"],
                row["oven"] or "any",
                local_text(row["created_at"], archive.zone),
                local_text(row["revoked_at"], archive.zone) if row["revoked_at"] else "",
            )
            for row in rows
        ],
        right=("token",),
        whole=("token", "made", "revoked"),
    )


@tokens.command("revoke")
def revoke(
    ctx: typer.Context,
    number: Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="The token's number, from the list.")],
) -> None:
    """End a token. A running service knows within seconds.

    \b
    Example:
      ovenbook access token revoke 3
    """
    from ingest.archive.access import revoke_token

    with the_archive(ctx).transaction() as con:
        name = revoke_token(con, number, who())
    say(f"Token {number} of {name} is revoked.")


@access.command("password")
def password(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The person.")],
    remove: Annotated[bool, typer.Option("--remove", help="End this person's access instead.")] = False,
) -> None:
    """Let a person sign in, or change their password.

    It is asked for, or read from standard input when piped.
    Once anybody has a password, the pages and the API ask for a sign-in, on this machine too.

    \b
    Example:
      ovenbook access password Kim
    """
    from ingest.archive.access import remove_person, set_password

    archive = the_archive(ctx)
    if remove:
        with archive.transaction() as con:
            remove_person(con, name, who())
        say(f"{name} can no longer sign in.")
        return
    given = _typed() if sys.stdin.isatty() else sys.stdin.readline().rstrip("\r\n")
    with archive.transaction() as con:
        set_password(con, name, given, who())
    say(f"{name} can sign in. Pages and API now ask for a sign-in.")


def _typed() -> str:
    import getpass

    given = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != given:
        raise Refusal("the two passwords differ; nothing was changed")
    return given


@access.command("list")
def people(ctx: typer.Context, as_json: Json = False) -> None:
    """List who can sign in.

    \b
    Example:
      ovenbook access list
    """
    from ingest.archive.access import list_people

    archive = the_archive(ctx)
    with archive.connect() as con:
        rows = records(list_people(con))
    if as_json:
        print_json(rows)
    elif rows:
        table(
            ("name", "password set"),
            [(row["name"], local_text(row["changed_at"], archive.zone)) for row in rows],
            whole=("password set",),
        )
    else:
        say("Nobody has a password: who can reach the service can use it. Set one: ovenbook access password NAME")


def add_to(app: typer.Typer) -> None:
    app.add_typer(access)
