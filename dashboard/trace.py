"""Tracing both ways: from a serial to its runs with jar, lot, oven, firmware and events; from those to serials and boards.

What was not recorded is said beside every answer: a run without serials may still have carried the board asked for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from dashboard.export_selection import Selection
from ingest.archive.errors import ArchiveError
from ingest.inspection_rows import serial_within

if TYPE_CHECKING:
    from ingest.archive import Archive

# A range is written out up to this many boards; a wider one is more likely a slip of the keyboard than a batch.
LONGEST_RANGE = 2000
# Texts that may hold a serial, so that not every text of a large archive is taken apart: those that have it as it is
# written, and those whose numbers begin at or below its number and end at or above it. `serial_within` decides.
_MAY_HOLD = r"""
SELECT run_id, serials FROM (SELECT run_id, serials, [TRY_CAST(n AS HUGEINT) FOR n IN regexp_extract_all(serials, '\d+')] AS n
                             FROM run WHERE serials IS NOT NULL AND serials <> '')
WHERE contains(serials, $serial) OR regexp_matches(serials, '[^\x00-\x7F]')
   OR ($number::HUGEINT IS NOT NULL AND contains(serials, '-')
       AND coalesce(list_min(n) <= $number::HUGEINT AND list_max(n) >= $number::HUGEINT, true))
"""
_RUNS = """
SELECT o.run, o.started_at, o.received_at, o.serials, o.load_count, o.board, o.board_revision, o.paste, o.jar, o.lot,
       j.opened_at AS jar_opened_at, j.expiry AS lot_expiry, o.oven, o.firmware, o.profile, o.setpoint_hash, o.kind, o.operator,
       o.verdict, o.danger, o.log_file, o.sha256
FROM (SELECT * FROM run_overview WHERE {where}) o LEFT JOIN jar j ON j.label = o.jar
ORDER BY coalesce(o.started_at, o.received_at), o.run
"""


@dataclass(frozen=True)
class Trace:
    """The answer to one question.

    `asked` in words. `runs`: a row a run with what was used. `boards`: a row a serial (or a run without one): run, serial
    (missing when none is recorded), board, board_revision. `events`: for each run the last event of each kind on its oven
    before it, and the first of each kind after it (`when`: before | after). `gaps`: what could not be told, in sentences.
    """

    asked: str
    runs: pd.DataFrame
    boards: pd.DataFrame
    events: pd.DataFrame
    gaps: tuple[str, ...]


def trace_serial(archive: Archive, serial: str) -> Trace:
    """Runs whose serials hold `serial` (ranges included), and runs in which it was inspected."""
    serial = serial.strip()
    if not serial:
        raise ArchiveError("no serial was given")
    number = re.fullmatch(r"\D*(\d{1,30})", serial, re.ASCII)
    recorded = archive.read(_MAY_HOLD, {"serial": serial, "number": int(number[1]) if number else None})
    found = {
        int(run)
        for run, text in zip(recorded["run_id"], recorded["serials"], strict=True)
        if serial_within(serial, str(text))
    }
    seen = archive.read("SELECT DISTINCT run FROM defect_long WHERE serial = ?", (serial,))
    found |= {int(run) for run in seen["run"]}
    counts = archive.read("SELECT count(*) AS runs, count(nullif(serials, '')) AS noted FROM run")
    total = int(counts["runs"].iloc[0])
    without = total - int(counts["noted"].iloc[0])
    answer = _trace(archive, f"serial {serial}", Selection(runs=tuple(sorted(found))))
    gaps = list(answer.gaps)
    if without:
        gaps.insert(0, f"{without} of {total} runs have no serials recorded; this board may have been in one of them.")
    boards = answer.boards[answer.boards["serial"] == serial]
    return Trace(answer.asked, answer.runs, boards.reset_index(drop=True), answer.events, tuple(gaps))


def trace_selection(archive: Archive, selection: Selection) -> Trace:
    """Everything baked from a jar or a lot, on an oven between two days, and so on."""
    return _trace(archive, selection.in_words(), selection)


def trace_event(archive: Archive, event: int) -> Trace:
    """Everything baked on the event's oven from the event until the next one of its kind there, or until today."""
    rows = archive.read("SELECT * FROM oven_event WHERE event = ?", (event,))
    if rows.empty:
        raise ArchiveError(f"there is no event {event}")
    row = rows.iloc[0]
    happened = pd.Timestamp(row["happened_at"]).to_pydatetime()
    after = archive.read(
        "SELECT min(happened_at) AS at FROM oven_event WHERE oven = ? AND kind = ? AND happened_at > ?",
        (row["oven"], row["kind"], happened),
    )["at"].iloc[0]
    until = None if pd.isna(after) else pd.Timestamp(after).to_pydatetime()
    runs = archive.read(
        "SELECT run FROM run_overview WHERE oven = ? AND started_at >= ? AND (?::TIMESTAMP IS NULL OR started_at < ?)",
        (row["oven"], happened, until, until),
    )
    unknown = archive.read(
        "SELECT count(*) AS n FROM run_overview WHERE oven = ? AND started_at IS NULL", (row["oven"],)
    )["n"].iloc[0]
    what = f"{row['kind']} on {row['oven']}, {_day(happened)}"
    asked = f"event {event} ({what}) until {'today' if until is None else 'the next one, ' + _day(until)}"
    answer = _trace(archive, asked, Selection(runs=tuple(int(run) for run in runs["run"])))
    gaps = list(answer.gaps)
    if row["at_precision"] != "time":
        gaps.append(
            f"The event's time is known to the {row['at_precision']} only: runs at the edge may belong to either side."
        )
    if unknown:
        gaps.append(f"{int(unknown)} runs of this oven have no start time and are left out.")
    return Trace(asked, answer.runs, answer.boards, answer.events, tuple(gaps))


