"""One run on a sheet: verdict, every channel's curve, limits with margin and uncertainty, sensors and their checks."""

from __future__ import annotations

import json

import numpy as np

from dashboard import page_data, words
from dashboard.page_data import Book, RunDetail
from dashboard.sheet.batch import local
from dashboard.sheet.blocks import Block, Facts, Heading, Paragraph, Part, Picture, Table
from dashboard.sheet.options import NOT_RECORDED, SheetOptions
from ingest.recording import Recording


def part(book: Book, detail: RunDetail, options: SheetOptions) -> Part:
    recording = page_data.recording_of(book, detail.run)
    run = detail.overview
    blocks: list[Block] = [Paragraph(line, strong=True) for line in words.stop_lines(detail.findings)]
    blocks.append(Paragraph(words.verdict_sentence(detail.summary), strong=True))
    turned = f"turned by {run['orientation']}°" if run["orientation"] else f"how it lay is {NOT_RECORDED}"
    blocks.append(
        Facts(
            [
                ("Started", f"{local(run['started_at'], book.zone)}, lasting {words.duration(run['duration_s'])}"),
                ("Start state", _start_state(recording)),
                ("Oven and profile", f"{run['oven'] or NOT_RECORDED}; {run['profile'] or NOT_RECORDED}"),
                ("Board", f"{run['board'] or NOT_RECORDED}; on the rack: {turned}"),
                ("Kind of run", str(run["kind"] or NOT_RECORDED)),
                ("Serials", options.kept("serials", run["serials"])),
                (
                    "Paste",
                    f"{run['paste'] or NOT_RECORDED}; jar {run['jar'] or NOT_RECORDED}; lot {run['lot'] or NOT_RECORDED}",
                ),
                ("Operator", options.person(run["operator"])),
                ("Note", options.kept("notes", run["note"])),
            ]
        )
    )
    picture = _curve(detail, recording)
    if picture is not None:
        blocks.append(picture)
    blocks += [Heading("Limits"), _limits(detail)] if detail.limits else [Paragraph(words.NO_LIMITS)]
    blocks += [Heading("Sensors"), _channels(detail)]
    blocks += _checks(detail)
    return Part(f"Run {detail.run}", blocks)


def _start_state(recording: Recording) -> str:
    firsts = []
    for channel in recording.of_role("temperature"):
        present = channel.values[np.isfinite(channel.values)]
        if channel.judged and len(present):
            firsts.append(float(present[0]))
    if not firsts:
        return "no temperature at the start"
    low, high = min(firsts), max(firsts)
    return (
        f"{words.number(low)} to {words.number(high)} °C at the first sample"
        if high - low >= 0.05
        else f"{words.number(low)} °C"
    )


def _curve(detail: RunDetail, recording: Recording) -> Picture | None:
    if not any(np.isfinite(c.values).any() for c in recording.of_role("temperature")):
        return None
    from dashboard.figures.curve import curve_in_words, profile_curve
    from dashboard.figures.export import chart_bytes

    chart = profile_curve(recording, liquidus_c=detail.liquidus_c, limits=detail.limits, height=300)
    return Picture(chart_bytes(chart, "png", width=860), curve_in_words(recording, detail.liquidus_c))


def _limits(detail: RunDetail) -> Table:
    rows = []
    for result in detail.limits:
        limit = result.limit
        value = words.quantity_text(limit.metric, result.value, result.uncertainty, limit.unit)
        margin = "none" if result.margin is None else words.margin_text(limit.metric, result.margin, limit.unit)
        rows.append(
            (
                words.metric_text(limit.metric, json.loads(limit.parameters)),
                detail.channel_name(result.channel) or "whole run",
                value or (result.reason or "no value"),
                words.limit_text(limit.metric, limit.low, limit.high, limit.unit),
                margin,
                result.verdict,
            )
        )
    return Table(
        ("Quantity", "Channel that decides", "Value ± uncertainty (k = 2)", "Allowed", "Margin", "Verdict"),
        rows,
        (0.24, 0.14, 0.19, 0.15, 0.13, 0.15),
    )


def _channels(detail: RunDetail) -> Table:
    rows = []
    for row in page_data.records(detail.channels):
        is_temperature = row["role"] == "temperature"
        what = str(words.ROLE_WORDS.get(row["role"], row["role"]))
        if is_temperature and not row["judged"]:
            what += ", not judged"
        rows.append(
            (
                str(row["name"]),
                what,
                str(row["placement"] or (NOT_RECORDED if is_temperature else "")),
                str(row["attachment"] or (NOT_RECORDED if is_temperature else "")),
                f"{row['samples']}" + (f", {row['missing']} missing" if row["missing"] else ""),
            )
        )
    return Table(("Channel", "Is", "Place", "Fixed by", "Values"), rows, (0.22, 0.2, 0.24, 0.16, 0.18))


def _checks(detail: RunDetail) -> list[Block]:
    seen = [f for f in detail.findings if f["state"] in ("fail", "suspect")]
    silent = [f for f in detail.findings if f["state"] in ("not evaluated", "missing")]
    out: list[Block] = []
    if seen:
        out += [Paragraph(words.finding_sentence(f)) for f in seen]
    else:
        out.append(Paragraph("Channel checks: nothing odd was seen by the checks that could run."))
    if silent:
        reasons: dict[str, list[str]] = {}
        for finding in silent:
            reasons.setdefault(str(finding["evidence"]).rstrip("."), []).append(words.finding_name(finding["code"]))
        text = "; ".join(f"{words.listed(list(dict.fromkeys(names)))}: {why}" for why, names in reasons.items())
        out.append(Paragraph(f"Not checked: {text}."))
    return out
