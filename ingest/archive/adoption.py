"""Rows of another archive taken over into this one: numbers, reference data matched by name, disagreements.

The other archive is seen as tables of the same names in `other` (a file attached read-only, or views over a published
data set), of this program's schema. `Adoption` keeps, for every table, which number of the other is which one here, in
temporary tables map_oven, map_run ... What this archive knows is never overwritten: a value that is unknown here is filled
in, one that both know differently is a `Conflict`. Logs and runs are in `adopted_runs`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from textwrap import shorten
from typing import Any

from ingest.archive.changes import as_text, record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.contract import SEQUENCES
from ingest.archive.layouts import forget_layout

_ROWS_AT_ONCE = 200
WHY = "taken over from another archive"
_SEQUENCE_OF = {table: (sequence, column) for sequence, (table, column) in SEQUENCES.items()}

# Table -> what makes two rows the same thing, and the values that people keep about it.
_NAMED: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "oven": (("lower(name)",), ("controller", "note", "budget", "placements", "control_channel")),
    "paste": (
        ("lower(name)",),
        ("alloy", "family", "solidus_c", "liquidus_c", "powder_type", "flux", "open_life_days", "note"),
    ),
    "board": (
        ("lower(name)", "lower(revision)"),
        (
            *("width_mm", "height_mm", "thickness_mm", "layers", "mass_g", "joints", "components"),
            *("package_thickness_mm", "package_volume_mm3", "note"),
        ),
    ),
    "profile": (
        ("coalesce(setpoint_hash, '')", "CASE WHEN setpoint_hash IS NULL THEN lower(name) END"),
        ("name", "setpoint_table"),
    ),
    "jar": (
        ("lower(label)",),
        ("paste_id", "lot", "expiry", "opened_at", "finished_at", "storage", "note"),
    ),
}
_POINTS_TO = {"paste_id": "paste", "board_id": "board", "oven_id": "oven"}
_JSON = frozenset({"budget", "placements", "setpoint_table", "decisions"})


@dataclass(frozen=True)
class Conflict:
    """Both archives say something else about one thing. `here` stands; `there` was not taken."""

    what: str
    field: str
    here: str | None
    there: str | None

    def __str__(self) -> str:
        here, there = (shorten(str(text), 80, placeholder=" ...") for text in (self.here, self.there))
        return f"{self.what}, {self.field}: {here} here, {there} there"


@dataclass
class Adoption:
    """One taking over under way. `keep_numbers`: rows keep the other's numbers where these are free, for an archive
    that is made from a data set and never written to again; otherwise they get fresh ones."""

    con: Connection
    who: str | None = None
    keep_numbers: bool = False
    conflicts: list[Conflict] = field(default_factory=list[Conflict])
    added: dict[str, int] = field(default_factory=dict[str, int])
    filled: int = 0

    def count(self, what: str, number: int = 1) -> None:
        if number:
            self.added[what] = self.added.get(what, 0) + number

    def numbers(self, table: str, old: Sequence[int]) -> list[int]:
        """A number here for each of these rows of the other archive, in their order."""
        sequence, column = _SEQUENCE_OF[table]
        if not self.keep_numbers:
            rows = self.con.execute(f"SELECT nextval('{sequence}') FROM range(?)", [len(old)]).fetchall()
            return sorted(int(row[0]) for row in rows)
        taken = {row[0] for row in self.con.execute(f"SELECT {column} FROM {table}").fetchall()}
        top = max([*taken, *old], default=0)
        out: list[int] = []
        for number in old:
            if number in taken:
                top += 1
                number = top
            taken.add(number)
            out.append(number)
        return out

    def start_map(self, table: str, pairs: Iterable[tuple[int, int]] = ()) -> None:
        """Makes map_TABLE (old, new) with these pairs."""
        self.con.execute(f"CREATE OR REPLACE TEMP TABLE map_{table} (old INTEGER, new INTEGER)")
        self.extend_map(table, pairs)

    def extend_map(self, table: str, pairs: Iterable[tuple[int, int]]) -> None:
        rows = list(pairs)
        if rows:
            old, new = (list(column) for column in zip(*rows, strict=True))
            self.con.execute(f"INSERT INTO map_{table} SELECT unnest(?::INTEGER[]), unnest(?::INTEGER[])", [old, new])

    def mapped(self, table: str) -> dict[int | None, int | None]:
        pairs = self.con.execute(f"SELECT old, new FROM map_{table}").fetchall()
        return {None: None} | dict(pairs)

    def columns(self, table: str) -> list[str]:
        return [row[0] for row in self.con.execute(f"DESCRIBE {table}").fetchall()]

    def rows(self, table: str, source: str = "other.", more: str = "", order: str = "1") -> list[dict[str, Any]]:
        names = self.columns(table)
        cursor = self.con.execute(f"SELECT {', '.join(names)}{more} FROM {source}{table} ORDER BY {order}")
        keys = [d[0] for d in cursor.description or ()]
        return [dict(zip(keys, row, strict=True)) for row in cursor.fetchall()]

    def insert(self, table: str, rows: Sequence[dict[str, Any]]) -> None:
        names = self.columns(table) if rows else []
        one = f"({', '.join('?' * len(names))})"
        for start in range(0, len(rows), _ROWS_AT_ONCE):  # one statement for many rows costs far less than one for each
            portion = rows[start : start + _ROWS_AT_ONCE]
            self.con.execute(
                f"INSERT INTO {table} ({', '.join(names)}) VALUES {', '.join([one] * len(portion))}",
                [row[name] for row in portion for name in names],
            )

    def differs(self, what: str, name: str, here: Any, there: Any) -> None:
        self.conflicts.append(Conflict(what, name, as_text(here), as_text(there)))


def go_on_numbering(con: Connection) -> None:
    """Lets every sequence go on above the numbers that were kept."""
    for sequence, (table, column) in SEQUENCES.items():
        row = con.execute(f"SELECT coalesce(max({column}), 0) + 1 FROM {table}").fetchone()
        con.execute(f"CREATE OR REPLACE SEQUENCE {sequence} START WITH {int(row[0]) if row else 1}")


def adopt_reference(a: Adoption) -> None:
    """Ovens, pastes, boards, profiles, jars, layouts, windows, events, questions, trials, drift settings."""
    for table in ("oven", "paste", "board", "profile", "jar"):
        _adopt_named(a, table)
    _adopt_layouts(a)
    _adopt_windows(a)
    _adopt_events(a)
    _adopt_trials(a)
    _adopt_settings(a)


def _known(field_name: str, value: Any) -> Any:
    """None for what says nothing; JSON as values, so that spacing makes no difference."""
    if field_name in _JSON and value is not None:
        return json.loads(value) or None
    return None if value == "" else value


def _adopt_named(a: Adoption, table: str) -> None:
    keys, fields = _NAMED[table]
    key_id = f"{table}_id"
    select = "".join(f", {key} AS key_{i}" for i, key in enumerate(keys))

    def key(row: dict[str, Any]) -> tuple[Any, ...]:
        return tuple(row[f"key_{i}"] for i in range(len(keys)))

    here = {key(row): row for row in a.rows(table, "", select)}
    there = a.rows(table, more=select)
    for row in there:
        for column, pointed in _POINTS_TO.items():
            if column in row and pointed != table:
                row[column] = a.mapped(pointed)[row[column]]
    new = [row for row in there if key(row) not in here]
    pairs = [(row[key_id], here[key(row)][key_id]) for row in there if key(row) in here]
    for row in there:
        if key(row) in here:
            _compare(a, table, here[key(row)], row, fields)
    for row, number in zip(new, a.numbers(table, [row[key_id] for row in new]), strict=True):
        pairs.append((row[key_id], number))
        row[key_id] = number
    a.insert(table, new)
    a.count(table, len(new))
    a.start_map(table, pairs)


def _compare(a: Adoption, table: str, here: dict[str, Any], there: dict[str, Any], fields: Sequence[str]) -> None:
    if here.get("is_default") and there.get("is_default"):
        return  # seeded by the program, in whichever version
    row_id = here[f"{table}_id"]
    called = here.get("label") or " ".join(filter(None, (here.get("name"), here.get("revision"))))
    for name in fields:
        mine, theirs = _known(name, here[name]), _known(name, there[name])
        if theirs is None or mine == theirs:
            continue
        if mine is not None:
            a.differs(f"{table} {called}", name.removesuffix("_id"), here[name], there[name])
            continue
        a.con.execute(f"UPDATE {table} SET {name} = ? WHERE {table}_id = ?", [there[name], row_id])
        record_change(a.con, table, row_id, name, None, there[name], a.who, WHY)
        a.filled += 1


def _adopt_layouts(a: Adoption) -> None:
    here = a.rows("layout", "")
    by_content = {(row["fingerprint"], as_text(_known("decisions", row["decisions"]))): row for row in here}
    active = {row["fingerprint"]: row for row in here if row["forgotten_at"] is None}
    names = {row["name"].lower() for row in here}
    pairs: list[tuple[int, int]] = []
    for row in a.rows("layout"):
        same = by_content.get((row["fingerprint"], as_text(_known("decisions", row["decisions"]))))
        if same is not None:
            pairs.append((row["layout_id"], same["layout_id"]))
            continue
        old = row["layout_id"]
        row["layout_id"] = a.numbers("layout", [old])[0]
        if row["name"].lower() in names:
            row["name"] = f"{row['name']} ({row['layout_id']})"
        names.add(row["name"].lower())
        rival = active.get(row["fingerprint"]) if row["forgotten_at"] is None else None
        a.insert("layout", [row])
        if rival is not None:  # kept for the logs that were read by it, not for new ones
            a.differs(f"layout {rival['name']}", "decisions", rival["decisions"], row["decisions"])
            forget_layout(a.con, row["layout_id"])
        pairs.append((old, row["layout_id"]))
        a.count("layout")
    a.start_map("layout", pairs)


def _adopt_windows(a: Adoption) -> None:
    """A window is the same when owner, source, revision and limits are; of two in force for one owner this one's stays."""
    here, there = _windows(a, ""), _windows(a, "other.")
    numbers = {content: row["window_id"] for content, row in here}
    in_force = {content[:4]: row for content, row in here if row["superseded_at"] is None}
    pairs: list[tuple[int, int]] = [(0, 0)]  # window 0 is no row: limits worked out from the built-in tables
    for content, row in there:
        old = row["window_id"]
        rival = in_force.get(content[:4]) if row["superseded_at"] is None else None
        if rival is not None and rival["window_id"] != numbers.get(content):
            owner = f"window of {content[0]} {_owner(a, row)}".strip()
            mine, theirs = (f"{r['source']}, revision {r['revision']}" for r in (rival, row))
            a.differs(owner, "limits in force", mine, theirs)
        if content in numbers:
            pairs.append((old, numbers[content]))
            continue
        row["window_id"] = numbers[content] = a.numbers("limit_window", [old])[0]
        if rival is not None:
            row["superseded_at"] = stored(utc_now())
        elif row["superseded_at"] is None:
            in_force[content[:4]] = row
        a.insert("limit_window", [{k: v for k, v in row.items() if k != "limits"}])
        a.insert("window_limit", [limit | {"window_id": row["window_id"]} for limit in row["limits"]])
        pairs.append((old, row["window_id"]))
        a.count("window")
    a.start_map("limit_window", pairs)


