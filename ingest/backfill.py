"""Logs of the past with a sheet that says what they were: `import FOLDER --metadata SHEET.csv`.

What the sheet says is recorded as imported. Nothing is carried over into a row: a blank cell was not recorded, and stays
unknown. Ovens, boards, pastes and lots that are not known are added and said so. Logs that are stored already get what
the sheet adds; what a person typed stays.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

from ingest.alloys import KNOWN_ALLOYS, alloy_in
from ingest.archive import Archive, ArchiveError, Connection
from ingest.archive import reference as known
from ingest.archive.fields import checked, may_replace
from ingest.archive.runs import load_recording, run_fields, set_run_field
from ingest.import_result import ImportOptions, ImportResult
from ingest.importing import Progress, import_paths
from ingest.keeping import AfterStore
from ingest.known_names import look_up
from ingest.members import MEMBER_MARK, find_files
from ingest.profiles import UNNAMED
from ingest.recording import Notice
from ingest.sheet import Row, Sheet, read_sheet

FILL_AT_ONCE = 40  # logs looked at in one opening of the archive


def import_with_sheet(
    archive: Archive,
    paths: Iterable[str | os.PathLike[str]],
    sheet_path: str | os.PathLike[str],
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    progress: Progress | None = None,
    readers: int | None = 0,
) -> Iterator[ImportResult]:
    """Take in files with what the sheet says about each. Yields one result a log, then one a row without a file.

    A row's `file` is the path below the folder, or the bare name where that is the only one. Files without a row are
    taken in with `options` and a warning. A row that cannot be (a paste whose alloy cannot be told, a bad
    time) gives a rejected result with its line, and its file is not taken in: correct the row and import again.

    `readers` as in import_paths.

    Raises OptionsError when the sheet itself cannot be read, or `options` name something unknown.
    """
    options = options or ImportOptions()
    paths = list(paths)
    sheet = read_sheet(sheet_path, archive.zone)
    plan = _Plan(sheet, options, [name for path, name in find_files(paths) if path is not None])
    with archive.connect() as con:
        look_up(con, options, archive.zone)
    if options.dry_run:
        with archive.connect() as con:
            plan.prepare(con, add=False)
    else:
        with archive.transaction() as con:
            plan.prepare(con, add=True)
    unsaid: list[Notice] = []
    if sheet.unknown_columns:
        unsaid = [Notice("sheet_columns", f"columns of {sheet.name} left out: {', '.join(sheet.unknown_columns)}")]
    real_sheet = Path(sheet_path).resolve()

    def options_for(path: Path, name: str) -> ImportOptions | None:
        return None if path.resolve() == real_sheet else plan.options_for(name)

    results = import_paths(archive, paths, options, after_store, options_for=options_for, readers=readers)
    while some := list(islice(results, FILL_AT_ONCE)):
        if not options.dry_run:
            some = _filled(archive, some, plan, after_store)
        for result in some:
            result = replace(result, warnings=(*result.warnings, *plan.said(plan.row_for(result.file)), *unsaid))
            unsaid = []
            if progress is not None:
                progress(result)
            yield result
    for row in plan.refused():
        yield ImportResult(row.file, "", "rejected", f"row {row.line} of {sheet.name}: {row.problem}")
    for row in plan.without_file():
        reason = f"row {row.line} of {sheet.name} names {row.file!r}, which is not among the files given"
        yield ImportResult(row.file, "", "rejected", reason)


@dataclass
class _Plan:
    """Which row belongs to which file, and the options that come of it."""

    sheet: Sheet
    base: ImportOptions
    names: list[str]
    of_row: dict[int, ImportOptions] = field(default_factory=dict[int, ImportOptions])
    taken: set[int] = field(default_factory=set[int])
    by_name: dict[str, Row] = field(default_factory=dict[str, Row])

    def __post_init__(self) -> None:
        self.rows = {row.file: row for row in reversed(self.sheet.rows)}
        bare: dict[str, list[str]] = {}
        for name in self.names:
            bare.setdefault(name.rsplit("/", 1)[-1], []).append(name)
        for row in self.sheet.rows:
            alike = bare.get(row.file, [])
            if len(alike) > 1 and row.file not in alike and row.problem is None:
                row.problem = (
                    f"{row.file!r} is in several folders ({', '.join(alike[:3])}): give the path below the folder"
                )

    def prepare(self, con: Connection, *, add: bool) -> None:
        """Add what is not known (or, with `add` False, only say what would be), and make each row's options."""
        for row in self.sheet.rows:
            if row.problem is None:
                try:
                    self.of_row[row.line] = _options_of(con, row, self.base, add)
                except ArchiveError as error:
                    row.problem = str(error)

    def row_of(self, name: str) -> Row | None:
        """The row for a log's name: the whole name, else the last part of it, unless that is the whole name of another."""
        if name in self.rows:
            return self.rows[name]
        for key in (name.rsplit("/", 1)[-1], name.rsplit(MEMBER_MARK, 1)[-1]):
            if key in self.rows and key not in self.names:
                return self.rows[key]
        return None

    def options_for(self, name: str) -> ImportOptions | None:
        row = self.row_of(name)
        if row is None:
            return self.base
        self.taken.add(row.line)
        self.by_name[name] = row
        return self.of_row.get(row.line)

    def row_for(self, file: str) -> Row | None:
        """The row of a result, by the file it came from."""
        named = [name for name in self.by_name if file == name or file.endswith("/" + name)]
        return self.by_name[max(named, key=len)] if named else None

    def said(self, row: Row | None) -> list[Notice]:
        if row is None:
            return [Notice("no_row", f"{self.sheet.name} has no row for this file")]
        said = [Notice("sheet", f"row {row.line} of {self.sheet.name}: {text}") for text in row.notices]
        row.notices.clear()
        return said

    def refused(self) -> list[Row]:
        return [row for row in self.sheet.rows if row.problem is not None]

    def without_file(self) -> list[Row]:
        return [row for row in self.sheet.rows if row.problem is None and row.line not in self.taken]


