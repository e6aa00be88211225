"""Logs and runs of another archive taken over: matched by the hash of the log and the part, metadata of both kept.

What counts for each metadata value of a run that both have: unknown here, it is taken with its origin; a value of higher
standing (typed over imported over the rest) replaces a lower one; two that people said and that differ are a conflict.
Inspections that are here already are recognised by what they say, also after they were corrected or withdrawn here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ingest.archive.adoption import WHY, Adoption
from ingest.archive.changes import record_change
from ingest.archive.clock import aware
from ingest.archive.connection import Connection, literal
from ingest.archive.fields import COLUMNS, RunField, may_replace
from ingest.archive.runs import set_placement, set_run_field

_POINTS_TO = ("oven", "profile", "paste", "jar", "board")
_SAID = ("typed", "imported")  # what a person or a sheet said, not what was concluded
_BETTER = {"rejected": 0, "held": 1, "stored": 2}

# Tables that hang on a run -> the order their rows keep.
_OF_RUN = {
    "run_origin": "s.run_id, s.field",
    "channel": "s.run_id, s.channel_no",
    "sample_times": "s.run_id, s.stretch",
    "sample_values": "s.run_id, s.channel_no, s.stretch",
    "evaluation": "s.run_id",
    "metric": "s.run_id, s.rowid",
    "limit_result": "s.run_id, s.rowid",
    "finding_row": "s.run_id, s.rowid",
}


def start_logs(a: Adoption) -> list[tuple[int, int, bool]]:
    """Fills map_log and map_run with what both archives have; returns the logs still to be taken over.

    In order, each as (number there, number here, is it known here: held or rejected), for `adopt_logs` in portions.
    """
    rows = a.con.execute(
        """SELECT o.log_id, o.status, l.log_id, l.status FROM other.log o LEFT JOIN log l USING (sha256)
           ORDER BY o.log_id"""
    ).fetchall()
    both = [(old, new) for old, there, new, here in rows if new is not None and _BETTER[there] <= _BETTER[here]]
    better = [(old, new) for old, there, new, here in rows if new is not None and _BETTER[there] > _BETTER[here]]
    fresh = [old for old, _, new, _ in rows if new is None]
    numbered = dict(zip(fresh, a.numbers("log", fresh), strict=True))
    a.start_map("log", both)
    a.start_map("run")
    a.extend_map(
        "run",
        a.con.execute(
            """SELECT o.run_id, r.run_id FROM other.run o JOIN map_log m ON m.old = o.log_id
               JOIN run r ON r.log_id = m.new AND r.part = o.part"""
        ).fetchall(),
    )
    a.con.execute("CREATE OR REPLACE TEMP TABLE both_run AS FROM map_run")
    return sorted([(old, new, True) for old, new in better] + [(old, new, False) for old, new in numbered.items()])


def adopt_logs(a: Adoption, logs: Sequence[tuple[int, int, bool]], tables: frozenset[str] | None = None) -> None:
    """Takes over some logs with their bytes, runs, samples and what was derived. `tables` None: all of them."""
    _take_logs(a, logs)
    runs = [
        int(row[0])
        for row in a.con.execute(
            "SELECT run_id FROM other.run WHERE log_id IN (SELECT old FROM map_portion) ORDER BY run_id"
        ).fetchall()
    ]
    pairs = list(zip(runs, a.numbers("run", runs), strict=True))
    a.extend_map("run", pairs)
    a.start_map("portion_run", pairs)
    if not runs:
        return
    joins = " ".join(f"LEFT JOIN map_{name} {name} ON {name}.old = s.{name}_id" for name in _POINTS_TO)
    ids = {f"{name}_id": f"{name}.new" for name in _POINTS_TO} | {"log_id": "m.new", "run_id": "n.new"}
    _copy(a, "run", ids, f"JOIN map_portion_run n ON n.old = s.run_id {joins}", "n.new")
    between = f"s.run_id BETWEEN {runs[0]} AND {runs[-1]}"  # lets DuckDB skip what is far from the portion
    for table, order in _OF_RUN.items():
        if tables is not None and table not in tables:
            continue
        values = {"run_id": "n.new"}
        if table == "limit_result":
            values["window_id"] = "(SELECT w.new FROM map_limit_window w WHERE w.old = s.window_id)"
        if table == "evaluation":
            values["windows"] = (
                "coalesce((SELECT to_json(list(w.new ORDER BY w.new)) FROM map_limit_window w "
                "WHERE list_contains(s.windows::INTEGER[], w.old)), '[]')"
            )
        _copy(a, table, values, "", order, source="map_portion_run n", on="n.old = s.run_id", where=between)
    _copy_changes(a)
    a.count("run", len(runs))


def _take_logs(a: Adoption, logs: Sequence[tuple[int, int, bool]]) -> None:
    """Log rows and bytes. One that was held or rejected here keeps when and how it first came in."""
    a.extend_map("log", [(old, new) for old, new, _ in logs])
    a.start_map("portion", [(old, new) for old, new, known in logs if not known])
    _copy(a, "log", {"log_id": "m.new", "layout_id": "y.new"}, "LEFT JOIN map_layout y ON y.old = s.layout_id", "m.new")
    names = [n for n in a.columns("log") if n not in ("log_id", "sha256", "file_name", "source", "received_at")]
    for old, new, known in logs:
        if known:
            chosen = ", ".join(
                "(SELECT y.new FROM map_layout y WHERE y.old = s.layout_id)" if n == "layout_id" else f"s.{n}"
                for n in names
            )
            values = a.con.execute(f"SELECT {chosen} FROM other.log s WHERE log_id = ?", [old]).fetchone() or ()
            a.con.execute(f"UPDATE log SET {', '.join(f'{n} = ?' for n in names)} WHERE log_id = ?", [*values, new])
    a.start_map("portion", [(old, new) for old, new, _ in logs])
    _copy(
        a, "log_bytes", {"log_id": "m.new"}, "", "m.new, s.piece", where="m.new NOT IN (SELECT log_id FROM log_bytes)"
    )
    a.count("log", len(logs))


def _copy(
    a: Adoption,
    table: str,
    values: dict[str, str],
    joins: str,
    order: str,
    *,
    source: str = "map_portion m",
    on: str = "m.old = s.log_id",
    where: str = "true",
) -> None:
    names = a.columns(table)
    chosen = ", ".join(values.get(name, f"s.{name}") for name in names)
    a.con.execute(
        f"INSERT INTO {table} ({', '.join(names)}) SELECT {chosen} FROM other.{table} s JOIN {source} ON {on} {joins} "
        f"WHERE {where} ORDER BY {order}"
    )


def _copy_changes(a: Adoption) -> None:
    """The record of changes of the runs that came."""
    rows = a.con.execute(
        """SELECT c.change_id, n.new FROM other.change c JOIN map_portion_run n ON n.old = c.row_id
           WHERE c.table_name IN ('run', 'channel') ORDER BY c.change_id"""
    ).fetchall()
    if rows:
        numbers = a.numbers("change", [row[0] for row in rows])
        a.con.execute(
            """INSERT INTO change SELECT m.number, c.table_name, m.run_id, c.field, c.old_value, c.new_value, c.who,
                      c.changed_at, c.why
               FROM (SELECT unnest(?::INTEGER[]) AS old, unnest(?::INTEGER[]) AS run_id, unnest(?::INTEGER[]) AS number) m
               JOIN other.change c ON c.change_id = m.old ORDER BY m.number""",
            [[row[0] for row in rows], [row[1] for row in rows], numbers],
        )


def put_derived(con: Connection, files: Mapping[str, Sequence[Path]]) -> None:
    """Fills empty tables of what is derived from Parquet files, by the runs' names in the temporary table publish_run."""
    for table, paths in files.items():
        if not paths:
            continue
        source = f"read_parquet([{', '.join(literal(str(path)) for path in paths)}], hive_partitioning = false)"
        names = [row[0] for row in con.execute(f"DESCRIBE {table}").fetchall()]
        chosen = ", ".join("p.run_id" if name == "run_id" else f"s.{name}" for name in names)
        order = "p.run_id" if table == "evaluation" else "p.run_id, s.row_no"
        con.execute(
            f"INSERT INTO {table} ({', '.join(names)}) SELECT {chosen} FROM {source} s JOIN publish_run p USING (run) "
            f"ORDER BY {order}"
        )


