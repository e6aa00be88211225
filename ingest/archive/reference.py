"""What runs refer to: ovens, pastes, jars, boards, profiles. Windows, events and layouts have modules of their own.

Every table has `add_` (returns the row number, refuses a name that exists), `list_` (a data frame), `get_` (a dict,
ArchiveError when there is none) and `find_` (a name's row number or None; upper and lower case are the same).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from ingest.archive.clock import aware, stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.corrections import correct
from ingest.archive.errors import ArchiveError
from ingest.archive.events import EVENT_KINDS, add_event, get_event, list_events
from ingest.archive.layouts import add_layout, find_layout, forget_layout, known_layouts, list_layouts
from ingest.archive.windows import add_window, list_windows, windows_for

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "EVENT_KINDS",
    "add_board",
    "add_event",
    "add_jar",
    "add_layout",
    "add_oven",
    "add_paste",
    "add_profile",
    "add_window",
    "board_label",
    "correct",
    "find_board",
    "find_jar",
    "find_layout",
    "find_oven",
    "find_paste",
    "find_profile",
    "find_profile_by_hash",
    "forget_layout",
    "get_board",
    "get_event",
    "get_jar",
    "get_oven",
    "get_paste",
    "get_profile",
    "known_layouts",
    "list_boards",
    "list_events",
    "list_jars",
    "list_layouts",
    "list_ovens",
    "list_pastes",
    "list_profiles",
    "list_windows",
    "name_profile",
    "windows_for",
]

_JSON = {"budget", "placements", "setpoint_table"}
_TIMES = {"created_at", "opened_at", "finished_at"}


def _clean(name: str, what: str) -> str:
    text = name.strip()
    if not text:
        raise ArchiveError(f"{what} needs a name")
    return text


def _insert(con: Connection, table: str, values: Mapping[str, Any]) -> int:
    row = con.execute(f"SELECT nextval('{table}_seq')").fetchone()
    row_id = int(row[0]) if row else 0
    columns = [f"{table}_id", *values, "created_at"]
    con.execute(
        f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})",
        [row_id, *values.values(), stored(utc_now())],
    )
    return row_id


def _get(con: Connection, table: str, row_id: int) -> dict[str, Any]:
    cursor = con.execute(f"SELECT * FROM {table} WHERE {table}_id = ?", [row_id])
    names = [column[0] for column in cursor.description or ()]
    row = cursor.fetchone()
    if row is None:
        raise ArchiveError(f"there is no {table} {row_id}")
    out = dict(zip(names, row, strict=True))
    for key, value in out.items():
        if key in _JSON and value is not None:
            out[key] = json.loads(value)
        elif key in _TIMES:
            out[key] = aware(value)
    return out


def _find(con: Connection, table: str, column: str, name: str) -> int | None:
    row = con.execute(
        f"SELECT {table}_id FROM {table} WHERE lower({column}) = lower(?) ORDER BY {table}_id DESC LIMIT 1",
        [name.strip()],
    ).fetchone()
    return row[0] if row else None


def _refuse_known(found: int | None, what: str, name: str) -> None:
    if found is not None:
        raise ArchiveError(f'{what} "{name}" exists already: give another name, or correct that one')


def add_oven(
    con: Connection,
    name: str,
    *,
    controller: str | None = None,
    note: str | None = None,
    budget: Mapping[str, float] | None = None,
    placements: Mapping[str, Mapping[str, str | None]] | None = None,
    control_channel: str | None = None,
) -> int:
    """`budget`: overrides of the uncertainty budget; `placements`: channel name -> {place, attachment}, given to new runs;
    `control_channel`: the channel that steers the heat, "average", or None for unknown."""
    name = _clean(name, "an oven")
    _refuse_known(find_oven(con, name), "oven", name)
    return _insert(
        con,
        "oven",
        {
            "name": name,
            "controller": controller,
            "note": note,
            "budget": json.dumps(dict(budget or {})),
            "placements": json.dumps({k: dict(v) for k, v in (placements or {}).items()}, ensure_ascii=False),
            "control_channel": control_channel,
        },
    )


def list_ovens(con: Connection) -> pd.DataFrame:
    """With the number of runs and the latest start (UTC) of each."""
    return con.execute(
        """SELECT o.*, coalesce(runs, 0) AS runs, latest_start FROM oven o LEFT JOIN (
               SELECT oven_id, count(*)::INTEGER AS runs, max(started_at) AS latest_start FROM run GROUP BY oven_id
           ) USING (oven_id) ORDER BY lower(o.name)"""
    ).df()


def get_oven(con: Connection, oven_id: int) -> dict[str, Any]:
    return _get(con, "oven", oven_id)


def find_oven(con: Connection, name: str) -> int | None:
    return _find(con, "oven", "name", name)


def add_paste(
    con: Connection,
    name: str,
    *,
    alloy: str,
    family: str,
    solidus_c: float,
    liquidus_c: float,
    powder_type: str | None = None,
    flux: str | None = None,
    open_life_days: float | None = None,
    is_default: bool = False,
    note: str | None = None,
) -> int:
    """`family` SnPb | PbFree | BiSn; `solidus_c`, `liquidus_c` [°C]; `open_life_days` working life once opened."""
    name = _clean(name, "a paste")
    _refuse_known(find_paste(con, name), "paste", name)
    if family not in ("SnPb", "PbFree", "BiSn"):
        raise ArchiveError(f'"{family}" is no alloy family: there are SnPb, PbFree, BiSn')
    if not solidus_c <= liquidus_c:
        raise ArchiveError(f"the solidus ({solidus_c:g} °C) lies above the liquidus ({liquidus_c:g} °C)")
    return _insert(
        con,
        "paste",
        {
            "name": name,
            "alloy": alloy,
            "family": family,
            "solidus_c": solidus_c,
            "liquidus_c": liquidus_c,
            "powder_type": powder_type,
            "flux": flux,
            "open_life_days": open_life_days,
            "is_default": is_default,
            "note": note,
        },
    )


def list_pastes(con: Connection) -> pd.DataFrame:
    return con.execute("SELECT * FROM paste ORDER BY is_default, lower(name)").df()


def get_paste(con: Connection, paste_id: int) -> dict[str, Any]:
    return _get(con, "paste", paste_id)


def find_paste(con: Connection, name: str) -> int | None:
    return _find(con, "paste", "name", name)


def add_jar(
    con: Connection,
    label: str,
    paste_id: int,
    *,
    lot: str | None = None,
    expiry: date | None = None,
    opened_at: datetime | None = None,
    finished_at: datetime | None = None,
    storage: str | None = None,
    note: str | None = None,
) -> int:
    """A container of a paste. Times aware; unknown is None."""
    label = _clean(label, "a jar")
    _refuse_known(find_jar(con, label), "jar", label)
    get_paste(con, paste_id)
    return _insert(
        con,
        "jar",
        {
            "label": label,
            "paste_id": paste_id,
            "lot": lot,
            "expiry": expiry,
            "opened_at": stored(opened_at),
            "finished_at": stored(finished_at),
            "storage": storage,
            "note": note,
        },
    )


def list_jars(con: Connection) -> pd.DataFrame:
    """With the paste's name, newest first."""
    return con.execute(
        "SELECT j.*, p.name AS paste FROM jar j LEFT JOIN paste p USING (paste_id) ORDER BY jar_id DESC"
    ).df()


