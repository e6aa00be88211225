"""Inspections from a sheet: a row a defect of a run, or one row with count 0 for a run that was looked at and clean.

Columns `file` or `run`, `defect`, `count`, `inspected` (joints looked at) and optionally `boards`, `ref_des`, `side`,
`method`, `who`. Rows of one run make one inspection. A run without a row was not inspected. Every wrong line is listed;
with one of them nothing is stored.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.commands.sheets import Row, read_sheet, whole_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.archive import Archive

SIDES = ("left", "right", "front", "back", "centre")
METHODS = ("naked eye", "loupe", "microscope", "automated optical", "x-ray", "electrical", "other")
NEEDED = ("file or run", "defect", "count", "inspected")


@dataclass
class SheetInspection:
    """All rows of one run. `lines` are the sheet's line numbers, for messages."""

    run: int
    joints: int | None = None
    boards: int | None = None
    method: str = "naked eye"
    who: str | None = None
    defects: list[dict[str, Any]] = field(default_factory=list[dict[str, Any]])
    lines: list[int] = field(default_factory=list[int])


def read_inspections(archive: Archive, sheet: str | Path) -> tuple[list[SheetInspection], list[str]]:
    """The inspections of a sheet, and every problem as a line of text that names the sheet's line.

    Raises Refusal when the sheet cannot be read at all or lacks a needed column.
    """
    rows = read_sheet(sheet, NEEDED)
    runs = archive.read("SELECT run, log_file, part FROM run_overview ORDER BY run")
    known = {int(run) for run in runs["run"]}
    by_file: dict[str, list[int]] = {}
    for run, name in zip(runs["run"], runs["log_file"], strict=True):
        for key in {str(name), Path(str(name)).name}:
            by_file.setdefault(key, []).append(int(run))
    inspections: dict[int, SheetInspection] = {}
    problems: list[str] = []
    for line, row in rows:
        try:
            run = _run_of(row, known, by_file)
            _add_row(inspections.setdefault(run, SheetInspection(run)), row, line)
        except ValueError as problem:
            problems.append(f"line {line}: {problem}")
    return [inspections[run] for run in sorted(inspections)], problems


def store_inspections(
    archive: Archive, inspections: Sequence[SheetInspection], who: str | None, at: Any = None
) -> None:
    """All in one transaction. `at` (aware) is when the boards were looked at; None: the run's start, as far as known."""
    from datetime import UTC, datetime

    from ingest.archive import quality

    starts = archive.read("SELECT run, started_at FROM run_overview WHERE started_at IS NOT NULL")
    started = {int(run): start for run, start in zip(starts["run"], starts["started_at"], strict=True)}
    with archive.transaction() as con:
        for inspection in inspections:
            start = started.get(inspection.run)
            when = at or (start.to_pydatetime().replace(tzinfo=UTC) if start is not None else datetime.now(UTC))
            quality.add_inspection(
                con,
                inspection.run,
                inspection.method,
                scope=None,
                boards_looked=inspection.boards,
                joints_looked=inspection.joints,
                who=inspection.who or who,
                at=when,
                origin="imported",
                defects=inspection.defects,
            )


def _run_of(row: Row, known: set[int], by_file: dict[str, list[int]]) -> int:
    if row.get("run"):
        text = row["run"].removeprefix("#")
        if not text.isdigit() or int(text) not in known:
            raise ValueError(f"there is no run '{row['run']}'")
        return int(text)
    name = row.get("file", "")
    if not name:
        raise ValueError("neither file nor run is given")
    found = by_file.get(name) or by_file.get(Path(name).name) or []
    if not found:
        raise ValueError(f"no run came from a file '{name}'")
    if len(found) > 1:
        raise ValueError(f"'{name}' gave several runs ({', '.join(map(str, found))}): name the run instead")
    return found[0]


def _add_row(inspection: SheetInspection, row: Row, line: int) -> None:
    count = whole_number(row, "count") or 0
    for attribute, column in (("joints", "inspected"), ("boards", "boards")):
        value = whole_number(row, column)
        earlier = getattr(inspection, attribute)
        if value is not None and earlier is not None and value != earlier:
            raise ValueError(f"run {inspection.run} has two different values of {column}: {earlier} and {value}")
        if value is not None:
            setattr(inspection, attribute, value)
    if inspection.joints is None and inspection.boards is None:
        raise ValueError("says nothing of how much was looked at (inspected)")
    if inspection.joints == 0 or inspection.boards == 0:
        raise ValueError("nothing was looked at; leave out runs that were not inspected")
    side = row.get("side", "").lower() or None
    if side not in (None, *SIDES):
        raise ValueError(f"'{side}' is not a side of the oven: {', '.join(SIDES)}")
    method = row.get("method", "").lower()
    if method and method not in METHODS:
        raise ValueError(f"'{method}' is not a method: {', '.join(METHODS)}")
    inspection.method = method or inspection.method
    inspection.who = row.get("who") or inspection.who
    if count > 0:
        term = row.get("defect", "")
        if not term:
            raise ValueError(f"counts {count} but names no defect")
        inspection.defects.append({"term": term, "count": count, "ref_des": row.get("ref_des") or None, "side": side})
    inspection.lines.append(line)
