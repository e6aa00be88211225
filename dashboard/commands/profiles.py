"""`ovenbook profile`: the profiles that logs were recognised by."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.opening import the_archive, who
from dashboard.commands.output import Json, Refusal, print_json, records, say, table
from dashboard.commands.reference import one_named

group = typer.Typer(help="Profiles, recognised by the set points in the logs.", no_args_is_help=True)


@group.command("list")
def list_profiles(ctx: typer.Context, as_json: Json = False) -> None:
    """List profiles with their set points and the number of their runs.

    \b
    Example:
      ovenbook profile list
    """
    import json

    archive = the_archive(ctx)
    rows: list[dict[str, Any]] = records(
        archive.read(
            "SELECT p.profile_id AS profile, p.name, p.setpoint_hash, p.setpoint_table, count(r.run_id) AS runs"
            " FROM profile p LEFT JOIN run r USING (profile_id) GROUP BY ALL ORDER BY p.profile_id"
        )
    )
    for row in rows:
        row["setpoint_table"] = json.loads(row["setpoint_table"]) if row["setpoint_table"] else None
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No profile is known yet. They are recognised by the set points of logs that carry them.")
        return
    table(
        ("profile", "name", "runs", "set points (s: °C)"),
        [(row["profile"], row["name"], row["runs"], _corners(row["setpoint_table"])) for row in rows],
        right=("profile", "runs"),
    )


def _corners(corners: list[list[float]] | None) -> str:
    return ", ".join(f"{t:g}: {c:g}" for t, c in corners) if corners else "not in the logs"


@group.command("name")
def name_profile(
    ctx: typer.Context,
    profile: Annotated[str, typer.Argument(metavar="PROFILE", help="Its number as listed, or its present name.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="What it is to be called.")],
) -> None:
    """Give a profile found in logs a name of your own.

    \b
    Example:
      ovenbook profile name 3 "lead-free slow"
    """
    from ingest.archive import reference

    archive = the_archive(ctx)
    if profile.isdigit():
        number = int(profile)
        if archive.read("SELECT 1 FROM profile WHERE profile_id = ?", (number,)).empty:
            raise Refusal(f"no profile {number}. Profiles are listed by: ovenbook profile list")
    else:
        number = one_named(archive, "profile", profile)[0]
    with archive.transaction() as con:
        reference.name_profile(con, number, name, who(), "named")
    say(f"Profile {number} is called '{name}'.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="profile")
