"""The first part of a sheet: the batch as a whole."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

from dashboard import page_data, words
from dashboard.page_data import Book, RunDetail
from dashboard.sheet.blocks import Block, Facts, Heading, Paragraph, Table
from dashboard.sheet.options import LEFT_OUT, NOT_RECORDED, SheetOptions
from dashboard.trace import serials_in


def blocks(book: Book, details: Sequence[RunDetail], options: SheetOptions, chosen: str) -> list[Block]:
    out: list[Block] = []
    stops = [line for d in details for line in words.stop_lines(d.findings)]
    out += [Paragraph(line, strong=True) for line in dict.fromkeys(stops)]
    if page_data.is_demo(book):
        out.append(Paragraph("Demo archive: the shop, its people and its runs are invented.", strong=True))
    out.append(Paragraph(_summary(details), strong=True))
    out.append(Facts(_head(book, details, options, chosen)))
    out += [Heading("Limits used, and where they come from"), *_limits(details)]
    out += [Heading("Paste"), *_pastes(book, details)]
    out += [Heading("Runs"), _runs(book, details)]
    out += [Heading("Last reference run of the oven"), *_reference_runs(book, details)]
    out += [Heading("Inspection"), *_inspection(details)]
    out += [Heading("Deviations"), *_deviations(book, details, options)]
    return out


def _summary(details: Sequence[RunDetail]) -> str:
    counts: dict[str, int] = {}
    for detail in details:
        verdict = detail.summary["verdict"]
        counts[verdict] = counts.get(verdict, 0) + 1
    said = {
        "meets": "within all limits by more than the uncertainty of the measurement",
        "fails": "outside at least one limit by more than the uncertainty",
        "too close to call": "too close to a limit to call: the margin is smaller than the uncertainty",
        "not evaluated": "without a verdict",
    }
    parts = [f"{counts[key]} {text}" for key, text in said.items() if key in counts]
    return f"{words.counted(len(details), 'run')}, measured against the limits named below: {words.listed(parts)}."


def _head(book: Book, details: Sequence[RunDetail], options: SheetOptions, chosen: str) -> list[tuple[str, str]]:
    serials = [s for d in details for s in serials_in(d.overview["serials"])]
    if not serials:
        serial_text = NOT_RECORDED
    elif "serials" in options.redact:
        serial_text = f"{words.counted(len(serials), 'serial')}, {LEFT_OUT}"
    else:
        serial_text = "; ".join(dict.fromkeys(str(d.overview["serials"]) for d in details if d.overview["serials"]))
    without = sum(not d.overview["serials"] for d in details)
    if serials and without:
        serial_text += f" ({without} of {len(details)} runs have none recorded)"
    loads = [d.overview["load_count"] for d in details]
    known = [int(load) for load in loads if load is not None]
    quantity = NOT_RECORDED if not known else f"{sum(known)} boards"
    if known and len(known) < len(loads):
        quantity += f" in {len(known)} of {len(loads)} runs; not recorded for the others"
    typed = [
        ("Order", options.order),
        ("Supplier", options.supplier),
        ("Customer", options.customer),
        ("Stencil", options.stencil),
        ("Board finish", options.finish),
        ("Released by", options.released_by),
    ]
    return [
        *((name, value or NOT_RECORDED) for name, value in typed[:3]),
        ("Product", _distinct(_board(d) for d in details)),
        ("Serials", serial_text),
        ("Quantity", quantity),
        ("Dates", _span(book, details)),
        ("Oven", _distinct(d.overview["oven"] for d in details)),
        ("Profile", _distinct(_profile(d) for d in details)),
        ("Profile approved", NOT_RECORDED),
        ("Firmware", _distinct(d.overview["firmware"] for d in details)),
        ("Operator", _distinct(options.person(d.overview["operator"]) for d in details)),
        *((name, value or NOT_RECORDED) for name, value in typed[3:]),
        ("Traceability", _level(details)),
        ("Runs chosen by", chosen or NOT_RECORDED),
    ]


def _level(details: Sequence[RunDetail]) -> str:
    with_serials = sum(bool(d.overview["serials"]) for d in details)
    with_jar = sum(bool(d.overview["jar"]) for d in details)
    n = len(details)
    return (
        f"by run; serials recorded for {with_serials} of {n} runs, paste jar for {with_jar} of {n}. "
        "Levels of traceability (IPC-1782) are agreed between user and supplier."
    )


def _board(detail: RunDetail) -> str | None:
    run = detail.overview
    if not run["board"]:
        return None
    return f"{run['board']}, revision {run['board_revision']}" if run["board_revision"] else str(run["board"])


def _profile(detail: RunDetail) -> str | None:
    run = detail.overview
    if not run["profile"] and not run["setpoint_hash"]:
        return None
    version = f"set points {run['setpoint_hash'][:12]}" if run["setpoint_hash"] else "set points not in the log"
    return f"{run['profile'] or 'no name'} ({version})"


def _distinct(values: Any) -> str:
    """All different values with their number of runs; unknown ones are said, not hidden."""
    counts: dict[str, int] = {}
    for value in values:
        text = str(value) if value not in (None, "") else NOT_RECORDED
        counts[text] = counts.get(text, 0) + 1
    if len(counts) == 1:
        return next(iter(counts))
    return "; ".join(f"{text} ({words.counted(n, 'run')})" for text, n in counts.items())


def _span(book: Book, details: Sequence[RunDetail]) -> str:
    starts = sorted(d.overview["started_at"] for d in details if d.overview["started_at"] is not None)
    unknown = len(details) - len(starts)
    if not starts:
        return f"not recorded; logs received {local(details[0].overview['received_at'], book.zone)}"
    first, last = local(starts[0], book.zone), local(starts[-1], book.zone)
    text = first if first == last else f"{first} to {last}"
    return f"{text} ({zone_words(book.zone)})" + (
        f"; {words.counted(unknown, 'run')} without a start time" if unknown else ""
    )


def zone_words(zone: str) -> str:
    return zone.removeprefix("Etc/")


def local(stamp: Any, zone: str, *, with_time: bool = True) -> str:
    """A stored UTC time as "12 May 2025, 14:03" in `zone`."""
    if stamp is None or pd.isna(stamp):
        return "time unknown"
    at = pd.Timestamp(stamp)
    at = (at.tz_localize("UTC") if at.tzinfo is None else at).tz_convert(zone)
    return f"{at.day} {at:%b %Y}" + (f", {at:%H:%M}" if with_time else "")


def _limits(details: Sequence[RunDetail]) -> list[Block]:
    rows: dict[tuple[str, ...], set[int]] = {}
    for detail in details:
        for result in detail.limits:
            limit = result.limit
            scope = {"paste": "solder joint", "body": "component body", "house": "house limit"}[limit.scope]
            row = (
                words.metric_text(limit.metric, json.loads(limit.parameters)),
                words.limit_text(limit.metric, limit.low, limit.high, limit.unit),
                scope,
                words.source_text(limit.source, limit.revision),
            )
            rows.setdefault(row, set()).add(detail.run)
    if not rows:
        return [Paragraph("No limit was judged: no paste or window is recorded for these runs.")]
    cells = [(*row, "all" if len(runs) == len(details) else words.ranges(sorted(runs))) for row, runs in rows.items()]
    without = [d.run for d in details if not d.limits]
    out: list[Block] = [
        Table(("Quantity", "Allowed", "For", "From", "Runs"), cells, (0.30, 0.18, 0.14, 0.28, 0.10)),
        Paragraph(
            "Lower limits are judged on the coldest channel, upper limits on the hottest; an average is never judged."
        ),
    ]
    if without:
        out.append(Paragraph(f"Judged by no limit: {words.listed([f'run {run}' for run in without])}."))
    return out


def _pastes(book: Book, details: Sequence[RunDetail]) -> list[Block]:
    jars = {str(row["label"]): row for row in page_data.records(page_data.reference(book, "jars"))}
    rows: dict[tuple[str, ...], list[int]] = {}
    for detail in details:
        run = detail.overview
        jar = jars.get(str(run["jar"]), {})
        opened, expiry = jar.get("opened_at"), jar.get("expiry")
        row = (
            str(run["paste"] or NOT_RECORDED),
            str(run["alloy"] or NOT_RECORDED),
            str(run["jar"] or NOT_RECORDED),
            str(run["lot"] or NOT_RECORDED),
            local(opened, book.zone, with_time=False) if opened is not None else NOT_RECORDED,
            local(expiry, "UTC", with_time=False) if expiry is not None else NOT_RECORDED,
        )
        rows.setdefault(row, []).append(detail.run)
    cells = [(*row, words.ranges(runs)) for row, runs in rows.items()]
    return [
        Table(
            ("Paste", "Alloy", "Jar", "Lot", "Opened", "Expiry", "Runs"),
            cells,
            (0.2, 0.12, 0.17, 0.13, 0.13, 0.13, 0.12),
        )
    ]


def _runs(book: Book, details: Sequence[RunDetail]) -> Table:
    rows = []
    for detail in details:
        run = detail.overview
        limiting = detail.summary["limiting"]
        decided = next(
            (
                r
                for r in detail.limits
                if limiting and r.limit.metric == limiting["metric"] and r.margin == limiting["margin"]
            ),
            None,
        )
        margin = "" if not limiting else words.limiting_text(limiting)
        if decided is not None and decided.uncertainty is not None:
            unit = words.MARGIN_UNITS.get(decided.limit.unit, decided.limit.unit)
            margin += f" (± {words.with_unit(words.number(decided.uncertainty, 1), unit)})"
        verdict = detail.summary["verdict"] + (", stop: danger" if run["danger"] else "")
        if run["complete"] is False:
            verdict += ", stopped early"
        rows.append(
            (
                str(detail.run),
                local(run["started_at"], book.zone),
                verdict,
                margin or (detail.summary["reason"] or "no margin"),
                inspected_text(detail),
            )
        )
    return Table(("Run", "Started", "Verdict", "Smallest margin", "Inspection"), rows, (0.07, 0.18, 0.17, 0.34, 0.24))


def inspected_text(detail: RunDetail) -> str:
    rows = page_data.records(detail.inspections)
    if not rows:
        return "not inspected"
    found = [f"{int(r['count'])} {r['defect']}" for r in rows if r["defect"]]
    return ", ".join(found) if found else "looked, none found"


def _reference_runs(book: Book, details: Sequence[RunDetail]) -> list[Block]:
    out: list[Block] = []
    for oven in dict.fromkeys(d.overview["oven"] for d in details):
        if oven is None:
            out.append(Paragraph("The oven of some runs is not recorded, so neither is their reference run."))
            continue
        ends = [d.overview["started_at"] for d in details if d.overview["oven"] == oven and d.overview["started_at"]]
        found = pd.DataFrame()
        if ends:
            found = book.archive.read(
                "SELECT run, started_at, verdict FROM run_overview WHERE oven = ? AND kind = 'reference' "
                "AND started_at <= ? ORDER BY started_at DESC, run DESC LIMIT 1",
                (oven, max(ends)),
            )
        if found.empty:
            out.append(Paragraph(f"{oven}: no reference run is recorded before the last of these runs."))
            continue
        row = page_data.record(found)
        before = (max(ends) - row["started_at"]).days
        out.append(
            Paragraph(
                f"{oven}: run {row['run']}, {local(row['started_at'], book.zone)} ({words.counted(before, 'day')} before the "
                f"last of these runs), verdict: {row['verdict'] or 'not evaluated'}."
            )
        )
    return out


def _inspection(details: Sequence[RunDetail]) -> list[Block]:
    looked = [d for d in details if len(d.inspections)]
    bare = [d.run for d in details if not len(d.inspections)]
    out: list[Block] = []
    if looked:
        rows = []
        for detail in looked:
            for _, part in detail.inspections.groupby("inspection", sort=False):
                records = page_data.records(part)
                head = records[0]
                boards = NOT_RECORDED if head["boards_looked"] is None else str(int(head["boards_looked"]))
                joints = NOT_RECORDED if head["joints_looked"] is None else str(int(head["joints_looked"]))
                found = "; ".join(
                    f"{int(r['count'])} {r['defect']}"
                    + (f" at {r['ref_des']}" if r["ref_des"] else "")
                    + (f", rework: {r['rework']}" if r["rework"] else "")
                    for r in records
                    if r["defect"]
                )
                method = f"{head['method']}" + (f", {head['scope']}" if head["scope"] else "")
                rows.append((str(detail.run), method, boards, joints, found or "none found"))
        out.append(
            Table(
                ("Run", "Method and scope", "Boards looked at", "Joints looked at", "Found"),
                rows,
                (0.07, 0.25, 0.14, 0.14, 0.40),
            )
        )
    if bare:
        out.append(
            Paragraph(
                f"Not inspected: {words.ranges(bare).replace(',', ', ')} ({len(bare)} of {words.counted(len(details), 'run')}). "
                "Not inspected is not the same as no defects."
            )
        )
    return out


def _deviations(book: Book, details: Sequence[RunDetail], options: SheetOptions) -> list[Block]:
    """Events between the first and the last run, corrections of what was recorded, and what was decided."""
    out: list[Block] = []
    spans: dict[str, list[Any]] = {}
    for detail in details:
        if detail.overview["oven"] and detail.overview["started_at"]:
            spans.setdefault(detail.overview["oven"], []).append(detail.overview["started_at"])
    for oven, starts in spans.items():
        rows = book.archive.read(
            "SELECT kind, happened_at, at_precision, note FROM oven_event "
            "WHERE oven = ? AND happened_at BETWEEN ? AND ? ORDER BY happened_at",
            (oven, min(starts), max(starts)),
        )
        for row in page_data.records(rows):
            note = f": {options.kept('notes', row['note'])}" if row["note"] else ""
            when = local(row["happened_at"], book.zone, with_time=row["at_precision"] == "time")
            out.append(Paragraph(f"{oven}, {when}: {row['kind']}{note}."))
    for detail in details:
        for row in page_data.records(detail.changes):
            why = options.kept("notes", row["why"]) if row["why"] else "no reason given"
            hidden = "serials" if row["field"] == "serials" else "notes" if row["field"] == "note" else "people"
            old, new = row["old_value"] or "unknown", row["new_value"] or "unknown"
            if hidden in options.redact and row["field"] in ("serials", "note", "operator"):
                old = new = LEFT_OUT
            out.append(
                Paragraph(
                    f"Run {detail.run}: {row['field'].replace('_', ' ')} corrected from {old} to {new} on "
                    f"{local(row['changed_at'], book.zone)} by {options.person(row['who'])}, {why}."
                )
            )
    if not out:
        out.append(Paragraph("No event on the oven and no correction is recorded within these runs."))
    out.append(Paragraph(f"Decided: {options.decision or NOT_RECORDED}."))
    return out
