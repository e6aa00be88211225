"""What the last comparable run of an oven hands on to the next one, read from the archive.

A run's place in time is its start, or when it was received if its start is unknown. A run takes over only from runs
before it: importing last year's logs never fills last year with today's jar.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingest.archive import Connection

WHEN = "coalesce(r.started_at, l.received_at)"
# Deliberate one-offs hand nothing on: the next run is a product run again, on another board.
ONE_OFFS = ("reference", "development", "bakeout")


@dataclass(frozen=True)
class Earlier:
    """An earlier run of the same oven, as far as it matters to the next."""

    run_id: int
    at: datetime  # naive UTC, as the archive keeps it
    duration_s: float
    setpoint_hash: str | None
    profile_id: int | None
    paste_id: int | None
    jar_id: int | None
    board_id: int | None
    kind: str | None
    orientation: str | None
    operator: str | None


_COLUMNS = f"""r.run_id, {WHEN}, r.duration_s, r.setpoint_hash, r.profile_id, r.paste_id, r.jar_id, r.board_id, r.kind,
    r.orientation, r.operator"""


def earlier_run(con: Connection, oven_id: int, before: datetime, same_setpoints: str | None = None) -> Earlier | None:
    """The last run of the oven before a moment (naive UTC); with `same_setpoints` the last one with that hash.

    Reference, development and bake-out runs are passed over.
    """
    row = con.execute(
        f"""SELECT {_COLUMNS} FROM run r JOIN log l USING (log_id)
        WHERE r.oven_id = ? AND {WHEN} < ? AND (r.kind IS NULL OR r.kind NOT IN {ONE_OFFS})
            AND (? IS NULL OR r.setpoint_hash = ?)
        ORDER BY {WHEN} DESC, r.run_id DESC LIMIT 1""",
        [oven_id, before, same_setpoints, same_setpoints],
    ).fetchone()
    return Earlier(*row) if row else None


def minutes_since_heat(con: Connection, oven_id: int, start: datetime) -> float | None:
    """Minutes from the end of the oven's run before to a start (naive UTC); None when no start before it is known."""
    row = con.execute(
        "SELECT started_at, duration_s FROM run WHERE oven_id = ? AND started_at < ? ORDER BY started_at DESC LIMIT 1",
        [oven_id, start],
    ).fetchone()
    return (start - row[0]).total_seconds() / 60 - row[1] / 60 if row else None


def ovens_of_layout(con: Connection, layout_id: int, before: datetime) -> list[tuple[int, str]]:
    """The ovens (id, name) whose runs before a moment came in this layout, last used first."""
    rows = con.execute(
        f"""SELECT o.oven_id, o.name FROM run r JOIN log l USING (log_id) JOIN oven o USING (oven_id)
        WHERE l.layout_id = ? AND {WHEN} < ? GROUP BY o.oven_id, o.name ORDER BY max({WHEN}) DESC""",
        [layout_id, before],
    ).fetchall()
    return [(int(oven_id), str(name)) for oven_id, name in rows]


def first_uses(con: Connection, layout_id: int) -> dict[int, tuple[str, datetime]]:
    """Oven -> (its name, its first run's place in time), of the ovens with runs in this layout."""
    rows = con.execute(
        f"""SELECT o.oven_id, o.name, min({WHEN}) FROM run r JOIN log l USING (log_id) JOIN oven o USING (oven_id)
        WHERE l.layout_id = ? GROUP BY o.oven_id, o.name""",
        [layout_id],
    ).fetchall()
    return {oven_id: (name, first) for oven_id, name, first in rows}


def oven_name(con: Connection, oven_id: int) -> str:
    row = con.execute("SELECT name FROM oven WHERE oven_id = ?", [oven_id]).fetchone()
    return str(row[0]) if row else ""


