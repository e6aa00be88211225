"""Which archive a command works on, and opening it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import typer

from dashboard.commands.output import Refusal, wrong_usage

if TYPE_CHECKING:
    from ingest.archive import Archive


def archive_path(ctx: typer.Context) -> str | None:
    """The archive named by --archive, else by OVENBOOK_ARCHIVE, else None for the default place."""
    return (ctx.find_root().obj or {}).get("archive") or os.environ.get("OVENBOOK_ARCHIVE") or None


def the_archive(ctx: typer.Context) -> Archive:
    """Open the archive, made with the default windows of the alloy families when it is new."""
    from analysis.store import seed_defaults
    from ingest.archive import open_archive

    archive = open_archive(archive_path(ctx))
    seed_defaults(archive)
    return archive


def run_number(archive: Archive, text: str) -> int:
    """A run's number from what was typed: the number itself, or "latest" for the run with the latest start."""
    if text == "latest":
        frame = archive.read(
            "SELECT run FROM run_overview ORDER BY coalesce(started_at, received_at) DESC, run DESC LIMIT 1"
        )
        if frame.empty:
            raise Refusal("The archive holds no run yet. Store one: ovenbook import LOG.csv")
        return int(frame["run"].iloc[0])
    digits = text.removeprefix("#")
    if not digits.isdigit():
        raise Refusal(f"'{text}' is not a run number. Numbers are listed by: ovenbook runs", 2)
    number = int(digits)
    if archive.read("SELECT 1 FROM run WHERE run_id = ?", (number,)).empty:
        raise Refusal(f"No run {number} in this archive. Runs are listed by: ovenbook runs")
    return number


def run_numbers(archive: Archive, text: str) -> list[int]:
    """Several runs as typed: "12", "latest", "2-6", "2-6,9"."""
    numbers: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if dash and first.isdigit() and last.isdigit():
            frame = archive.read(
                "SELECT run_id FROM run WHERE run_id BETWEEN ? AND ? ORDER BY run_id", (int(first), int(last))
            )
            if frame.empty:
                raise Refusal(f"No run from {first} to {last} in this archive. Runs are listed by: ovenbook runs")
            numbers += [int(run) for run in frame["run_id"]]
        else:
            numbers.append(run_number(archive, part.strip()))
    return list(dict.fromkeys(numbers))


def assignments(pairs: list[str], example: str) -> dict[str, str]:
    """`name=value` arguments as a dictionary; the value may hold further equals signs."""
    out: dict[str, str] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or not name.strip():
            raise Refusal(f"'{pair}' is not of the form name=value. Example: {example}", 2)
        out[name.strip()] = value.strip()
    return out


def who() -> str | None:
    """The login name of the person at the keyboard, kept with what is typed; None when the system does not tell."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return None


def known_fields(changes: dict[str, str], what: str, fields: tuple[str, ...]) -> None:
    """Refuses a change of a field that there is not, naming those there are."""
    for field in changes:
        if field not in fields:
            raise wrong_usage(f"{what} has no field '{field}'. Fields: {', '.join(fields)}.")
