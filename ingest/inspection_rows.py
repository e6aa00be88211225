"""The rows of a sheet of inspections become inspections of runs: every wrong line is named, none is counted twice."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from ingest.archive.quality import METHODS, SIDES, add_inspection
from ingest.archive.sheet_layouts import note_sheet, remember_sheet, sheet_imported
from ingest.defect_terms import is_nothing
from ingest.inspection_sheets import ASKED, NONE, NUMBER, SheetRead

if TYPE_CHECKING:
    from ingest.archive import Archive

_METHOD_WORDS = {
    "aoi": "automated optical",
    "optical": "automated optical",
    "axi": "x-ray",
    "xray": "x-ray",
    "x ray": "x-ray",
    "eye": "naked eye",
    "visual": "naked eye",
    "magnifier": "loupe",
    "test": "electrical",
}


@dataclass
class SheetInspection:
    """All rows of one run, or of one board of it where the sheet gives serials. `lines`: the sheet's line numbers."""

    run: int
    serial: str | None = None
    joints: int | None = None
    boards: int | None = None
    method: str = "naked eye"
    who: str | None = None
    scope: str | None = None
    defects: list[dict[str, Any]] = field(default_factory=list[dict[str, Any]])
    lines: list[int] = field(default_factory=list[int])


@dataclass(frozen=True)
class Stored:
    """What became of a sheet. `duplicate_of`: when this very sheet was imported before (nothing is stored then)."""

    inspections: int
    clean: int
    defects: int
    already_there: int
    duplicate_of: str | None = None


def inspections_of(archive: Archive, sheet: SheetRead) -> tuple[list[SheetInspection], list[str]]:
    """The inspections of a sheet without open questions, and every wrong line as a line of text."""
    runs = archive.read("SELECT run, log_file, part, serials FROM run_overview ORDER BY run")
    known = {int(run) for run in runs["run"]}
    by_file: dict[str, list[int]] = {}
    by_serial: list[tuple[str, int]] = []
    for run, log_file, serials in zip(runs["run"], runs["log_file"], runs["serials"], strict=True):
        for key in {str(log_file), _file_name(str(log_file))}:
            by_file.setdefault(key, []).append(int(run))
        if isinstance(serials, str):
            by_serial.append((serials, int(run)))
    found: dict[tuple[int, str], SheetInspection] = {}
    problems: list[str] = []
    for line, row in sheet.rows:
        try:
            run = _run_of(sheet, row, known, by_file, by_serial)
            serial = sheet.cell(row, "serial")
            one = found.setdefault((run, serial), SheetInspection(run, serial or None))
            _add_row(sheet, one, row, line)
        except ValueError as problem:
            problems.append(f"line {line}: {problem}")
    return [found[key] for key in sorted(found)], problems


def store_sheet(archive: Archive, sheet: SheetRead, inspections: Sequence[SheetInspection], who: str | None) -> Stored:
    """All inspections in one transaction, with the answers remembered.

    The same sheet again stores nothing. An inspection that is there already with the same method, amounts and defects
    (a sheet that grew) is not stored twice. When the boards were looked at is not in the sheet: the run's start, as far
    as known.
    """
    with archive.transaction() as con:
        earlier = sheet_imported(con, sheet.sha256)
        if earlier is not None:
            return Stored(0, 0, 0, len(inspections), earlier)
        stored, there = store_inspections(con, inspections, who)
        asked = {role: sheet.columns.get(role, NONE) for role in (*ASKED, "run", "file", "serial") if role != "where"}
        remember_sheet(con, sheet.fingerprint, {k: v for k, v in asked.items() if v != NONE or k in ASKED}, who)
        note_sheet(con, sheet.sha256, sheet.name, len(stored), who)
    return Stored(
        len(stored),
        sum(not i.defects for i in stored),
        sum(int(d["count"]) for i in stored for d in i.defects),
        there,
    )


def store_inspections(
    con: Any, inspections: Sequence[SheetInspection], who: str | None, at: datetime | None = None
) -> tuple[list[SheetInspection], int]:
    """Stores on an open transaction; returns those stored and how many were there already."""
    started = {
        int(run): start
        for run, start in con.execute("SELECT run_id, started_at FROM run WHERE started_at IS NOT NULL").fetchall()
    }
    kept = _kept(con)
    stored, there = [], 0
    for one in inspections:
        if _mark(one.run, one.serial, one.method, one.joints, one.boards, one.defects) in kept:
            there += 1
            continue
        start = started.get(one.run)
        when = at or (start.replace(tzinfo=UTC) if start is not None else datetime.now(UTC))
        add_inspection(
            con,
            one.run,
            one.method,
            scope=one.scope,
            boards_looked=one.boards,
            joints_looked=one.joints,
            serial=one.serial,
            who=one.who or who,
            at=when,
            origin="imported",
            defects=one.defects,
        )
        stored.append(one)
    return stored, there


def _file_name(path: str) -> str:
    return PurePosixPath(path.replace("\\", "/")).name