def _options_of(con: Connection, row: Row, base: ImportOptions, add: bool) -> ImportOptions:
    """The options of one row, with ovens, boards, pastes and jars it names added where they are not known."""
    oven, board, paste = row.get("oven"), row.get("board"), row.get("paste")
    jar: str | None = None
    if paste is not None:  # first: the only one that may refuse the row
        paste = _paste(con, row, paste, add)
        if paste is not None and (row.get("lot") or row.opened):
            jar = _jar(con, row, paste, add)
    if oven is not None and known.find_oven(con, oven) is None:
        row.notices.append(f"oven {oven!r} was not known: {_done(add)}")
        if add:
            known.add_oven(con, oven)
        else:
            oven = None
    if board is not None:
        board = _board(con, row, board, add)
    return replace(
        base,
        origin="imported",
        carry=False,
        oven=oven or base.oven,
        board=board or base.board,
        paste=None if jar else paste or base.paste,
        jar=jar or (None if paste else base.jar),
        profile=row.get("profile") or base.profile,
        kind=row.get("kind") or base.kind,
        orientation=row.get("orientation") or base.orientation,
        note=row.get("note") or base.note,
        started_at=row.started_at or base.started_at,
    )


def _done(add: bool) -> str:
    return "added" if add else "would be added"


def _board(con: Connection, row: Row, name: str, add: bool) -> str | None:
    board_id = known.find_board(con, name)
    if board_id is None:
        row.notices.append(f"board {name!r} was not known: {_done(add)}")
        if add:
            known.add_board(con, name, joints=row.joints)
        return name if add else None
    joints = known.get_board(con, board_id)["joints"]
    if row.joints is not None and joints is None and add:
        known.correct(con, "board", board_id, "joints", row.joints, None, f"row {row.line} of the metadata sheet")
    elif row.joints is not None and joints not in (None, row.joints):
        row.notices.append(f"board {name!r} has {joints} joints, the row says {row.joints}: left as it was")
    return name


def _paste(con: Connection, row: Row, name: str, add: bool) -> str | None:
    if known.find_paste(con, name) is not None:
        return name
    alloy = alloy_in(name)
    if alloy is None:
        raise ArchiveError(
            f"paste {name!r} is not known and its name tells no alloy ({', '.join(KNOWN_ALLOYS)}): "
            "add it with ovenbook paste add, or write the alloy into its name"
        )
    row.notices.append(
        f"paste {name!r} was not known: {_done(add)} as {alloy.name}, counted from {alloy.liquidus_c:g} °C"
    )
    if not add:
        return None
    known.add_paste(
        con,
        name,
        alloy=alloy.name,
        family=alloy.family,
        solidus_c=alloy.solidus_c,
        liquidus_c=alloy.liquidus_c,
    )
    return name


