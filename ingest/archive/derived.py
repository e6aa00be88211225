"""What was concluded about runs: metrics, limits judged, findings, verdicts. Always whole, always replaceable.

An evaluation is written together with the version of the rules that made it and a copy of the limits it used. It has
the attributes of `analysis.results.Evaluation`; this module does not import it, as ingest knows nothing of analysis.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pyarrow as pa

_DERIVED = ("evaluation", "metric", "limit_result", "finding_row")
_TEXT = "VARCHAR"
# The columns of each table, in its order, by the types of their DuckDB columns.
_TYPES: dict[str, tuple[str, ...]] = {
    "evaluation": (
        *("INTEGER", _TEXT, "TIMESTAMP", _TEXT, _TEXT, _TEXT, _TEXT, "DOUBLE", _TEXT),
        *("BOOLEAN", "BOOLEAN", _TEXT, _TEXT),
    ),
    "metric": ("INTEGER", "SMALLINT", _TEXT, _TEXT, "DOUBLE", "DOUBLE", _TEXT, _TEXT, _TEXT, _TEXT),
    "limit_result": (
        *("INTEGER", _TEXT, _TEXT, "DOUBLE", "DOUBLE", _TEXT, _TEXT, _TEXT, _TEXT, "INTEGER"),
        *("SMALLINT", "DOUBLE", "DOUBLE", "DOUBLE", _TEXT, _TEXT),
    ),
    "finding_row": ("INTEGER", _TEXT, "SMALLINT", *(_TEXT,) * 6),
}
Tables = dict[str, list["pa.Table"]]  # table -> rows to write, piece by piece, columns in the order of the table


def write_evaluation(con: Connection, run_id: int, evaluation: Any) -> None:
    """Replaces everything derived about one run by this evaluation. Call it inside `Archive.transaction`.

    Raises ArchiveError when there is no such run, or a metric or finding names a channel that the run does not have.
    """
    write_evaluations(con, [(run_id, evaluation)])


def write_evaluations(con: Connection, evaluations: Sequence[tuple[int, Any]]) -> None:
    """As `write_evaluation`, for many runs at once: a few hundred in one transaction cost far less than one by one."""
    if not evaluations:
        return
    run_ids = [run_id for run_id, _ in evaluations]
    if len(set(run_ids)) != len(run_ids):
        raise ArchiveError("one run was given two evaluations at once")
    write_tables(con, run_ids, tables_of(evaluations, _channel_names(con, run_ids)))


def tables_of(
    evaluations: Sequence[tuple[int, Any]],
    channels: Mapping[int, Mapping[int, str]],
    metrics: pa.Table | None = None,
) -> Tables:
    """Evaluations as the rows of the archive's tables, for `write_tables`; needs no archive.

    `channels`: run number -> channel number -> name. `metrics`: the rows of the table `metric` where they are at hand as
    columns; the evaluations' own metrics are not looked at then.
    """
    now = stored(utc_now())
    rows: dict[str, list[tuple[Any, ...]]] = {table: [] for table in _DERIVED}
    for run_id, e in evaluations:
        known = channels[run_id]
        rows["evaluation"].append(_head(run_id, e, known, now))
        for m in e.metrics if metrics is None else ():
            _known(run_id, m.channel, known)
            rows["metric"].append(
                (
                    *(run_id, m.channel, m.metric, m.parameters, _number(m.value), _number(m.uncertainty), m.unit),
                    *(m.status, m.reason, e.rules_version),
                )
            )
        for r in e.limit_results:
            _known(run_id, r.channel, known)
            limit = r.limit
            rows["limit_result"].append(
                (
                    *(run_id, limit.metric, limit.parameters, limit.low, limit.high, limit.unit, limit.scope),
                    *(limit.source, limit.revision, limit.window_id, r.channel, _number(r.value)),
                    *(_number(r.uncertainty), _number(r.margin), r.verdict, r.reason),
                )
            )
        for f in e.findings:
            _known(run_id, f.channel, known)
            rows["finding_row"].append(
                (
                    *(run_id, f.code, f.channel, f.state, f.evidence, f.meaning, f.check_first, f.danger),
                    e.rules_version,
                )
            )
    tables = {table: [_table(table, found)] for table, found in rows.items() if found}
    if metrics is not None:
        tables["metric"] = [metrics]
    return tables


def _table(table: str, rows: list[tuple[Any, ...]]) -> pa.Table:
    import pyarrow as pa

    types = {
        "INTEGER": pa.int32(),
        "SMALLINT": pa.int16(),
        "DOUBLE": pa.float64(),
        "BOOLEAN": pa.bool_(),
        "TIMESTAMP": pa.timestamp("us"),
        _TEXT: pa.string(),
    }
    columns = zip(*rows, strict=True)
    return pa.table(
        {
            str(i): pa.array(column, types[kind])
            for i, (column, kind) in enumerate(zip(columns, _TYPES[table], strict=True))
        }
    )


def write_tables(con: Connection, run_ids: Sequence[int], tables: Tables) -> None:
    """Replaces everything derived about these runs by the rows given. Call it inside `Archive.transaction`."""
    clear_evaluations(con, run_ids)
    for table, rows in ((table, rows) for table, pieces in tables.items() for rows in pieces):
        con.register("incoming_rows", rows)
        try:
            con.execute(f"INSERT INTO {table} SELECT * FROM incoming_rows")
        finally:
            con.unregister("incoming_rows")


def clear_evaluations(con: Connection, run_ids: Iterable[int]) -> None:
    """Removes everything derived about these runs; `stale_runs` then lists them."""
    ids = sorted(set(run_ids))
    if not ids:
        return
    if len(ids) == 1:
        which, params = "run_id = ?", ids
    elif len(ids) == ids[-1] - ids[0] + 1:
        which, params = "run_id BETWEEN ? AND ?", [ids[0], ids[-1]]
    else:
        which, params = "run_id BETWEEN ? AND ? AND run_id IN (SELECT unnest(?::INTEGER[]))", [ids[0], ids[-1], ids]
    # nothing is derived about a run without an evaluation: one look instead of four at a new one
    if con.execute(f"SELECT 1 FROM evaluation WHERE {which} LIMIT 1", params).fetchone() is None:
        return
    for table in _DERIVED:
        con.execute(f"DELETE FROM {table} WHERE {which}", params)


def stale_runs(con: Connection, rules_version: str) -> list[int]:
    """Runs without an evaluation, with one of other rules, or with one whose typed values changed since; ascending."""
    rows = con.execute(
        """SELECT run_id FROM run LEFT JOIN evaluation e USING (run_id)
           WHERE e.run_id IS NULL OR e.rules_version <> ? OR e.stale IS NOT NULL ORDER BY run_id""",
        [rules_version],
    ).fetchall()
    return [row[0] for row in rows]


def _channel_names(con: Connection, run_ids: list[int]) -> dict[int, dict[int, str]]:
    if len(run_ids) == 1:
        which, params = "run_id = ?", run_ids
    else:
        which = "run_id BETWEEN ? AND ? AND run_id IN (SELECT unnest(?::INTEGER[]))"
        params = [min(run_ids), max(run_ids), run_ids]
    names: dict[int, dict[int, str]] = {}
    for run_id, number, name in con.execute(
        f"SELECT run_id, channel_no, name FROM channel WHERE {which}", params
    ).fetchall():
        names.setdefault(run_id, {})[number] = name
    for run_id in run_ids:
        if run_id not in names:
            raise ArchiveError(f"there is no run {run_id}")
    return names


def _known(run_id: int, channel: int | None, channels: Mapping[int, str]) -> None:
    if channel is not None and channel not in channels:
        raise ArchiveError(f"run {run_id} has no channel number {channel}")


def _number(value: Any) -> float | None:
    """A plain float; what is not a number is refused: the archive keeps no silent NaN."""
    if value is None:
        return None
    number = float(value)
    if number != number:
        raise ArchiveError("a metric without a value must say so by its status, not by NaN")
    return number


def _head(run_id: int, e: Any, channels: Mapping[int, str], now: Any) -> tuple[Any, ...]:
    limiting = e.limiting
    if limiting is not None:
        _known(run_id, limiting.channel, channels)
    return (
        run_id,
        e.rules_version,
        now,
        e.verdict,
        e.reason,
        None if limiting is None else limiting.limit.metric,
        None if limiting is None or limiting.channel is None else channels[limiting.channel],
        None if limiting is None else _number(limiting.margin),
        None if limiting is None else limiting.limit.unit,
        bool(e.complete),
        bool(e.danger),
        json.dumps(sorted({r.limit.window_id for r in e.limit_results})),
        None,
    )
