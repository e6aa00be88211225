"""From decoded text to a reading: the steps in order, and what is said about each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ingest.reading.channels import recording_of
from ingest.reading.clock import Clock, settle_clock
from ingest.reading.columns import plan_columns
from ingest.reading.decode import DAMAGED, Decoded
from ingest.reading.dialect import find_dialect
from ingest.reading.find_clock import Found, find_clock
from ingest.reading.layout import Answers, fingerprint, plain, remembered_answers
from ingest.reading.line_dress import undressed, without_prefix
from ingest.reading.long_layout import to_wide
from ingest.reading.physics import HEATED_C, plausible_rise, rise_count
from ingest.reading.plans import Planned
from ingest.reading.preamble import read_preamble
from ingest.reading.repair import repair
from ingest.reading.representative import busy_rows, representative_curve
from ingest.reading.rows import build_table
from ingest.reading.runs import split_runs
from ingest.reading.serial_text import json_lines, serial_table
from ingest.reading.starts import wall_starts_of
from ingest.reading.table import Table
from ingest.recording import (
    LayoutFound,
    Notice,
    Question,
    Reading,
)

HEAD_LINES = 12
LONGEST_ROW = 4096  # 300 columns of 13 characters
WIDEST = 400  # columns; a table with more is no run log
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
    if len(text) > LONGEST_ROW and max(map(len, lines)) > LONGEST_ROW:
        long = sum(len(ln) > LONGEST_ROW for ln in lines)
        if 2 * long > len(lines):
            return Reading(
                "rejected",
                f"not a log: lines of more than {LONGEST_ROW} characters",
                notices=notices,
                metadata=metadata,
            )
        lines = [ln if len(ln) <= LONGEST_ROW else DAMAGED for ln in lines]
        notices = (*notices, Notice("long_lines", f"{long} lines of more than {LONGEST_ROW} characters were left out."))
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
    if trailer:
        for key, value in read_preamble(trailer, table.delimiter).pairs.items():
            pre.pairs.setdefault(key, value)
    metadata = {**metadata, **{k: v[:300] for k, v in list(pre.pairs.items())[:80]}}
    found = find_clock(table)
    if found.wall is not None:
        steps = np.diff(found.wall.seconds)
        usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        if usual > SLOWEST_S and float((steps > 0).mean()) > 0.5:
            return refuse(f"not an oven run: its samples lie {usual:.0f} s apart")
    mark = fingerprint(table, _clock_form(found))
    answers = Answers(remembered_answers(mark, layouts), given)
    planned = plan_columns(table, found.used, pre.temperature_unit, answers)
    if planned.refusal is not None:
        return refuse(planned.refusal)
    said += planned.notices
    questions = [q for q in table.asked if q.id not in answers] + planned.questions
    raw_curve = representative_curve(planned.plans, table.rows)
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
    line = repair(clock, raw_curve, matrix, answers)
    if line.refusal is not None:
        return refuse(line.refusal)
    if len(line.rows) < 5:
        return refuse("too few samples to be a run")
    split = split_runs(line, raw_curve[line.rows], busy_rows(planned.plans, line), table.breaks, answers)
    said += line.notices + split.notices
    still = line.questions + split.questions
    if still:
        return replace(held, questions=tuple(still), notices=tuple(said))
    for a, b in split.runs:
        rise = rise_count(line.seconds[a:b], raw_curve[line.rows[a:b]])
        if np.isfinite(rise) and plausible_rise(rise) == 0.0 and "time_unit" not in answers.given:
            text = f"Heating to the peak would take {rise:.0f} s, which is no oven run. In which unit is the clock?"
            return replace(
                held, questions=(Question("time_unit", text, ("s", "ms", "min", "sample number")),), notices=tuple(said)
            )
    start_questions, starts, zone_text, more = wall_starts_of(split, line, table, clock, pre, zone, answers)
    said += more
    if start_questions:
        return replace(held, questions=tuple(start_questions), notices=tuple(said))
    recordings = [
        r
        for r in (
            recording_of(table, planned.plans, line, a, b, start, zone_text)
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
    filled = sum(map(bool, map(str.strip, lines)))
    if filled == 0:
        return "empty"
    lines = undressed(lines)
    serial = serial_table(lines, ends_cleanly)
    if serial is not None:
        return to_wide(serial)
    dialect = find_dialect(lines)
    if dialect is not None and dialect.columns > WIDEST:
        return f"not a log: a table of {dialect.columns} columns"
    if (dialect is None or dialect.share < 0.75) and (bare := without_prefix(lines)) is not None:
        other = find_dialect(bare)
        if other is not None and (dialect is None or other.share > dialect.share):
            lines, dialect = bare, other
    table = build_table(lines, dialect, ends_cleanly) if dialect is not None else None
    if table is None:
        return "no table of numbers found" if filled > 2 else "only a header or a single line"
    if table.rows < 5:
        return f"too few samples to be a run ({table.rows})"
    return to_wide(table)


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


def _clock_form(found: Found) -> str:
    if found.wall is not None:
        return f"wall {found.wall.shape} {found.elapsed is not None}"
    if found.day_clock is not None:
        return f"clock {found.day_clock.shape}"
    return "counter" if found.elapsed is not None else "index"


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