def get_jar(con: Connection, jar_id: int) -> dict[str, Any]:
    return _get(con, "jar", jar_id)


def find_jar(con: Connection, label: str) -> int | None:
    return _find(con, "jar", "label", label)


def board_label(name: str, revision: str) -> str:
    """How a board is called in one word."""
    return f"{name} {revision}" if revision else name


def add_board(
    con: Connection,
    name: str,
    revision: str = "",
    *,
    width_mm: float | None = None,
    height_mm: float | None = None,
    thickness_mm: float | None = None,
    layers: int | None = None,
    mass_g: float | None = None,
    joints: int | None = None,
    components: int | None = None,
    package_thickness_mm: float | None = None,
    package_volume_mm3: float | None = None,
    note: str | None = None,
) -> int:
    """`package_*`: of the most heat-sensitive package, for its body ceiling; `joints`: terminations per board."""
    name, revision = _clean(name, "a board"), revision.strip()
    known = con.execute(
        "SELECT board_id FROM board WHERE lower(name) = lower(?) AND lower(revision) = lower(?)", [name, revision]
    ).fetchone()
    _refuse_known(known[0] if known else None, "board", board_label(name, revision))
    return _insert(
        con,
        "board",
        {
            "name": name,
            "revision": revision,
            "width_mm": width_mm,
            "height_mm": height_mm,
            "thickness_mm": thickness_mm,
            "layers": layers,
            "mass_g": mass_g,
            "joints": joints,
            "components": components,
            "package_thickness_mm": package_thickness_mm,
            "package_volume_mm3": package_volume_mm3,
            "note": note,
        },
    )


