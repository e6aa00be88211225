"""The metadata of a run: which fields there are, where a value comes from, which value may replace which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_args

from ingest.archive.clock import aware, stored
from ingest.archive.errors import ArchiveError

Origin = Literal["typed", "imported", "carried over", "derived"]
ORIGINS: tuple[Origin, ...] = get_args(Origin)

# A value replaces one of the same or a lower rank: what a person said stands above what a log or sheet said, and that
# above what was concluded.
_RANK: dict[str, int] = {"typed": 3, "imported": 2, "carried over": 1, "derived": 1}

KINDS = ("product", "reference", "development", "bakeout")
ORIENTATIONS = ("0", "90", "180", "270")

# Field name -> column of `run`. Fields that point to another table are given as that table's row number.
COLUMNS: dict[str, str] = {
    "started_at": "started_at",
    "zone": "zone",
    "setpoint_hash": "setpoint_hash",
    "oven": "oven_id",
    "profile": "profile_id",
    "paste": "paste_id",
    "jar": "jar_id",
    "board": "board_id",
    "kind": "kind",
    "orientation": "orientation",
    "load_count": "load_count",
    "operator": "operator",
    "firmware": "firmware",
    "ambient_c": "ambient_c",
    "serials": "serials",
    "end_reason": "end_reason",
    "note": "note",
}
FIELDS: tuple[str, ...] = tuple(COLUMNS)

# Fields on which an evaluation hangs; a change makes it stale.
JUDGED_BY = frozenset({"oven", "paste", "jar", "board", "ambient_c", "profile"})


@dataclass(frozen=True)
class RunField:
    """One metadata value of a run. `value` as stored in `run` (row number, aware UTC time, number, text)."""

    value: Any
    origin: Origin = "typed"
    who: str | None = None


def field_name(name: str) -> str:
    """The field `name` or `name_id` means. ArchiveError for one that does not exist."""
    plain = name.removesuffix("_id")
    if plain not in COLUMNS:
        raise ArchiveError(f'a run has no field "{name}": there are {", ".join(FIELDS)}')
    return plain


def checked(field: str, value: Any) -> Any:
    """`value` as the column of `field` stores it. ArchiveError when it does not fit; "" counts as unknown (None)."""
    if value is None or value == "":
        return None
    if field == "started_at":
        if not isinstance(value, datetime):
            raise ArchiveError(f"started_at must be a time, not {value!r}")
        return stored(value)
    if field in ("oven", "profile", "paste", "jar", "board", "load_count"):
        try:
            return int(value)
        except (TypeError, ValueError):
            raise ArchiveError(f"{field} must be a whole number, not {value!r}") from None
    if field == "ambient_c":
        try:
            return float(value)
        except (TypeError, ValueError):
            raise ArchiveError(f"ambient_c must be a temperature in °C, not {value!r}") from None
    text = str(value)
    if field == "kind" and text not in KINDS:
        raise ArchiveError(f'"{text}" is no kind of run: there are {", ".join(KINDS)}')
    if field == "orientation" and text not in ORIENTATIONS:
        raise ArchiveError(f'"{text}" is no orientation: there are {", ".join(ORIENTATIONS)} degrees')
    return text


def as_given(field: str, value: Any) -> Any:
    """A stored value as callers see it: times aware."""
    return aware(value) if field == "started_at" else value


def may_replace(new: str, old: str | None) -> bool:
    """True when a value of origin `new` may take the place of one of origin `old` (None: unknown)."""
    if new not in _RANK:
        raise ArchiveError(f'"{new}" is no origin: there are {", ".join(ORIGINS)}')
    return old is None or _RANK[new] >= _RANK[old]


def named(metadata: Mapping[str, RunField]) -> dict[str, RunField]:
    """`metadata` under field names, with values as stored; unknown values (None, "") left out."""
    out: dict[str, RunField] = {}
    for key, item in metadata.items():
        field = field_name(key)
        may_replace(item.origin, None)  # the origin must be a known one
        value = checked(field, item.value)
        if value is not None:
            out[field] = RunField(value, item.origin, item.who)
    return out