def adopt_metadata(a: Adoption) -> None:
    """Metadata and sensor places of the runs that both archives have."""
    if a.con.execute("SELECT 1 FROM both_run LIMIT 1").fetchone() is None:
        return
    there, here = (_fields(a, source) for source in ("other.", ""))
    maps = {name: a.mapped(name) for name in _POINTS_TO}
    cleared = {
        (row[0], row[1])
        for row in a.con.execute(
            """SELECT row_id, field FROM change WHERE table_name = 'run'
               GROUP BY ALL HAVING arg_max(new_value IS NULL, change_id)"""
        ).fetchall()
    }
    for old, new in a.con.execute("SELECT old, new FROM both_run ORDER BY new").fetchall():
        for name, theirs in there.get(old, {}).items():
            value: Any = maps[name][theirs.value] if name in maps else theirs.value
            mine = here.get(new, {}).get(name)
            if mine is None and (new, name) in cleared and theirs.origin in _SAID:
                a.differs(f"run {new}", name, "unknown, as corrected", _shown(a, name, value))
            elif mine is None or (mine.value != value and not may_replace(mine.origin, theirs.origin)):
                given = aware(value) if name == "started_at" else value
                a.filled += set_run_field(a.con, new, name, given, theirs.origin, theirs.who, WHY)
            elif mine.value != value and theirs.origin in _SAID and may_replace(theirs.origin, mine.origin):
                a.differs(f"run {new}", name, _shown(a, name, mine.value), _shown(a, name, value))
    _adopt_places(a)
    for sha256, mine, theirs in a.con.execute(
        """SELECT l.file_name, count(DISTINCT r.run_id), count(DISTINCT o.run_id) FROM map_log m
           JOIN log l ON l.log_id = m.new JOIN run r ON r.log_id = m.new JOIN other.run o ON o.log_id = m.old
           GROUP BY l.log_id, l.file_name HAVING count(DISTINCT r.run_id) <> count(DISTINCT o.run_id) ORDER BY l.log_id"""
    ).fetchall():
        a.differs(f"log {sha256}", "number of runs", mine, theirs)