def _jar(con: Connection, row: Row, paste: str, add: bool) -> str | None:
    """The jar of this paste, lot and day of opening; added when there is none."""
    paste_id, lot = known.find_paste(con, paste), row.get("lot")
    day = row.opened.replace(tzinfo=None) if row.opened else None
    found = con.execute(
        """SELECT label FROM jar WHERE paste_id = ? AND lot IS NOT DISTINCT FROM ?
        AND (?::TIMESTAMP IS NULL OR opened_at = ?) ORDER BY jar_id LIMIT 1""",
        [paste_id, lot, day, day],
    ).fetchone()
    if found:
        return found[0]
    opened = f"opened {row.cells['opened']}" if row.opened else ""
    wanted = [lot, f"{lot} {opened}", f"{paste} {lot} {opened}"] if lot else [f"{paste} {opened}"]
    label = next((text.strip() for text in wanted if text and known.find_jar(con, text.strip()) is None), None)
    label = label or f"{wanted[-1]} (row {row.line})"
    row.notices.append(f"jar {label!r} of {paste} was not known: {_done(add)}")
    if not add or paste_id is None:
        return None
    known.add_jar(con, label, paste_id, lot=lot, opened_at=row.opened)
    return label


def _filled(
    archive: Archive, results: list[ImportResult], plan: _Plan, after_store: AfterStore | None
) -> list[ImportResult]:
    """Give the runs of logs that were stored already what the sheet says and nobody typed."""
    wanted: dict[int, ImportOptions] = {}
    for i, result in enumerate(results):
        row = plan.row_for(result.file) if result.status == "duplicate" else None
        if row is not None:
            wanted[i] = plan.of_row[row.line]
    if not wanted:
        return results
    with archive.connect() as con:
        missing = {i for i, options in wanted.items() if any(_lacking(con, results[i], options, archive.zone).values())}
    out = list(results)
    for i in sorted(missing):
        with archive.transaction() as con:
            filled: list[str] = []
            for run, values in _lacking(con, results[i], wanted[i], archive.zone).items():
                why = "metadata sheet"
                unnamed = values.pop("unnamed_profile", None)
                if unnamed is not None:
                    known.name_profile(con, unnamed, wanted[i].profile or "", wanted[i].who, why)
                    filled.append("name of the profile")
                set_now = [
                    f for f, v in values.items() if set_run_field(con, run, f, v, "imported", wanted[i].who, why)
                ]
                if set_now and after_store is not None:
                    after_store(con, run, load_recording(con, run))
                filled += [name for name in set_now if name not in filled]
        if filled:
            said = Notice("metadata_filled", f"the sheet filled in: {', '.join(filled)}")
            out[i] = replace(results[i], warnings=(*results[i].warnings, said))
    return out


def _lacking(con: Connection, result: ImportResult, options: ImportOptions, zone: str) -> dict[int, dict[str, Any]]:
    """By run: the values of the sheet that differ from what is known and may replace it."""
    given = look_up(con, options, zone)
    values: dict[str, Any] = {
        "oven": given.oven_id,
        "board": given.board_id,
        "paste": given.paste_id,
        "jar": given.jar_id,
        "kind": options.kind,
        "orientation": options.orientation,
        "note": options.note,
    }
    out: dict[int, dict[str, Any]] = {}
    for run in result.runs:
        if run.run is None:
            continue
        before = run_fields(con, run.run)
        own = dict(values)
        if "profile" not in before and options.profile:  # else it was recognised by its set points
            own["profile"] = known.find_profile(con, options.profile)
        elif options.profile and known.get_profile(con, before["profile"].value)["name"].startswith(UNNAMED):
            own["unnamed_profile"] = before["profile"].value
        if "started_at" not in before and len(result.runs) == 1:
            own["started_at"] = given.started_at
        out[run.run] = {
            name: value
            for name, value in own.items()
            if value is not None
            and (name not in before or checked(name, before[name].value) != checked(name, value))
            and may_replace("imported", before[name].origin if name in before else None)
        }
    return out