def _run_of(
    sheet: SheetRead,
    row: Mapping[str, str],
    known: set[int],
    by_file: Mapping[str, list[int]],
    by_serial: Sequence[tuple[str, int]],
) -> int:
    if text := sheet.cell(row, "run"):
        digits = text.removeprefix("#")
        if not digits.isdigit() or int(digits) not in known:
            raise ValueError(f"there is no run '{text}'")
        return int(digits)
    if name := sheet.cell(row, "file"):
        found = by_file.get(name) or by_file.get(_file_name(name)) or []
        if not found:
            raise ValueError(f"no run came from a file '{name}'")
        if len(found) > 1:
            raise ValueError(f"'{name}' gave several runs ({', '.join(map(str, found))}): name the run instead")
        return found[0]
    if serial := sheet.cell(row, "serial"):
        with_it = [run for serials, run in by_serial if serial_within(serial, serials)]
        if not with_it:
            raise ValueError(f"no run carried a board with the serial '{serial}'")
        if len(with_it) > 1:
            runs = ", ".join(map(str, with_it))
            raise ValueError(f"the serial '{serial}' was in several runs ({runs}): name the run instead")
        return with_it[0]
    raise ValueError("neither file nor run is given")


def serial_within(serial: str, serials: str) -> bool:
    """True when a run's serials ("0101-0112, 0120") hold this one. Ranges count only where both ends are numbers."""
    for part in re.split(r"[,;\s]+(?!-)", serials.strip()):
        ends = re.fullmatch(r"(\D*)(\d+)\s*-\s*(\D*)(\d+)", part)
        one = re.fullmatch(r"(\D*)(\d+)", serial)
        if part == serial:
            return True
        if (
            ends
            and one
            and one[1] == ends[1]
            and ends[3] in ("", ends[1])
            and int(ends[2]) <= int(one[2]) <= int(ends[4])
        ):
            return True
    return False


def _add_row(sheet: SheetRead, inspection: SheetInspection, row: Mapping[str, str], line: int) -> None:
    term = sheet.cell(row, "defect")
    nothing = is_nothing(term)
    counted = _whole_number(sheet, row, "count")
    count = counted if counted is not None else (0 if nothing or "count" in sheet.columns else 1)
    for attribute, role in (("joints", "inspected"), ("boards", "boards")):
        value = _whole_number(sheet, row, role)
        earlier = getattr(inspection, attribute)
        if value is not None and earlier is not None and value != earlier:
            raise ValueError(
                f"run {inspection.run} has two different values of {sheet.columns[role]}: {earlier} and {value}"
            )
        if value is not None:
            setattr(inspection, attribute, value)
    amounts = [role for role in ("inspected", "boards") if role in sheet.columns]
    if amounts and inspection.joints is None and inspection.boards is None:
        raise ValueError(f"says nothing of how much was looked at ({sheet.columns[amounts[0]]})")
    if inspection.joints == 0 or inspection.boards == 0:
        raise ValueError("nothing was looked at; leave out runs that were not inspected")
    side = sheet.cell(row, "side").lower() or None
    if side not in (None, *SIDES):
        raise ValueError(f"'{side}' is not a side of the oven: {', '.join(SIDES)}")
    method = sheet.cell(row, "method").lower()
    method = _METHOD_WORDS.get(method, method)
    if method and method not in METHODS:
        raise ValueError(f"'{method}' is not a method: {', '.join(METHODS)}")
    inspection.method = method or inspection.method
    inspection.who = sheet.cell(row, "who") or inspection.who
    inspection.scope = sheet.cell(row, "scope") or inspection.scope
    if count > 0:
        if nothing:
            raise ValueError(f"counts {count} but names no defect")
        more = {key: sheet.cell(row, key) or None for key in ("ref_des", "severity", "rework", "note")}
        inspection.defects.append({"term": term, "count": count, "side": side, **more})
    inspection.lines.append(line)


def _whole_number(sheet: SheetRead, row: Mapping[str, str], role: str) -> int | None:
    text = sheet.cell(row, role)
    if not text:
        return None
    if not NUMBER.match(text):
        raise ValueError(f"'{text}' under {sheet.columns[role]} is not a whole number")
    return int(re.split(r"[.,]", text)[0])


# What is there already -------------------------------------------------------------------------------------------------


def _mark(
    run: int,
    serial: str | None,
    method: str,
    joints: int | None,
    boards: int | None,
    defects: Sequence[Mapping[str, Any]],
) -> Any:
    found = sorted((str(d["term"]), int(d["count"]), d.get("ref_des") or "", d.get("side") or "") for d in defects)
    return run, serial, method, joints, boards, tuple(found)


def _kept(con: Any) -> set[Any]:
    rows = con.execute(
        "SELECT i.inspection_id, i.run_id, i.serial, i.method, i.joints_looked, i.boards_looked, "
        "d.term, d.count, d.ref_des, d.side FROM inspection i LEFT JOIN defect d USING (inspection_id) "
        "WHERE i.origin = 'imported'"
    ).fetchall()
    facts: dict[int, tuple[int, str | None, str, int | None, int | None]] = {}
    defects: dict[int, list[dict[str, Any]]] = {}
    for number, run, serial, method, joints, boards, term, count, ref_des, side in rows:
        facts[number] = (run, serial, method, joints, boards)
        found = defects.setdefault(number, [])
        if term is not None:
            found.append({"term": term, "count": count, "ref_des": ref_des, "side": side})
    return {_mark(*facts[number], defects[number]) for number in facts}
