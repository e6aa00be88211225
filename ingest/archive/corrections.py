"""Corrections of what was typed: the old value, who, when and why are kept."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any

from ingest.archive.changes import mark_stale_where, record_change
from ingest.archive.clock import stored
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.archive.events import EVENT_KINDS, PRECISIONS
from ingest.archive.runs import set_run_field

# What a person may correct. Everything else comes from original bytes, is derived, or is followed by a new revision.
_FIELDS: dict[str, frozenset[str]] = {
    "oven": frozenset({"name", "controller", "note", "budget", "placements", "control_channel"}),
    "paste": frozenset(
        {
            "name",
            "alloy",
            "family",
            "solidus_c",
            "liquidus_c",
            "powder_type",
            "flux",
            "open_life_days",
            "note",
        }
    ),
    "jar": frozenset({"label", "lot", "expiry", "opened_at", "finished_at", "storage", "note"}),
    "board": frozenset(
        {
            "name",
            "revision",
            "width_mm",
            "height_mm",
            "thickness_mm",
            "layers",
            "mass_g",
            "joints",
            "components",
            "package_thickness_mm",
            "package_volume_mm3",
            "note",
        }
    ),
    "profile": frozenset({"name"}),
    "event": frozenset({"kind", "happened_at", "at_precision", "note", "expected", "restarts_baseline"}),
    "layout": frozenset({"name", "decisions", "forgotten_at"}),
    "inspection": frozenset(
        {"method", "scope", "boards_looked", "joints_looked", "serial", "who", "inspected_at", "note"}
    ),
    "defect": frozenset({"term", "count", "ref_des", "side", "severity", "rework", "note"}),
}
_REQUIRED = frozenset(
    {"name", "label", "alloy", "family", "solidus_c", "liquidus_c", "kind", "happened_at", "term", "count"}
)
_JUDGED_BY = {
    "oven": frozenset({"budget", "placements", "control_channel"}),
    "paste": frozenset({"alloy", "family", "solidus_c", "liquidus_c"}),
    "board": frozenset({"package_thickness_mm", "package_volume_mm3"}),
}
_WORDS = {("event", "kind"): EVENT_KINDS, ("event", "at_precision"): PRECISIONS}
_JSON = frozenset({"budget", "placements", "decisions"})


def correct(
    con: Connection, table: str, row_id: int, field: str, value: Any, who: str | None = None, why: str | None = None
) -> bool:
    """Replaces one typed value and records old, new, who, when, why; returns whether it was another value.

    `table`: run, oven, paste, jar, board, profile, event, layout, inspection, defect. A run's field becomes typed. Where
    verdicts hang on the value, the evaluations concerned become stale. Raises ArchiveError: no such row, a field that
    is not for correcting (windows get a new revision instead), a value that does not fit, a name in use.
    """
    if table == "run":
        return set_run_field(con, row_id, field, value, "typed", who, why)
    if table in ("limit_window", "window_limit", "window"):
        raise ArchiveError("a window is not corrected: add it again with its new revision")
    allowed = _FIELDS.get(table)
    if allowed is None:
        raise ArchiveError(f'"{table}" cannot be corrected: there are run, {", ".join(_FIELDS)}')
    if field not in allowed:
        raise ArchiveError(f'{table} has no field "{field}" to correct: there are {", ".join(sorted(allowed))}')
    new = _as_stored(table, field, value)
    row = con.execute(f"SELECT {field} FROM {table} WHERE {table}_id = ?", [row_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no {table} {row_id}")
    if row[0] == new:
        return False
    _refuse_taken(con, table, row_id, field, new)
    con.execute(f"UPDATE {table} SET {field} = ? WHERE {table}_id = ?", [new, row_id])
    record_change(con, table, row_id, field, row[0], new, who, why)
    if field in _JUDGED_BY.get(table, ()):
        mark_stale_where(con, f"{table}_id", row_id, f"{table} {field} corrected")
    return True


def _as_stored(table: str, field: str, given: Any) -> Any:
    value: Any = given
    if value == "" and field != "revision":
        value = None
    if value is None and field in _REQUIRED:
        raise ArchiveError(f"{table} {field} cannot be empty")
    words = _WORDS.get((table, field))
    if words and value not in words:
        raise ArchiveError(f'"{value}" does not fit {table} {field}: there are {", ".join(words)}')
    if field in _JSON:
        return _json_object(table, field, value)
    if isinstance(value, datetime):
        return stored(value)
    if field.endswith("_at") and value is not None and not isinstance(value, date):
        raise ArchiveError(f"{table} {field} must be a time, not {value!r}")
    if value is not None and field.endswith(("_c", "_mm", "_mm3", "_g", "_days")):
        return _number(table, field, value)
    if value is not None and field in ("layers", "joints", "components", "count", "boards_looked", "joints_looked"):
        return _count(table, field, value)
    return value


def _number(table: str, field: str, value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        raise ArchiveError(f"{table} {field} must be a number, not {value!r}") from None


def _count(table: str, field: str, value: Any) -> int:
    try:
        number = int(value)
    except (TypeError, ValueError):
        raise ArchiveError(f"{table} {field} must be a whole number, not {value!r}") from None
    if number < 0:
        raise ArchiveError(f"{table} {field} cannot be negative")
    return number


def _json_object(table: str, field: str, value: Any) -> str:
    """A mapping, or the JSON text of one, as stored."""
    try:
        given = json.loads(value) if isinstance(value, str) else dict(value or {})
    except (TypeError, ValueError):
        given = None
    if not isinstance(given, dict):
        raise ArchiveError(f"{table} {field} must be a mapping of names to values")
    return json.dumps(given, ensure_ascii=False)


def _refuse_taken(con: Connection, table: str, row_id: int, field: str, new: Any) -> None:
    """A name must stay the only one of its table; profiles may share names."""
    if (table, field) in (("oven", "name"), ("paste", "name"), ("jar", "label"), ("layout", "name")):
        taken = con.execute(
            f"SELECT 1 FROM {table} WHERE lower({field}) = lower(?) AND {table}_id <> ?", [new, row_id]
        ).fetchone()
    elif table == "board" and field in ("name", "revision"):
        other = "revision" if field == "name" else "name"
        taken = con.execute(
            f"""SELECT 1 FROM board WHERE lower({field}) = lower(?) AND board_id <> ?
                AND lower({other}) = (SELECT lower({other}) FROM board WHERE board_id = ?)""",
            [new, row_id, row_id],
        ).fetchone()
    else:
        return
    if taken:
        raise ArchiveError(f'{table} "{new}" exists already: give another {field}')
