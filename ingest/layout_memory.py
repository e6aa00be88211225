"""What is remembered of layouts: found again for reading, learned from a log that was read, changed by an answer."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.archive import ArchiveError, Connection
from ingest.archive.layouts import add_layout, change_layout
from ingest.archive.reference import correct
from ingest.recording import LayoutFound, Reading


@dataclass(frozen=True)
class Layout:
    """One remembered layout. `answers`: question id -> answer that every log of the layout is read with."""

    layout_id: int
    name: str
    fingerprint: str
    decisions: dict[str, Any]
    origin: str  # typed: from a person's answer; derived: from a log that needed none
    logs: int
    runs: int
    ovens: tuple[str, ...]

    @property
    def answers(self) -> dict[str, str]:
        return dict(self.decisions.get("answers", {}))


def remembered(con: Connection) -> list[LayoutFound]:
    """The layouts that reading may apply: all that were not forgotten."""
    rows = con.execute(
        "SELECT fingerprint, decisions FROM layout WHERE forgotten_at IS NULL ORDER BY layout_id"
    ).fetchall()
    return [LayoutFound(fingerprint, json.loads(decisions)) for fingerprint, decisions in rows]


def layout_of(
    con: Connection, reading: Reading, log_name: str, name: str | None = None, answers: Mapping[str, str] | None = None
) -> int:
    """The number of the layout that a read log has, remembered now if it is new.

    `name` names it (a person's answer); else it is called after the oven or controller its preamble names, or its file.
    """
    found = reading.layout
    if found is None:
        raise ArchiveError(f"{log_name} was read without a layout")
    row = con.execute(
        "SELECT layout_id FROM layout WHERE fingerprint = ? AND forgotten_at IS NULL", [found.fingerprint]
    ).fetchone()
    if row:
        return int(row[0])
    origin = "typed" if name or answers or found.decisions.get("answers") else "derived"
    decisions = {**found.decisions, "answers": {**found.decisions.get("answers", {}), **(answers or {})}}
    said = reading.metadata.get("controller") or reading.metadata.get("oven")
    wanted = free_name(con, name or said or f"as {log_name}")
    return add_layout(con, wanted, found.fingerprint, decisions, origin)


def free_name(con: Connection, wanted: str) -> str:
    """`wanted`, or with a number behind it when a layout is called so already."""
    taken = {row[0].casefold() for row in con.execute("SELECT name FROM layout").fetchall()}
    name, number = wanted, 2
    while name.casefold() in taken:
        name, number = f"{wanted} ({number})", number + 1
    return name


def find_layout(con: Connection, layout: str | int) -> Layout:
    """The layout of this number or name. ArchiveError, listing the known ones, when there is none."""
    known = all_layouts(con)
    for one in known:
        if str(one.layout_id) == str(layout) or one.name == str(layout):
            return one
    names = ", ".join(one.name for one in known) or "none is known yet"
    raise ArchiveError(f"no layout named {str(layout)!r}; known: {names}")


def learn(
    con: Connection, reading: Reading, log_name: str, answers: Mapping[str, str], name: str | None, who: str | None
) -> int:
    """As `layout_of`, with the answers the log was read with made part of the layout."""
    layout_id = layout_of(con, reading, log_name, name, answers)
    if not answers and not name:
        return layout_id
    known = find_layout(con, layout_id)
    if any(known.answers.get(key) != value for key, value in answers.items()):
        set_answers(con, known, answers, who, "answered for a log of this layout")
    if name and known.name != name:
        correct(con, "layout", layout_id, "name", free_name(con, name), who, "named with an answer")
    return layout_id


def set_answers(con: Connection, layout: Layout, answers: Mapping[str, str], who: str | None, why: str) -> LayoutFound:
    """Change the answers a layout is read with; the others stay. Returns the layout as reading takes it."""
    found = LayoutFound(layout.fingerprint, {**layout.decisions, "answers": {**layout.answers, **answers}})
    change_layout(con, layout.layout_id, found, who, why)
    return found


def all_layouts(con: Connection) -> list[Layout]:
    rows: Sequence[Any] = con.execute(
        """SELECT y.layout_id, y.name, y.fingerprint, y.decisions, y.origin,
            count(DISTINCT l.log_id), count(DISTINCT r.run_id),
            list(DISTINCT o.name ORDER BY o.name) FILTER (o.name IS NOT NULL)
        FROM layout y LEFT JOIN log l USING (layout_id) LEFT JOIN run r USING (log_id) LEFT JOIN oven o USING (oven_id)
        WHERE y.forgotten_at IS NULL GROUP BY ALL ORDER BY y.layout_id"""
    ).fetchall()
    return [
        Layout(number, name, fingerprint, json.loads(decisions), origin, logs, runs, tuple(ovens or ()))
        for number, name, fingerprint, decisions, origin, logs, runs, ovens in rows
    ]
