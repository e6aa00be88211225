"""One run of the table as a recording: channels in their final units, faults and oddities listed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from ingest.reading import faults
from ingest.reading.plans import OFF_WORDS, Plan
from ingest.reading.repair import Timeline
from ingest.reading.table import Table
from ingest.recording import (
    Channel,
    Fault,
    FloatArray,
    Notice,
    Recording,
    quantise_elapsed,
    quantise_values,
)


def recording_of(
    table: Table, plans: Sequence[Plan], line: Timeline, a: int, b: int, start: datetime | None, zone_text: str | None
) -> Recording | None:
    rows = line.rows[a:b]
    elapsed = quantise_elapsed(line.seconds[a:b] - line.seconds[a])
    later = np.concatenate([[True], np.diff(elapsed) > 0])
    if not later.all():
        rows, elapsed = rows[later], elapsed[later]
    if len(rows) < 3:
        return None
    notices: list[Notice] = []
    steps = np.diff(elapsed)
    usual = float(np.median(steps))
    gaps = np.flatnonzero(steps > max(10.0, 8 * usual))
    if len(gaps):
        longest = int(gaps[np.argmax(steps[gaps])])
        notices.append(
            Notice(
                "gap",
                f"{len(gaps)} gaps between samples, the longest {steps[longest]:.0f} s at {elapsed[longest]:.0f} s.",
            )
        )
    channels = [c for c in (_channel(p, rows, elapsed) for p in plans) if c is not None]
    for channel in channels:
        unread = _unread(plans, channel.name, rows)
        if unread:
            notices.append(Notice("cells_unread", f"{channel.name}: {unread} cells could not be read and are missing."))
        spikes = faults.lone_spikes(channel.values) if channel.role == "temperature" else np.array([], dtype=int)
        if len(spikes):
            first = float(elapsed[spikes[0]])
            notices.append(
                Notice(
                    "spike",
                    f"{channel.name}: {len(spikes)} single samples leap away and back (first at {first:.1f} s); kept as written.",
                )
            )
    lines = table.lines[rows]
    return Recording(
        elapsed,
        tuple(channels),
        start,
        zone_text if start else None,
        int(lines.min()),
        int(lines.max()),
        tuple(notices),
    )


def _unread(plans: Sequence[Plan], name: str, rows: np.ndarray) -> int:
    """Cells with text that is neither a number nor a fault marker."""
    column = next(p.column for p in plans if p.column.name == name)
    if column.numbers is None or not column.marks:
        return 0
    known = faults.text_faults(column.marks)
    return len((set(column.marks) - set(known)) & set(rows.tolist()))


def _channel(plan: Plan, rows: np.ndarray, elapsed: FloatArray) -> Channel | None:
    column = plan.column
    reasons = tuple(plan.reasons)
    if column.numbers is None:
        texts = [str(column.cells[int(r)]).strip() for r in rows]
        if plan.role == "duty":
            values = np.array([np.nan if not t else float(t.lower() not in OFF_WORDS) for t in texts])
            return Channel(column.name, "duty", "on/off", values, confidence=plan.confidence, reasons=reasons)
        labels = tuple(dict.fromkeys(t for t in texts if t))
        if not labels:
            return None
        code = {t: float(i) for i, t in enumerate(labels)}
        return Channel(
            column.name,
            "state",
            "",
            np.array([code.get(t, np.nan) for t in texts]),
            labels=labels,
            confidence=plan.confidence,
            reasons=reasons,
        )
    seen: list[Fault] = []
    if plan.role in ("temperature", "reference_junction", "setpoint", "duty") or plan.celsius is not None:
        where = {int(r): k for k, r in enumerate(rows)} if column.marks else {}
        for row, (marker, kind) in faults.text_faults(column.marks).items():
            if row in where:
                seen.append(Fault(float(elapsed[where[row]]), marker, kind))
    if plan.celsius is not None:
        values = plan.celsius[rows]
        if plan.marked is not None and plan.marked[rows].any():
            assert plan.unit is not None
            written = plan.unit.to_celsius(column.numbers[rows])
            for k in np.flatnonzero(plan.marked[rows]):
                seen.append(
                    Fault(
                        float(elapsed[k]),
                        str(column.cells[int(rows[k])]).strip(),
                        faults.sentinel_kind(float(written[k])),
                    )
                )
        unit = plan.unit.text if plan.unit else ""
    elif plan.role == "state":
        raw = column.numbers[rows]
        known = sorted(set(raw[np.isfinite(raw)].tolist()))
        if len(known) > 256:
            return Channel(column.name, "other", "", quantise_values(raw), confidence=plan.confidence, reasons=reasons)
        code = {v: float(i) for i, v in enumerate(known)}
        values = np.array([code.get(v, np.nan) for v in raw.tolist()])
        return Channel(
            column.name,
            "state",
            "",
            values,
            labels=tuple(f"{v:g}" for v in known),
            confidence=plan.confidence,
            reasons=reasons,
        )
    else:
        scale = plan.unit.scale if plan.unit is not None and plan.unit.kind == "fraction" else 1.0
        values = column.numbers[rows] * scale
        unit = plan.unit.symbol if plan.unit is not None else ""
    seen.sort(key=lambda f: f.elapsed_s)
    return Channel(
        column.name,
        plan.role,
        unit,
        quantise_values(values),
        plan.judged,
        faults=tuple(seen),
        confidence=plan.confidence,
        reasons=reasons,
    )
