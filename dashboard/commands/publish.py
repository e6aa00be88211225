"""`ovenbook publish`: the archive as a Parquet data set."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.opening import the_archive
from dashboard.commands.output import Json, print_json, progress_bar, say


def publish(
    ctx: typer.Context,
    destination: Annotated[
        str, typer.Argument(metavar="DESTINATION", help="A folder, or a URL such as s3://bucket/ovens (extra `fleet`).")
    ],
    site: Annotated[
        str | None,
        typer.Option("--site", metavar="NAME", help="Goes before this archive's oven names; remembered there."),
    ] = None,
    remove_missing: Annotated[
        bool, typer.Option("--remove-missing", help="Take out runs that this archive published and no longer has.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Write the archive as a Parquet data set, by oven and month.

    Runs, samples, metrics, defects and original logs. Only what is new or changed is written; a second call changes
    nothing. Many archives may publish to one place.
    Notes, operators and original logs go out too: publish where those may be read.

    \b
    Example:
      ovenbook publish /mnt/shared/ovens --site "North works"
    """
    from dataclasses import asdict

    from ingest.publishing import publish as write

    archive = the_archive(ctx)
    with progress_bar(1) as step:
        done = write(
            archive,
            destination,
            site=site,
            remove_missing=remove_missing,
            progress=lambda so_far, of: step("Publishing", so_far, of),
        )
    if as_json:
        print_json(asdict(done))
        return
    changed = f"{done.written} files written ({done.bytes_written / 1e6:.1f} MB), {done.removed} removed"
    say(
        f"{done.runs} runs in {done.partitions} partitions at {done.place}: "
        f"{changed if done.written or done.removed else 'nothing had changed'}."
    )


def add_to(app: typer.Typer) -> None:
    app.command("publish")(publish)
