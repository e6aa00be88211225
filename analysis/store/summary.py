"""One run as the plain object of `ovenbook show N --json`."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from analysis.quantities import QUANTITIES

if TYPE_CHECKING:
    from ingest.archive import Archive

_ORDER = {name: i for i, name in enumerate(QUANTITIES)}
_FIELDS = (
    "oven",
    "profile",
    "paste",
    "jar",
    "lot",
    "board",
    "board_revision",
    "kind",
    "orientation",
    "load_count",
    "operator",
    "firmware",
    "ambient_c",
    "serials",
    "end_reason",
    "note",
    "started_at",
    "zone",
    "setpoint_hash",
)
_LIMIT = ("metric", "low", "high", "source", "revision", "verdict", "margin", "unit")
_STATE_ORDER = {"fail": 0, "suspect": 1, "missing": 2, "not evaluated": 3, "good": 4}


def run_summary(archive: Archive, run_id: int) -> dict[str, Any]:
    """The run as plain values; see design.md, section 4, for the keys, and `reason` says why a verdict is what it is.

    A run that was never evaluated says so. Raises ArchiveError when there is no such run.
    """
    with archive.connect() as con:
        cursor = con.execute("SELECT * FROM run_overview WHERE run = ?", [run_id])
        names = [column[0] for column in cursor.description or ()]
        row = cursor.fetchone()
        if row is None:
            from ingest.archive.errors import ArchiveError

            raise ArchiveError(f"there is no run {run_id}")
        run = dict(zip(names, row, strict=True))
        origins = dict(con.execute("SELECT field, origin FROM run_origin WHERE run_id = ?", [run_id]).fetchall())
        metrics = con.execute(
            """SELECT m.metric, c.name, m.value, m.uncertainty, m.unit, m.status, m.reason, m.parameters
               FROM metric m LEFT JOIN channel c ON c.run_id = m.run_id AND c.channel_no = m.channel_no
               WHERE m.run_id = ? ORDER BY m.channel_no NULLS FIRST, m.parameters""",
            [run_id],
        ).fetchall()
        limits = con.execute(
            """SELECT metric, low, high, source, revision, verdict, margin, unit, parameters FROM limit_result
               WHERE run_id = ? ORDER BY rowid""",
            [run_id],
        ).fetchall()
        findings = con.execute(
            """SELECT f.code, c.name, f.state, f.evidence, f.meaning, f.check_first, f.danger
               FROM finding_row f LEFT JOIN channel c ON c.run_id = f.run_id AND c.channel_no = f.channel_no
               WHERE f.run_id = ? ORDER BY f.rowid""",
            [run_id],
        ).fetchall()
    metrics.sort(key=lambda m: _ORDER.get(m[0], len(_ORDER)))
    findings.sort(key=lambda f: (f[6] == "", _STATE_ORDER.get(f[2], 5)))
    keys = ("metric", "channel", "value", "uncertainty", "unit", "status", "reason")
    verdict = run["verdict"]
    limiting = None
    if run["limiting_metric"] is not None:
        limiting = {key: run[f"limiting_{key}"] for key in ("metric", "channel", "margin", "unit")}
    return {
        "run": run_id,
        "verdict": verdict or "not evaluated",
        "reason": run["reason"] if verdict is not None else "the run has not been evaluated yet",
        "limiting": limiting,
        "metrics": [dict(zip(keys, m, strict=False)) | {"parameters": json.loads(m[7])} for m in metrics],
        "limits": [dict(zip(_LIMIT, x[:-1], strict=True)) | {"parameters": json.loads(x[-1])} for x in limits],
        "findings": [
            dict(zip(("code", "channel", "state", "evidence", "meaning", "check_first", "danger"), f, strict=True))
            for f in findings
        ],
        "metadata": {
            field: {"value": _plain(run[field]), "origin": _origin(field, run[field], origins)} for field in _FIELDS
        },
    }


def _origin(field: str, value: Any, origins: dict[str, str]) -> str:
    """Lot and board revision come with the jar and the board; a value without an origin is unknown."""
    source = {"lot": "jar", "board_revision": "board"}.get(field, field)
    return origins.get(source, "unknown" if value is None else "derived")


def _plain(value: Any) -> Any:
    """Times as ISO 8601 with their offset, +00:00, as imports print them; everything else is plain already."""
    return value.replace(tzinfo=UTC).isoformat() if isinstance(value, datetime) else value
