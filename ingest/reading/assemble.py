"""From decoded text to a reading: the steps in order, and what is said about each."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ingest.reading import faults
from ingest.reading.clock import Clock, find_clock, settle_clock
from ingest.reading.columns import Plan, Planned, plan_columns
from ingest.reading.decode import Decoded
from ingest.reading.dialect import find_dialect, unframed
from ingest.reading.layout import fingerprint, plain, remembered_answers
from ingest.reading.long_layout import to_wide
from ingest.reading.physics import HEATED_C, plausible_rise, rise_count
from ingest.reading.preamble import Preamble, read_preamble
from ingest.reading.repair import UNSET_BEFORE, Timeline, repair
from ingest.reading.runs import Split, split_runs
from ingest.reading.serial_text import json_lines, serial_table
from ingest.reading.stamps import zone_hours
from ingest.reading.table import Table, build_table
from ingest.recording import (
    Channel,
    Fault,
    FloatArray,
    LayoutFound,
    Notice,
    Question,
    Reading,
    Recording,
    quantise_elapsed,
    quantise_values,
)

HEAD_LINES = 12
SLOWEST_S = 120.0  # a run of some minutes has no shape at this interval


def read_text(
    decoded: Decoded,
    given: Mapping[str, str],
    layouts: Sequence[LayoutFound],
    zone: str,
    metadata: dict[str, str],
    notices: tuple[Notice, ...],
) -> Reading:
    text = decoded.text
    if text.lstrip()[:1] in ("[", "{"):
        text = json_lines(text) or text
    lines = text.split("\n")
    head = tuple(ln[:200] for ln in lines[: 4 * HEAD_LINES] if ln.strip())[:HEAD_LINES]
    said = list(notices + decoded.notices)

    def refuse(reason: str) -> Reading:
        return Reading("rejected", reason, notices=tuple(said), metadata=metadata, head=head)

    table = _table_of(lines, text.endswith("\n"))
    if isinstance(table, str):
        return refuse(table)
    said += table.notices
    if table.asked and given.get("columns"):
        _name_columns(table, given["columns"])
    pre = read_preamble((ln for row, block in table.blocks if row == 0 for ln in block), table.delimiter)
    trailer = [ln for row, block in table.blocks if row > 0 for ln in block]
    for key, value in read_preamble(trailer, table.delimiter).pairs.items():
        pre.pairs.setdefault(key, value)
    metadata = {**metadata, **{k: v[:300] for k, v in list(pre.pairs.items())[:80]}}
    found = find_clock(table)
    if found.wall is not None:
        steps = np.diff(found.wall.seconds)
        usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        if usual > SLOWEST_S and float((steps > 0).mean()) > 0.5:
            return refuse(f"not an oven run: its samples lie {usual:.0f} s apart")
    mark = fingerprint(table, _clock_form(table, found))
    answers = {**remembered_answers(mark, layouts), **given}
    planned = plan_columns(table, found.used, pre.temperature_unit, answers)
    if planned.refusal is not None:
        return refuse(planned.refusal)
    said += planned.notices
    questions = [q for q in table.asked if q.id not in answers] + planned.questions
    raw_curve = _curve(planned.plans, table.rows)
    if raw_curve is not None and not questions and not float(np.nanmax(raw_curve)) >= HEATED_C:
        return refuse(f"no oven run: no temperature above {float(np.nanmax(raw_curve)):.0f} °C")
    clock = settle_clock(table, found, pre, raw_curve, answers)
    if clock.refusal is not None:
        return refuse(clock.refusal)
    said += clock.notices
    questions += clock.questions
    layout = LayoutFound(mark, _decisions(table, decoded, planned, clock, answers))
    held = Reading("held", questions=tuple(questions), notices=tuple(said), metadata=metadata, layout=layout, head=head)
    if questions:
        return held
    assert raw_curve is not None
    matrix = np.column_stack([c.numbers for c in table.columns if c.numbers is not None])
    line = repair(clock, raw_curve, matrix, table.breaks, answers)
    if len(line.rows) < 5:
        return refuse("too few samples to be a run")
    split = split_runs(line, raw_curve[line.rows], _busy(planned.plans, line), table.breaks, answers)
    said += line.notices + split.notices
    still = line.questions + split.questions
    if still:
        return replace(held, questions=tuple(still), notices=tuple(said))
    for a, b in split.runs:
        rise = rise_count(line.seconds[a:b], raw_curve[line.rows[a:b]])
        if np.isfinite(rise) and plausible_rise(rise) == 0.0 and "time_unit" not in answers:
            text = f"Heating to the peak would take {rise:.0f} s, which is no oven run. In which unit is the clock?"
            return replace(
                held, questions=(Question("time_unit", text, ("s", "ms", "min", "sample number")),), notices=tuple(said)
            )
    start_questions, starts, zone_text, more = _starts(split, line, table, clock, pre, zone, answers)
    said += more
    if start_questions:
        return replace(held, questions=tuple(start_questions), notices=tuple(said))
    recordings = [
        r
        for r in (
            _recording(table, planned.plans, line, a, b, start, zone_text)
            for (a, b), start in zip(split.runs, starts, strict=True)
        )
        if r is not None
    ]
    if not recordings:
        return refuse("no oven run: no stretch that heats up")
    return Reading(
        "read", notices=tuple(said), metadata=metadata, recordings=tuple(recordings), layout=layout, head=head
    )


def _table_of(lines: Sequence[str], ends_cleanly: bool) -> Table | str:
    filled = sum(1 for ln in lines if ln.strip())
    if filled == 0:
        return "empty"
    lines = _without_checksums(lines)
    serial = serial_table(lines, ends_cleanly)
    if serial is not None:
        return to_wide(serial)
    lines = unframed(lines)
    dialect = find_dialect(lines)
    table = build_table(lines, dialect, ends_cleanly) if dialect is not None else None
    if table is None:
        return "no table of numbers found" if filled > 2 else "only a header or a single line"
    if table.rows < 5:
        return f"too few samples to be a run ({table.rows})"
    return to_wide(table)


_CHECKSUM = re.compile(r"\*[0-9A-Fa-f]{2}\s*$")


def _without_checksums(lines: Sequence[str]) -> Sequence[str]:
    """Lines that end in `*` and a two-digit checksum, without it."""
    sample = lines[:: max(1, len(lines) // 20)]
    if sum(bool(_CHECKSUM.search(ln)) for ln in sample) < 0.7 * len(sample):
        return lines
    return [_CHECKSUM.sub("", ln).removeprefix("$") for ln in lines]


def _name_columns(table: Table, answer: str) -> None:
    """Column names as answered: a side, or all names separated by commas."""
    width = len(table.columns)
    told = [n.strip() for n in answer.split(",")]
    if len(told) == width:
        names = told
    elif "right" in answer.lower():
        lacking = [f"column {i + 1}" for i in range(width - len(table.header))]
        names = [*lacking, *table.header][-width:]
    else:
        return
    for column, name in zip(table.columns, names, strict=True):
        column.name = name


def _clock_form(table: Table, found) -> str:
    if found.wall is not None:
        return f"wall {found.wall.shape} {found.elapsed is not None}"
    if found.day_clock is not None:
        return f"clock {found.day_clock.shape}"
    return "counter" if found.elapsed is not None else "index"


def _curve(plans: Sequence[Plan], rows: int) -> FloatArray | None:
    """Median over the measured channels [°C] per row, markers left out; the representative curve for clock and runs. Fills
    `plan.celsius` on the way."""
    stack: list[FloatArray] = []
    for plan in plans:
        if plan.column.numbers is None or plan.unit is None or plan.unit.kind != "temperature":
            continue
        celsius = plan.unit.to_celsius(plan.column.numbers)
        plan.celsius = celsius
        if plan.role in ("temperature", "reference_junction", "other"):
            marked = faults.sentinel_rows(plan.column.numbers, celsius)
            plan.marked = marked
            if marked.any():
                plan.celsius = celsius = np.where(marked, np.nan, celsius)
        if plan.role == "temperature" and np.isfinite(celsius).any():
            stack.append(celsius)
    if not stack:
        return None
    moving = [c for c in stack if float(np.nanmax(c)) - float(np.nanmin(c)) > 20.0] or stack
    if len(moving) == 1:
        return moving[0]
    matrix = np.array(moving)
    if np.isfinite(matrix).all():
        return np.median(matrix, axis=0) if len(moving) > 2 else matrix.max(axis=0)
    out = np.full(rows, np.nan)
    some = np.isfinite(matrix).any(axis=0)
    out[some] = np.nanmedian(matrix[:, some], axis=0)
    return out


def _busy(plans: Sequence[Plan], line: Timeline) -> np.ndarray | None:
    """True where heater or set point show that a run is on; None when the log has neither."""
    busy: np.ndarray | None = None
    for plan in plans:
        if plan.role == "duty" and plan.column.numbers is not None:
            here = plan.column.numbers[line.rows] > 0
        elif plan.role == "setpoint" and plan.celsius is not None:
            here = plan.celsius[line.rows] > 45.0
        else:
            continue
        busy = here if busy is None else busy | here
    return busy


def _starts(
    split: Split, line: Timeline, table: Table, clock: Clock, pre: Preamble, zone: str, answers: Mapping[str, str]
) -> tuple[list[Question], list[datetime | None], str | None, list[Notice]]:
    """Wall-clock start of each run in UTC, and the zone the stamps were read in."""
    notices: list[Notice] = []
    wall_starts: list[float | None] = [None] * len(split.runs)
    offset_s, zone_text = clock.offset_s, None
    if line.wall is not None:
        for k, (a, _b) in enumerate(split.runs):
            value = float(line.wall[a])
            wall_starts[k] = value if np.isfinite(value) else None
    elif pre.started is not None and split.runs:
        if {"dmy", "mdy"} == set(pre.started.readings) and clock.day_first:
            pre.started.readings = {"dmy": pre.started.readings["dmy"]}
            pre.started.seconds = pre.started.readings["dmy"]
        if len(pre.started.readings) > 1 and not answers.get("date_order"):
            choices = tuple(
                {"dmy": "day first", "mdy": "month first", "ymd": "year first"}[o] for o in pre.started.readings
            )
            return (
                [
                    Question(
                        "date_order",
                        "Which comes first in the start date of this log, the day or the month?",
                        choices,
                        choices[0],
                    )
                ],
                [],
                None,
                [],
            )
        seconds = pre.started.seconds
        said = answers.get("date_order", "").lower().replace("-", " ")
        for order, values in pre.started.readings.items():
            if said and {"dmy": "day", "mdy": "month", "ymd": "year"}[order] in said or said == order:
                seconds = values
        first = split.runs[0][0]
        base = (
            float(line.seconds[first])
            if not clock.of_day or float(line.seconds[0]) < 60
            else float(line.seconds[first] - line.seconds[0])
        )
        if first == 0 and base > 86400:
            base = 0.0
        wall_starts[0] = float(seconds[0]) + base
        offset_s = pre.started.offset_s
        clock.zone_text = pre.started.zone
    if line.wall is None:
        _later_starts(split, line, table, clock, wall_starts)
    unset = [k for k, w in enumerate(wall_starts) if w is not None and w < UNSET_BEFORE]
    if unset:
        notices.append(
            Notice(
                "clock_never_set",
                "The controller's clock was never set; the time of the run is unknown, the time within it is kept.",
            )
        )
        for k in unset:
            wall_starts[k] = None
    starts: list[datetime | None] = []
    named_zone: ZoneInfo | None = None
    if offset_s is None and any(w is not None for w in wall_starts):
        stated = pre.zone
        hours = zone_hours(stated) if stated else None
        if hours is not None:
            offset_s, zone_text = hours * 3600.0, _offset_text(hours * 3600.0)
            wall_starts = [w - hours * 3600.0 if w is not None else None for w in wall_starts]
        else:
            named_zone = _zone(stated) if stated else None
            if named_zone is None:
                named_zone = _zone(zone) or ZoneInfo("UTC")
                notices.append(Notice("zone_assumed", f"The stamps name no zone; they were read as {named_zone.key}."))
            zone_text = named_zone.key
    elif offset_s is not None:
        zone_text = "UTC" if offset_s == 0 else _offset_text(offset_s)
    for w in wall_starts:
        if w is None:
            starts.append(None)
        elif named_zone is not None:
            naive = datetime(1970, 1, 1) + timedelta(seconds=round(w, 6))
            starts.append(naive.replace(tzinfo=named_zone).astimezone(UTC))
        else:
            starts.append(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(w, 6)))
    return [], starts, zone_text if any(s is not None for s in starts) else None, notices


def _later_starts(split: Split, line: Timeline, table: Table, clock: Clock, wall_starts: list[float | None]) -> None:
    """Start stamps written above later blocks of the same file."""
    for k, (a, _b) in enumerate(split.runs):
        row = int(line.rows[a])
        before = int(line.rows[split.runs[k - 1][0]]) if k else -1
        texts = [text for r, text in table.blocks if max(0, before) < r <= row]
        if wall_starts[k] is not None or not texts or a not in line.starts:
            continue
        own = read_preamble(texts[-1], table.delimiter).started
        if own is None:
            continue
        readings = {"dmy": own.readings["dmy"]} if clock.day_first and "dmy" in own.readings else own.readings
        if len(readings) == 1:
            wall_starts[k] = float(next(iter(readings.values()))[0]) + float(line.seconds[a])


def _zone(name: str | None) -> ZoneInfo | None:
    try:
        return ZoneInfo(name.strip()) if name else None
    except (KeyError, ValueError, OSError):
        return None


def _offset_text(seconds: float) -> str:
    zone = timezone(timedelta(seconds=seconds))
    return zone.tzname(None).removeprefix("UTC") or "UTC"


def _recording(
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
        spikes = faults.lone_spikes(channel.values) if channel.role == "temperature" else ()
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
        texts = [column.cells[r].strip() for r in rows]
        if plan.role == "duty":
            on = {"on", "ein", "true", "1", "an", "yes"}
            values = np.array([np.nan if not t else float(t.lower() in on) for t in texts])
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
                    Fault(float(elapsed[k]), column.cells[rows[k]].strip(), faults.sentinel_kind(float(written[k])))
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


def _decisions(
    table: Table, decoded: Decoded, planned: Planned, clock: Clock, answers: Mapping[str, str]
) -> dict[str, Any]:
    return plain(
        {
            "encoding": decoded.encoding,
            "kind": table.kind,
            "delimiter": table.delimiter,
            "decimal": table.decimal,
            "table_reason": table.reason,
            "header": [c.name for c in table.columns],
            "clock": {"form": clock.form, "reasons": clock.reasons},
            "columns": [
                {
                    "name": p.column.name,
                    "role": p.role,
                    "unit": p.unit.text if p.unit else "",
                    "judged": p.judged,
                    "confidence": p.confidence,
                    "reasons": p.reasons,
                }
                for p in planned.plans
            ],
            "answers": dict(answers),
        }
    )