def _windows(a: Adoption, source: str) -> list[tuple[tuple[Any, ...], dict[str, Any]]]:
    """(scope, paste, board, oven, source, revision, limits) with numbers as here, and the row with its `limits`."""
    limits: dict[int, list[dict[str, Any]]] = {}
    for limit in a.rows("window_limit", source, order="window_id, rowid"):
        limits.setdefault(limit["window_id"], []).append(limit)
    out: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    for row in a.rows("limit_window", source):
        row["limits"] = limits.get(row["window_id"], [])
        if source:
            for column, pointed in _POINTS_TO.items():
                row[column] = a.mapped(pointed)[row[column]]
        rows = sorted(tuple(str(v) for k, v in limit.items() if k != "window_id") for limit in row["limits"])
        owner = (row["scope"], row["paste_id"], row["board_id"], row["oven_id"])
        out.append(((*owner, row["source"], row["revision"], tuple(rows)), row))
    return out


def _owner(a: Adoption, row: dict[str, Any]) -> str:
    for column, table in _POINTS_TO.items():
        if row[column] is not None:
            found = a.con.execute(f"SELECT name FROM {table} WHERE {column} = ?", [row[column]]).fetchone()
            return str(found[0]) if found else ""
    return ""


def _adopt_events(a: Adoption) -> None:
    def key(row: dict[str, Any]) -> tuple[Any, ...]:
        return (row["oven_id"], row["kind"], row["happened_at"], row["at_precision"], row["note"] or "")

    here = {key(row): row["event_id"] for row in a.rows("event", "")}
    taken = dict(
        a.con.execute(
            "SELECT new_value, row_id FROM change WHERE table_name = 'event' AND field = 'as taken over'"
        ).fetchall()
    )
    ovens = a.mapped("oven")
    pairs: list[tuple[int, int]] = []
    for row in a.rows("event"):
        old, row["oven_id"] = row["event_id"], ovens[row["oven_id"]]
        mark = json.dumps(key(row), default=str, ensure_ascii=False)  # as it came, should it be corrected here later
        known = here.get(key(row), taken.get(mark))
        if known is None:
            known = row["event_id"] = a.numbers("event", [old])[0]
            a.insert("event", [row])
            record_change(a.con, "event", known, "as taken over", None, mark, a.who, WHY)
            a.count("event")
        pairs.append((old, known))
    a.start_map("event", pairs)


