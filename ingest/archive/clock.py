"""Times at the archive's border: stored without a zone and always UTC, handed out aware."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.archive.errors import ArchiveError


def utc_now() -> datetime:
    """Now, aware, UTC."""
    return datetime.now(UTC)


def stored(moment: datetime | None) -> datetime | None:
    """A time as the archive stores it: UTC without a zone. A time without a zone is taken as stored UTC already."""
    if moment is None or moment.tzinfo is None:
        return moment
    return moment.astimezone(UTC).replace(tzinfo=None)


def aware(moment: datetime | None) -> datetime | None:
    """A stored time as an aware UTC time. None stays None."""
    return None if moment is None else moment.replace(tzinfo=UTC)


def known_zone(name: str) -> str:
    """`name` if the IANA tables know it, else ArchiveError."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ArchiveError(f'no time zone is called "{name}": give a name such as Europe/Berlin or UTC') from None
    return name


def local_zone() -> str:
    """The IANA name of this computer's zone, "UTC" when it cannot be told.

    Only the name serves: a bare offset would be wrong on the other side of a clock change.
    """
    candidates = [os.environ.get("TZ", "").lstrip(":")]
    link = Path("/etc/localtime")
    if link.is_symlink():
        candidates.append(os.path.realpath(link).partition("zoneinfo/")[2])
    for name in candidates:
        if name:
            try:
                return known_zone(name)
            except ArchiveError:
                continue
    return "UTC"