def serials_in(text: str | None) -> list[str]:
    """The single serials of "0101-0112, 0120". A part that is no range of numbers stays as it is written."""
    if not text or not isinstance(text, str):
        return []
    out: list[str] = []
    for part in re.split(r"[,;\s]+(?!-)", text.strip()):
        ends = re.fullmatch(r"(\D*)(\d+)\s*-\s*(\D*)(\d+)", part)
        if ends and ends[3] in ("", ends[1]) and 0 <= int(ends[4]) - int(ends[2]) < LONGEST_RANGE:
            out += [f"{ends[1]}{n:0{len(ends[2])}d}" for n in range(int(ends[2]), int(ends[4]) + 1)]
        elif part:
            out.append(part)
    return list(dict.fromkeys(out))


def as_table(trace: Trace) -> pd.DataFrame:
    """One row a serial and run, with everything that was used: what `export trace` writes."""
    used = trace.runs.drop(columns=["serials", "board", "board_revision"])
    return trace.boards.merge(used, on="run", how="left")


def _trace(archive: Archive, asked: str, selection: Selection) -> Trace:
    where, values = selection.condition(archive.zone)
    runs = archive.read(_RUNS.format(where=where), values)
    boards = _boards(runs, archive)
    return Trace(asked, runs, boards, _events(archive, runs), _gaps(runs))


def _boards(runs: pd.DataFrame, archive: Archive) -> pd.DataFrame:
    """A row a serial; serials named only at an inspection count too. Runs without any get one row without a serial."""
    inspected: dict[int, list[str]] = {}
    if len(runs):
        rows = archive.read(
            "SELECT DISTINCT run, serial FROM defect_long WHERE serial IS NOT NULL AND serial <> '' "
            "AND run IN (SELECT unnest(?::INTEGER[])) ORDER BY run, serial",
            ([int(run) for run in runs["run"]],),
        )
        for run, serial in zip(rows["run"], rows["serial"], strict=True):
            inspected.setdefault(int(run), []).append(str(serial))
    out: list[dict[str, Any]] = []
    for row in runs[["run", "serials", "board", "board_revision"]].to_dict("records"):
        own = serials_in(row["serials"])
        own += [serial for serial in inspected.get(int(row["run"]), []) if serial not in own]
        for serial in own or [None]:
            out.append(
                {
                    "run": int(row["run"]),
                    "serial": serial,
                    "board": row["board"],
                    "board_revision": row["board_revision"],
                }
            )
    return pd.DataFrame(out, columns=["run", "serial", "board", "board_revision"])


_EVENTS = """
SELECT r.run, e.event, e.oven, e.kind, e.happened_at, e.at_precision, e.note, 'before' AS "when"
FROM run_overview r JOIN oven_event e ON e.oven = r.oven AND e.happened_at <= r.started_at
WHERE r.run IN (SELECT unnest(?::INTEGER[]))
QUALIFY row_number() OVER (PARTITION BY r.run, e.kind ORDER BY e.happened_at DESC, e.event DESC) = 1
UNION ALL
SELECT r.run, e.event, e.oven, e.kind, e.happened_at, e.at_precision, e.note, 'after' AS "when"
FROM run_overview r JOIN oven_event e ON e.oven = r.oven AND e.happened_at > r.started_at
WHERE r.run IN (SELECT unnest(?::INTEGER[]))
QUALIFY row_number() OVER (PARTITION BY r.run, e.kind ORDER BY e.happened_at, e.event) = 1
ORDER BY run, happened_at
"""


def _events(archive: Archive, runs: pd.DataFrame) -> pd.DataFrame:
    numbers = [int(run) for run in runs["run"]]
    return archive.read(_EVENTS, (numbers, numbers))


def _gaps(runs: pd.DataFrame) -> tuple[str, ...]:
    """What is not recorded for some of the runs, one sentence a field."""
    n = len(runs)
    if n == 0:
        return ()
    gaps = []
    for column, words in (
        ("serials", "serials"),
        ("jar", "the paste jar"),
        ("lot", "the lot of the jar"),
        ("oven", "the oven"),
        ("firmware", "the firmware"),
        ("started_at", "the start time"),
    ):
        missing = int(runs[column].isna().sum())
        if missing:
            gaps.append(f"Not recorded for {missing} of {n} {'run' if n == 1 else 'runs'}: {words}.")
    return tuple(gaps)


def _day(moment: datetime | date) -> str:
    return f"{moment:%Y-%m-%d}"