def _adopt_trials(a: Adoption) -> None:
    questions = {(r["defect"], r["factor"], r["asked_at"]) for r in a.rows("question", "")}
    for row in a.rows("question"):
        if (row["defect"], row["factor"], row["asked_at"]) not in questions:
            row["question_id"] = a.numbers("question", [row["question_id"]])[0]
            a.insert("question", [row])
            a.count("question")
    here = {row["name"].lower(): row for row in a.rows("trial", "")}
    boards = a.mapped("board")
    pairs: list[tuple[int, int]] = []
    for row in a.rows("trial"):
        old, row["board_id"] = row["trial_id"], boards[row["board_id"]]
        mine = here.get(row["name"].lower())
        if mine is None:
            row["trial_id"] = a.numbers("trial", [old])[0]
            a.insert("trial", [row])
            pairs.append((old, row["trial_id"]))
            a.count("trial")
        elif mine["planned_at"] == row["planned_at"]:
            pairs.append((old, mine["trial_id"]))
        else:
            a.differs(f"trial {mine['name']}", "plan", mine["change"], row["change"])
    a.start_map("trial", pairs)


def _adopt_settings(a: Adoption) -> None:
    """How an oven's drift is watched: the other's newest setting where there is none here."""
    ovens = a.mapped("oven")
    newest = {row["oven_id"]: row for row in a.rows("drift_setting", "")}
    for row in {row["oven_id"]: row for row in a.rows("drift_setting")}.values():
        row["oven_id"] = ovens[row["oven_id"]]
        mine = newest.get(row["oven_id"])
        if mine is None:
            row["drift_setting_id"] = a.numbers("drift_setting", [row["drift_setting_id"]])[0]
            a.insert("drift_setting", [row])
            continue
        for name in ("reference_every_days", "false_calls_per_100_runs"):
            if None not in (mine[name], row[name]) and mine[name] != row[name]:
                oven = a.con.execute("SELECT name FROM oven WHERE oven_id = ?", [row["oven_id"]]).fetchone()
                a.differs(f"oven {oven[0] if oven else ''}", name, mine[name], row[name])
