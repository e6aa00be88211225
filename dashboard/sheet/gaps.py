"""What was not measured or recorded, said plainly."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard import words
from dashboard.page_data import RunDetail
from dashboard.sheet.blocks import Block, Paragraph, Table

_FIELDS = (
    ("started_at", "the start time"),
    ("oven", "the oven"),
    ("board", "the board"),
    ("paste", "the paste"),
    ("jar", "the paste jar"),
    ("orientation", "how the board lay on the rack"),
    ("load_count", "how many boards were on the rack"),
    ("serials", "serials"),
    ("operator", "the operator"),
    ("firmware", "the firmware"),
    ("ambient_c", "the room temperature"),
)
_METHODS = {"x-ray": "voids under components (no x-ray inspection is recorded)", "electrical": "electrical function"}


def blocks(details: Sequence[RunDetail]) -> list[Block]:
    out: list[Block] = [
        Paragraph(
            "The temperatures are those of the thermocouples named under Sensors, at their places and on the board they were "
            "fixed to. Other places, and boards without thermocouples, were not measured; solder joints were not measured."
        )
    ]
    methods = {str(m) for d in details for m in d.inspections.get("method", [])}
    missing = [text for method, text in _METHODS.items() if method not in methods]
    if missing:
        out.append(Paragraph(f"Not looked at: {words.listed(missing)}."))
    out.append(
        Paragraph("Not recorded by this archive: humidity, time since printing, moisture exposure of components.")
    )
    rows = []
    for field, text in _FIELDS:
        bare = [d.run for d in details if d.overview[field] in (None, "")]
        if bare:
            rows.append((text, f"{len(bare)} of {len(details)}", words.ranges(bare).replace(",", ", ")))
    placed = [d.run for d in details if d.channels.loc[d.channels["role"] == "temperature", "placement"].isna().any()]
    if placed:
        rows.append(
            ("where a thermocouple was", f"{len(placed)} of {len(details)}", words.ranges(placed).replace(",", ", "))
        )
    if rows:
        out.append(Table(("Not recorded", "Runs", "Which"), rows, (0.45, 0.15, 0.40)))
    reasons: dict[tuple[str, str], list[int]] = {}
    for detail in details:
        for metric in detail.summary["metrics"]:
            if metric["status"] in ("not evaluated", "incomplete", "not reached") and metric["reason"]:
                runs = reasons.setdefault((words.metric_label(metric["metric"]), str(metric["reason"])), [])
                if detail.run not in runs:
                    runs.append(detail.run)
    if reasons:
        out.append(
            Table(
                ("Not measured", "Because", "Runs"),
                [(label, why, words.ranges(runs).replace(",", ", ")) for (label, why), runs in reasons.items()],
                (0.28, 0.52, 0.20),
            )
        )
    return out