def _fields(a: Adoption, source: str) -> dict[int, dict[str, RunField]]:
    """What each run that both have carries there or here, with origins."""
    side = "old" if source else "new"
    origins: dict[tuple[int, str], tuple[Any, str | None]] = {
        (row[0], row[1]): (row[2], row[3])
        for row in a.con.execute(
            f"SELECT run_id, field, origin, who FROM {source}run_origin WHERE run_id IN (SELECT {side} FROM both_run)"
        ).fetchall()
    }
    out: dict[int, dict[str, RunField]] = {}
    for run_id, *values in a.con.execute(
        f"SELECT run_id, {', '.join(COLUMNS.values())} FROM {source}run WHERE run_id IN (SELECT {side} FROM both_run)"
    ).fetchall():
        out[run_id] = {
            name: RunField(value, *origins.get((run_id, name), ("derived", None)))
            for name, value in zip(COLUMNS, values, strict=True)
            if value is not None
        }
    return out


def _shown(a: Adoption, name: str, value: Any) -> Any:
    """A value as people know it: names, not numbers."""
    if name not in _POINTS_TO or value is None:
        return value
    column = "label" if name == "jar" else "name"
    row = a.con.execute(f"SELECT {column} FROM {name} WHERE {name}_id = ?", [value]).fetchone()
    return row[0] if row else value


def _adopt_places(a: Adoption) -> None:
    for run_id, name, place, attachment, their_place, their_attachment in a.con.execute(
        """SELECT b.new, c.name, c.placement, c.attachment, o.placement, o.attachment FROM both_run b
           JOIN channel c ON c.run_id = b.new JOIN other.channel o ON o.run_id = b.old AND o.name = c.name
           WHERE (o.placement IS NOT NULL AND o.placement IS DISTINCT FROM c.placement)
              OR (o.attachment IS NOT NULL AND o.attachment IS DISTINCT FROM c.attachment) ORDER BY ALL"""
    ).fetchall():
        filled = (place or their_place, attachment or their_attachment)
        if filled != (place, attachment):
            set_placement(a.con, run_id, name, *filled, a.who, WHY)
            a.filled += 1
        for what, mine, theirs in (("placement", place, their_place), ("attachment", attachment, their_attachment)):
            if None not in (mine, theirs) and mine != theirs:
                a.differs(f"run {run_id}, channel {name}", what, mine, theirs)


