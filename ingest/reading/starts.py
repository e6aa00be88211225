"""Wall-clock start of each run: from the stamps, else from a start written in the preamble or above its block; in UTC."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np

from ingest.reading.clock import Clock
from ingest.reading.preamble import Preamble, read_preamble
from ingest.reading.repair import UNSET_BEFORE, Timeline
from ingest.reading.runs import Split
from ingest.reading.stamps import zone_hours
from ingest.reading.table import Table
from ingest.recording import (
    Notice,
    Question,
)

LATEST = 4102444800.0  # 2100-01-01: a later stamp is damage


def wall_starts_of(
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
            if (said and {"dmy": "day", "mdy": "month", "ymd": "year"}[order] in said) or said == order:
                seconds = values
        first = split.runs[0][0]
        began = float(line.seconds[0])
        since_power_up = clock.of_day or abs(began) > 10.0  # then the start is that of the first sample
        base = float(line.seconds[first]) - (began if since_power_up else 0.0)
        wall_starts[0] = float(seconds[0]) + base
        offset_s = pre.started.offset_s
        clock.zone_text = pre.started.zone
    if line.wall is None:
        _later_starts(split, line, table, clock, wall_starts)
    wall_starts = [w if w is not None and abs(w) < LATEST else None for w in wall_starts]
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
    if line.wall is not None and clock.wall_resolution_s >= 60.0 and any(w is not None for w in wall_starts):
        notices.append(
            Notice("start_coarse", "The stamps tell only the minute; the start may be up to a minute later.")
        )
    starts: list[datetime | None] = []
    named_zone: ZoneInfo | None = None
    if offset_s is None and any(w is not None for w in wall_starts):
        stated = answers.get("zone") or pre.zone
        if stated is None and clock.zone_text:
            text = (
                f"The stamps are in {clock.zone_text}, which means different places. Which zone is it "
                "(for example America/Chicago or +08:00)?"
            )
            return [Question("zone", text)], [], None, []
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
