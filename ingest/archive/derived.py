"""What was concluded about runs: metrics, limits judged, findings, verdicts. Always whole, always replaceable.

An evaluation is written together with the version of the rules that made it and a copy of the limits it used. It has
the attributes of `analysis.results.Evaluation`; this module does not import it, as ingest knows nothing of analysis.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

_DERIVED = ("evaluation", "metric", "limit_result", "finding_row")

# Written column by column through lists: one statement for any number of rows, three times as quick as VALUES.
_METRIC = ("INTEGER", "SMALLINT", "VARCHAR", "VARCHAR", "DOUBLE", "DOUBLE", "VARCHAR", "VARCHAR", "VARCHAR", "VARCHAR")
_LIMIT = (
    *("INTEGER", "VARCHAR", "VARCHAR", "DOUBLE", "DOUBLE", "VARCHAR", "VARCHAR", "VARCHAR", "VARCHAR", "INTEGER"),
    *("SMALLINT", "DOUBLE", "DOUBLE", "DOUBLE", "VARCHAR", "VARCHAR"),
)
_FINDING = ("INTEGER", "VARCHAR", "SMALLINT", *("VARCHAR",) * 6)
_EVALUATION = (
    *("INTEGER", "VARCHAR", "TIMESTAMP", "VARCHAR", "VARCHAR", "VARCHAR", "VARCHAR", "DOUBLE", "VARCHAR"),
    *("BOOLEAN", "BOOLEAN", "JSON", "VARCHAR"),
)


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
    names = _channel_names(con, run_ids)
    clear_evaluations(con, run_ids)
    now = stored(utc_now())
    heads: list[tuple[Any, ...]] = []
    metrics: list[tuple[Any, ...]] = []
    limits: list[tuple[Any, ...]] = []
    findings: list[tuple[Any, ...]] = []
    for run_id, e in evaluations:
        channels = names[run_id]
        heads.append(_head(run_id, e, channels, now))
        for m in e.metrics:
            _known(run_id, m.channel, channels)
            metrics.append(
                (
                    *(run_id, m.channel, m.metric, m.parameters, _number(m.value), _number(m.uncertainty), m.unit),
                    *(m.status, m.reason, e.rules_version),
                )
            )
        for r in e.limit_results:
            _known(run_id, r.channel, channels)
            limit = r.limit
            limits.append(
                (
                    *(run_id, limit.metric, limit.parameters, limit.low, limit.high, limit.unit, limit.scope),
                    *(limit.source, limit.revision, limit.window_id, r.channel, _number(r.value)),
                    *(_number(r.uncertainty), _number(r.margin), r.verdict, r.reason),
                )
            )
        for f in e.findings:
            _known(run_id, f.channel, channels)
            findings.append(
                (
                    *(run_id, f.code, f.channel, f.state, f.evidence, f.meaning, f.check_first, f.danger),
                    e.rules_version,
                )
            )
    _insert(con, "evaluation", _EVALUATION, heads)
    _insert(con, "metric", _METRIC, metrics)
    _insert(con, "limit_result", _LIMIT, limits)
    _insert(con, "finding_row", _FINDING, findings)


def clear_evaluations(con: Connection, run_ids: Iterable[int]) -> None:
    """Removes everything derived about these runs; `stale_runs` then lists them."""
    ids = list(run_ids)
    if not ids:
        return
    for table in _DERIVED:
        if len(ids) == 1:
            con.execute(f"DELETE FROM {table} WHERE run_id = ?", ids)
        else:
            con.execute(
                f"DELETE FROM {table} WHERE run_id BETWEEN ? AND ? AND run_id IN (SELECT unnest(?::INTEGER[]))",
                [min(ids), max(ids), ids],
            )


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


def _known(run_id: int, channel: int | None, channels: dict[int, str]) -> None:
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


def _head(run_id: int, e: Any, channels: dict[int, str], now: Any) -> tuple[Any, ...]:
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


def _insert(con: Connection, table: str, types: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
    if not rows:
        return
    columns = ", ".join(f"unnest(?::{kind}[])" for kind in types)
    con.execute(f"INSERT INTO {table} SELECT {columns}", [list(column) for column in zip(*rows, strict=True)])