def adopt_looked_at(a: Adoption) -> None:
    """Inspections with their defects, choices about comparison, runs of trials, sheets that were imported."""
    here = {mark for _, mark, _ in _inspections(a, "")}
    taken = dict(
        a.con.execute(
            "SELECT new_value, old_value FROM change WHERE table_name = 'inspection' AND field = 'as taken over'"
        ).fetchall()
    )
    sources = set(taken.values())
    row = a.con.execute("SELECT created_at FROM other.archive_state").fetchone()
    take: list[tuple[int, int, str, str]] = []
    for old, mark, run_id in _inspections(a, "other."):
        source = f"inspection {old} of the archive made {row[0] if row else ''}"
        if mark in here or mark in taken:
            continue
        if source in sources:
            a.differs(f"run {run_id}", "inspection", "as taken over before", "changed since")
        else:
            take.append((old, run_id, mark, source))
    _take_inspections(a, take)
    _adopt_choices(a)
    for table, key in (("inspection_sheet", "sha256"), ("sheet_layout", "fingerprint")):
        known = {row[key] for row in a.rows(table, "")}
        for sheet in a.rows(table):
            if sheet[key] not in known:
                if table == "sheet_layout":
                    sheet["sheet_layout_id"] = a.numbers(table, [sheet["sheet_layout_id"]])[0]
                a.insert(table, [sheet])


def _inspections(a: Adoption, source: str) -> list[tuple[int, str, int]]:
    """(number, what it says as text, its run's number here) of the inspections of runs that are here."""
    run, join = ("i.run_id", "") if not source else ("m.new", "JOIN map_run m ON m.old = i.run_id")
    defects: dict[int, list[str]] = {}
    for number, *what in a.con.execute(
        f"SELECT inspection_id, term, count, ref_des, side, severity, rework, note FROM {source}defect"
    ).fetchall():
        defects.setdefault(number, []).append(json.dumps(what, ensure_ascii=False))
    rows = a.con.execute(
        f"""SELECT i.inspection_id, {run} AS run, l.sha256, r.part, i.method, i.scope, i.boards_looked, i.joints_looked,
                   i.serial, i.who, i.inspected_at, i.origin, i.note
            FROM {source}inspection i {join} JOIN run r ON r.run_id = {run} JOIN log l ON l.log_id = r.log_id
            ORDER BY i.inspection_id"""
    ).fetchall()
    return [
        (row[0], json.dumps([*row[2:], sorted(defects.get(row[0], []))], default=str, ensure_ascii=False), row[1])
        for row in rows
    ]


def _take_inspections(a: Adoption, take: Sequence[tuple[int, int, str, str]]) -> None:
    """Inspections (number there, run here, what it says, where it comes from) with their defects."""
    numbers = a.numbers("inspection", [old for old, *_ in take])
    a.start_map("inspection", [(old, new) for (old, *_), new in zip(take, numbers, strict=True)])
    for table, order in (("inspection", "s.inspection_id"), ("defect", "s.defect_id")):
        values = {"inspection_id": "m.new", "run_id": "r.new"}
        joins = "JOIN map_run r ON r.old = s.run_id"
        if table == "defect":
            found = a.con.execute(
                "SELECT defect_id FROM other.defect WHERE inspection_id IN (SELECT old FROM map_inspection) ORDER BY 1"
            ).fetchall()
            old = [row[0] for row in found]
            a.start_map("defect", zip(old, a.numbers("defect", old), strict=True))
            values["defect_id"] = "d.new"
            joins += " JOIN map_defect d ON d.old = s.defect_id"
        _copy(a, table, values, joins, order, source="map_inspection m", on="m.old = s.inspection_id")
    if not a.keep_numbers:
        for (_, _, mark, source), number in zip(take, numbers, strict=True):
            record_change(a.con, "inspection", number, "as taken over", source, mark, a.who, WHY)
    a.count("inspection", len(take))


def _adopt_choices(a: Adoption) -> None:
    """A choice about a run of which nothing was said here; trials' runs where the trial came along."""
    chosen = {row["run_id"] for row in a.rows("comparison_choice", "")}
    runs = a.mapped("run")
    for row in a.rows("comparison_choice"):
        run_id = runs.get(row["run_id"])
        if run_id is not None and run_id not in chosen:
            number = a.numbers("comparison_choice", [row["comparison_choice_id"]])[0]
            a.insert("comparison_choice", [row | {"run_id": run_id, "comparison_choice_id": number}])
    trials = a.mapped("trial")
    known = {(row["trial_id"], row["run_id"]) for row in a.rows("trial_run", "")}
    for row in a.rows("trial_run", order="trial_id, run_id"):
        pair = (trials.get(row["trial_id"]), runs.get(row["run_id"]))
        if None not in pair and pair not in known:
            a.insert("trial_run", [row | {"trial_id": pair[0], "run_id": pair[1]}])