def runs_around(con: Connection, oven_id: int, since: datetime) -> list[tuple[Earlier, datetime | None]]:
    """(run, its start) of the oven's runs from a moment on (naive UTC), and of those before it that can matter to a later
    one: the last with each set points, product runs apart from one-offs, and the last with a known start."""
    rows = con.execute(
        f"""WITH own AS (
            SELECT {_COLUMNS}, r.started_at AS began, {WHEN} AS place FROM run r JOIN log l USING (log_id)
            WHERE r.oven_id = ?)
        SELECT * FROM own WHERE place >= ?
        UNION
        (SELECT * FROM own WHERE place < ? QUALIFY row_number() OVER (
            PARTITION BY setpoint_hash, coalesce(kind IN {ONE_OFFS}, false) ORDER BY place DESC, run_id DESC) = 1)
        UNION
        (SELECT * FROM own WHERE began < ? ORDER BY began DESC LIMIT 1)""",
        [oven_id, since, since, since],
    ).fetchall()
    found = [(Earlier(*row[:11]), row[11]) for row in rows]
    return sorted(found, key=lambda one: (one[0].at, one[0].run_id))


def any_jar(con: Connection) -> bool:
    return con.execute("SELECT 1 FROM jar LIMIT 1").fetchone() is not None


@dataclass(frozen=True)
class JarFound:
    jar_id: int
    paste_id: int
    label: str
    opened_at: datetime | None


def open_jars(con: Connection, at: datetime, paste_id: int | None = None) -> list[JarFound]:
    """Jars opened and not finished at a moment (naive UTC), the last opened first."""
    rows = con.execute(
        """SELECT jar_id, paste_id, label, opened_at FROM jar
        WHERE opened_at <= ? AND (finished_at IS NULL OR finished_at > ?) AND (? IS NULL OR paste_id = ?)
        ORDER BY opened_at DESC, jar_id DESC""",
        [at, at, paste_id, paste_id],
    ).fetchall()
    return [JarFound(*row) for row in rows]


def inherited_jar(
    con: Connection, oven_id: int, earlier: Earlier | None, at: datetime, paste_id: int | None
) -> JarFound | None:
    """The jar a run inherits: the one in use, until another is opened.

    With a paste given, the last opened jar of that paste. Without, the jar of the earlier run, or the last jar opened
    since then: one of the same paste takes over at once; one of another paste takes over if no run has used it yet and
    its paste is not the one last used on another oven (it was opened for that one). With no earlier run: the only open
    jar there is. A finished jar hands on to no run. None when nothing of this decides.
    """
    opened = open_jars(con, at, paste_id)
    if paste_id is not None:
        return opened[0] if opened else None
    if earlier is None or earlier.paste_id is None:
        return opened[0] if len(opened) == 1 else None
    for jar in opened:  # last opened first
        if jar.jar_id == earlier.jar_id:
            return jar
        since = jar.opened_at is not None and jar.opened_at > earlier.at
        if jar.paste_id == earlier.paste_id and (since or earlier.jar_id is None):
            return jar
        if since and not _used(con, jar.jar_id, at) and jar.paste_id not in _pastes_elsewhere(con, oven_id, at):
            return jar
    if earlier.jar_id is None:
        return None
    return _undated_jar(con, earlier.jar_id, at)


def _undated_jar(con: Connection, jar_id: int, at: datetime) -> JarFound | None:
    """A jar whose opening was never dated stays in use until it is finished."""
    row = con.execute(
        """SELECT jar_id, paste_id, label, opened_at FROM jar
        WHERE jar_id = ? AND opened_at IS NULL AND (finished_at IS NULL OR finished_at > ?)""",
        [jar_id, at],
    ).fetchone()
    return JarFound(*row) if row else None


def _used(con: Connection, jar_id: int, before: datetime) -> bool:
    row: Any = con.execute(
        f"SELECT count(*) FROM run r JOIN log l USING (log_id) WHERE r.jar_id = ? AND {WHEN} < ?", [jar_id, before]
    ).fetchone()
    return row[0] > 0


def _pastes_elsewhere(con: Connection, oven_id: int, before: datetime) -> set[int]:
    rows = con.execute(
        f"""SELECT arg_max(r.paste_id, {WHEN}) FROM run r JOIN log l USING (log_id)
        WHERE r.oven_id <> ? AND r.paste_id IS NOT NULL AND {WHEN} < ? GROUP BY r.oven_id""",
        [oven_id, before],
    ).fetchall()
    return {row[0] for row in rows}
