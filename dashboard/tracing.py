"""Traces as the Trace page reads them: kept until the archive changes."""

from __future__ import annotations

from datetime import date

from dashboard.export_selection import Selection
from dashboard.page_data import Book, kept, records
from dashboard.trace import Trace, trace_event, trace_selection, trace_serial


@kept
def of_serial(book: Book, serial: str) -> Trace:
    with book.one_opening():
        return trace_serial(book.archive, serial)


@kept
def of_event(book: Book, event: int) -> Trace:
    with book.one_opening():
        return trace_event(book.archive, event)


@kept
def of_oven(
    book: Book,
    oven: str,
    first_day: date | None,
    last_day: date | None,
) -> Trace:
    with book.one_opening():
        return trace_selection(book.archive, Selection(oven=oven, first_day=first_day, last_day=last_day))


@kept
def of_jar_or_lot(book: Book, by: str, name: str) -> Trace:
    """`by`: jar or lot."""
    with book.one_opening():
        return trace_selection(book.archive, Selection(jar=name) if by == "jar" else Selection(lot=name))


@kept
def choices(book: Book) -> dict[str, list[str]]:
    """Jars, lots and ovens that runs name."""
    names = {
        "jar": "SELECT label AS name FROM jar WHERE jar_id IN (SELECT jar_id FROM run) ORDER BY opened_at DESC NULLS LAST, 1",
        "lot": "SELECT DISTINCT lot AS name FROM jar WHERE lot IS NOT NULL AND jar_id IN (SELECT jar_id FROM run) ORDER BY 1",
        "oven": "SELECT name FROM oven WHERE oven_id IN (SELECT oven_id FROM run) ORDER BY 1",
    }
    with book.one_opening():
        return {kind: [str(name) for name in book.archive.read(sql)["name"]] for kind, sql in names.items()}


@kept
def event_labels(book: Book) -> dict[str, int]:
    """Events, newest first, as "kind on oven, day" -> number; equal ones are told apart by their number."""
    labels: dict[str, int] = {}
    for row in records(book.archive.read("SELECT * FROM oven_event ORDER BY happened_at DESC, event DESC")):
        label = f"{row['kind']} on {row['oven']}, {row['happened_at']:%Y-%m-%d}"
        labels[label if label not in labels else f"{label} (event {row['event']})"] = int(row["event"])
    return labels