def list_boards(con: Connection) -> pd.DataFrame:
    return con.execute("SELECT * FROM board ORDER BY lower(name), revision").df()


def get_board(con: Connection, board_id: int) -> dict[str, Any]:
    return _get(con, "board", board_id)


def find_board(con: Connection, name: str, revision: str | None = None) -> int | None:
    """By name and revision, or by `board_label`, or by the name alone when it has one revision only.

    ArchiveError when the name alone has several revisions.
    """
    wanted = name.strip().lower()
    only = None if revision is None else revision.strip().lower()
    rows = [
        (board_id, known)
        for board_id, called, known in con.execute("SELECT board_id, name, revision FROM board").fetchall()
        if (called.lower() == wanted and only in (None, known.lower()))
        or (only is None and board_label(called, known).lower() == wanted)
    ]
    if len(rows) > 1:
        revisions = ", ".join(row[1] or "(none)" for row in rows)
        raise ArchiveError(f'board "{name}" has the revisions {revisions}: give "{name} REVISION"')
    return rows[0][0] if rows else None


def add_profile(
    con: Connection,
    name: str,
    *,
    setpoint_hash: str | None = None,
    setpoint_table: Sequence[Sequence[float]] | None = None,
) -> int:
    """A set-point table under a name. `setpoint_table` [[elapsed s, °C], ...]; the hash None when only the name is known.
    Two profiles may share a name (one was edited), never a hash."""
    name = _clean(name, "a profile")
    if setpoint_hash is not None:
        found = find_profile_by_hash(con, setpoint_hash)
        if found is not None:
            raise ArchiveError(f"this set-point table is stored already as profile {found}")
    table = None if setpoint_table is None else json.dumps([[float(t), float(c)] for t, c in setpoint_table])
    return _insert(con, "profile", {"name": name, "setpoint_hash": setpoint_hash, "setpoint_table": table})


def name_profile(con: Connection, profile_id: int, name: str, who: str | None = None, why: str | None = None) -> None:
    """Gives a profile found in logs a name of the shop's own. Records the change."""
    correct(con, "profile", profile_id, "name", _clean(name, "a profile"), who, why)


def list_profiles(con: Connection) -> pd.DataFrame:
    """With the number of runs of each, newest first."""
    return con.execute(
        """SELECT p.*, coalesce(runs, 0) AS runs FROM profile p LEFT JOIN (
               SELECT profile_id, count(*)::INTEGER AS runs FROM run GROUP BY profile_id
           ) USING (profile_id) ORDER BY profile_id DESC"""
    ).df()


def get_profile(con: Connection, profile_id: int) -> dict[str, Any]:
    return _get(con, "profile", profile_id)


def find_profile(con: Connection, name: str) -> int | None:
    """The newest profile of this name."""
    return _find(con, "profile", "name", name)


def find_profile_by_hash(con: Connection, setpoint_hash: str) -> int | None:
    row = con.execute("SELECT profile_id FROM profile WHERE setpoint_hash = ?", [setpoint_hash]).fetchone()
    return row[0] if row else None
