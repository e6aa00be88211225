"""Names given with an import, looked up once: an unknown one is an error that lists the known ones."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingest.archive import ArchiveError, Connection
from ingest.archive.fields import KINDS, ORIENTATIONS
from ingest.import_result import ImportOptions


class OptionsError(ArchiveError):
    """An import was given a name or value that the archive does not know. One line that names the way out."""


@dataclass
class Given:
    """The names of ImportOptions as the archive's numbers. `started_at` is aware UTC."""

    oven_id: int | None = None
    paste_id: int | None = None
    jar_id: int | None = None
    board_id: int | None = None
    profile: str | None = None
    started_at: datetime | None = None
    zone: str | None = None


def look_up(con: Connection, options: ImportOptions, zone: str) -> Given:
    """Turn the names of an import into numbers.

    Raises
    ------
    OptionsError
        For a name that is not known (listing the known ones), a jar of another paste than the one given, or a kind,
        orientation, count or time that cannot be.
    """
    _check_values(options)
    start, start_zone = parse_start(options.started_at, zone)
    given = Given(profile=options.profile, started_at=start, zone=start_zone)
    if options.oven is not None:
        given.oven_id = _one(
            options.oven, "oven", con.execute("SELECT oven_id, name FROM oven ORDER BY name").fetchall()
        )
    if options.paste is not None:
        given.paste_id = _one(
            options.paste, "paste", con.execute("SELECT paste_id, name FROM paste ORDER BY name").fetchall()
        )
    if options.jar is not None:
        jars = con.execute("SELECT jar_id, label FROM jar ORDER BY label").fetchall()
        given.jar_id = _one(options.jar, "jar", jars)
        row = con.execute(
            "SELECT j.paste_id, p.name FROM jar j JOIN paste p USING (paste_id) WHERE jar_id = ?", [given.jar_id]
        ).fetchone()
        if row and given.paste_id is not None and row[0] != given.paste_id:
            raise OptionsError(f"jar {options.jar} holds {row[1]}, not {options.paste}: give one of the two")
    if options.board is not None:
        given.board_id = _board(options.board, boards(con))
    return given


def boards(con: Connection) -> list[tuple[int, str, str]]:
    """Boards as (id, name, revision)."""
    return con.execute("SELECT board_id, name, revision FROM board ORDER BY name, revision").fetchall()


def _board(given: str, known: list[tuple[int, str, str]]) -> int:
    """By "name revision", or by name alone when it has one revision."""
    of_name = [board_id for board_id, name, _ in known if key_of(name) == key_of(given)]
    if len(of_name) == 1:
        return of_name[0]
    return _one(given, "board", [(board_id, f"{name} {revision}".strip()) for board_id, name, revision in known])


def key_of(name: str) -> str:
    """What makes two spellings of a name the same: letters and digits, without case."""
    return re.sub(r"[\W_]+", "", name.casefold())


def parse_start(given: datetime | str | None, zone: str) -> tuple[datetime | None, str | None]:
    """A start as given: (aware UTC, the zone it was read in). Text is ISO 8601; without an offset, in the archive's zone."""
    if given is None:
        return None, None
    if isinstance(given, str):
        try:
            given = datetime.fromisoformat(given.strip())
        except ValueError:
            raise OptionsError(
                f"the start {given!r} is not a time: write it as 2025-03-14T09:30, with an offset if it is of another zone"
            ) from None
    if given.tzinfo is None:
        return given.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC), zone
    name = given.tzinfo.key if isinstance(given.tzinfo, ZoneInfo) else given.isoformat()[-6:]
    return given.astimezone(UTC), "UTC" if name == "+00:00" else name


def _check_values(options: ImportOptions) -> None:
    if options.kind is not None and options.kind not in KINDS:
        raise OptionsError(f"kind {options.kind!r} is not one of {', '.join(KINDS)}")
    if options.orientation is not None and options.orientation not in ORIENTATIONS:
        raise OptionsError(f"orientation {options.orientation!r} is not one of {', '.join(ORIENTATIONS)} (degrees)")
    if options.load_count is not None and options.load_count < 0:
        raise OptionsError("the number of boards on the rack cannot be negative")


def _one(name: str, what: str, rows: list[Any]) -> int:
    """The row of that name: as written, else the only one of the same letters and digits."""
    for row_id, known in rows:
        if known == name:
            return int(row_id)
    alike = [int(row_id) for row_id, known in rows if key_of(str(known)) == key_of(name)]
    if len(alike) == 1:
        return alike[0]
    known_names = ", ".join(str(known) for _, known in rows)
    way_out = f"known: {known_names}" if rows else f"none is known yet: ovenbook {what} add"
    raise OptionsError(f"no {what} named {name!r}; {way_out}")
