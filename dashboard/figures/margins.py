"""Margins as plain horizontal bars: for each limit the allowed range, the value and its uncertainty."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from dashboard.figures.theme import BAND, INK, QUIET, VERDICT_COLOURS, VERDICT_SHAPES, configured

ROW_HEIGHT = 90  # pixels
_LEFT, _RIGHT = 0.0, 1.0


@dataclass(frozen=True)
class MarginRow:
    """One limit as it is drawn. Texts are ready for people; numbers are in the limit's own unit.

    `heading`: what is judged; `where`: the channel that decides; `value_text`, `low_text`, `high_text` carry the unit;
    `verdict` is one of analysis.results.VERDICTS; `note` stands in the place of the bar when there is no value.
    """

    heading: str
    where: str
    verdict: str
    low: float | None
    high: float | None
    value: float | None
    uncertainty: float | None
    value_text: str
    low_text: str
    high_text: str
    margin_text: str
    source: str
    note: str = ""


def margin_bars(rows: Sequence[MarginRow]) -> Any:
    """The chart, a row a limit. Every row has a scale of its own, so rows compare by where the mark stands in the band."""
    frame = pd.DataFrame([_placed(row, index) for index, row in enumerate(rows)])
    domain = [-0.5, len(rows) - 0.5]
    x_scale = alt.Scale(domain=[_LEFT, _RIGHT], nice=False)
    y_scale = alt.Scale(domain=domain, nice=False, reverse=True)

    def x(field: str) -> Any:
        return alt.X(f"{field}:Q", scale=x_scale, axis=None)

    y = alt.Y("y:Q", scale=y_scale, axis=None)
    tooltip = [
        alt.Tooltip("heading:N", title="limit"),
        alt.Tooltip("where:N", title="channel"),
        alt.Tooltip("value_text:N", title="value"),
        alt.Tooltip("range_text:N", title="allowed"),
        alt.Tooltip("margin_text:N", title="margin"),
        alt.Tooltip("verdict:N", title="verdict"),
        alt.Tooltip("source:N", title="limit from"),
    ]
    base = alt.Chart(frame).encode(tooltip=tooltip)
    valued = base.transform_filter("isValid(datum.at)")
    verdicts = list(VERDICT_COLOURS)
    colour = alt.Color("verdict:N", scale=alt.Scale(domain=verdicts, range=[*VERDICT_COLOURS.values()]), legend=None)
    layers = [
        valued.mark_rect(height=16, yOffset=14, color="#f4f5f6").encode(x=x("zero"), x2="one:Q", y=y),
        valued.mark_rect(height=16, yOffset=14, color=BAND, stroke="#b9c6cf").encode(x=x("from"), x2="to:Q", y=y),
        valued.transform_filter("isValid(datum.low_at)")
        .mark_tick(orient="vertical", height=22, thickness=2, yOffset=14, color=INK)
        .encode(x=x("low_at"), y=y),
        valued.transform_filter("isValid(datum.high_at)")
        .mark_tick(orient="vertical", height=22, thickness=2, yOffset=14, color=INK)
        .encode(x=x("high_at"), y=y),
        base.mark_text(align="left", baseline="middle", dy=-30, fontSize=12.5, fontWeight="bold").encode(
            x=x("zero"), y=y, text="heading:N"
        ),
        valued.transform_filter("isValid(datum.low_at)")
        .mark_text(align="center", baseline="middle", dy=33, fontSize=11.5, color=QUIET)
        .encode(x=x("low_at"), y=y, text="low_text:N"),
        valued.transform_filter("isValid(datum.high_at)")
        .mark_text(align="center", baseline="middle", dy=33, fontSize=11.5, color=QUIET)
        .encode(x=x("high_at"), y=y, text="high_text:N"),
        base.mark_text(align="left", baseline="top", lineBreak="\n", lineHeight=15, dy=-20, fontSize=12).encode(
            x=x("zero"), y=y, text="said:N"
        ),
        valued.mark_rule(strokeWidth=3, yOffset=14).encode(x=x("least"), x2="most:Q", y=y, color=colour),
        valued.mark_point(filled=True, size=110, opacity=1, yOffset=14).encode(
            x=x("at"),
            y=y,
            color=colour,
            shape=alt.Shape(
                "verdict:N", scale=alt.Scale(domain=verdicts, range=[*VERDICT_SHAPES.values()]), legend=None
            ),
        ),
    ]
    return configured(
        alt.layer(*layers).properties(width="container", height=ROW_HEIGHT * len(rows)),
        padding={"left": 2, "right": 2, "top": 2, "bottom": 2},
    )


def margins_in_words(rows: Sequence[MarginRow]) -> str:
    """A sentence a limit, for those who do not see the bars."""
    if not rows:
        return "No limit was judged."
    return " ".join(
        f"{row.heading}, {row.where}: {row.verdict}"
        + (f", {row.value_text}, margin {row.margin_text}." if row.value is not None else f", {row.note}.")
        for row in rows
    )


def margins_table(rows: Sequence[MarginRow]) -> pd.DataFrame:
    """The same as a table; every cell carries its unit in its text."""
    return pd.DataFrame(
        {
            "limit": [row.heading for row in rows],
            "channel": [row.where for row in rows],
            "verdict": [row.verdict for row in rows],
            "value": [row.value_text or row.note for row in rows],
            "at least": [row.low_text or "no limit" for row in rows],
            "at most": [row.high_text or "no limit" for row in rows],
            "margin": [row.margin_text for row in rows],
            "limit from": [row.source for row in rows],
        }
    )


def _placed(row: MarginRow, index: int) -> dict[str, Any]:
    """`row` on a line from 0 to 1: a two-sided band fills the middle half, a one-sided limit stands at a quarter."""
    if row.low is not None and row.high is not None and row.high > row.low:
        scale = 0.5 / (row.high - row.low)
        low_at, high_at, origin = 0.25, 0.75, row.low - 0.25 / scale
    else:
        limit = row.low if row.low is not None else (row.high if row.high is not None else 0.0)
        reach = max(
            abs((row.value if row.value is not None else limit) - limit) * 1.6,
            (row.uncertainty or 0.0) * 3.0,
            abs(limit) * 0.1,
            1e-6,
        )
        beyond = abs((row.value if row.value is not None else limit) - limit) + (row.uncertainty or 0.0)
        outside = row.value is not None and (row.value < limit if row.low is not None else row.value > limit)
        scale = min(0.7 / reach, 0.22 / beyond) if outside and beyond else 0.7 / reach
        if row.low is not None:
            low_at, high_at, origin = 0.25, None, limit - 0.25 / scale
        else:
            low_at, high_at, origin = None, 0.75, limit - 0.75 / scale

    def at(number: float | None) -> float | None:
        return None if number is None else min(max((number - origin) * scale, 0.012), 0.988)

    spread = row.uncertainty or 0.0
    return {
        "y": index,
        "zero": 0.0,
        "one": 1.0,
        "from": low_at if low_at is not None else 0.0,
        "to": high_at if high_at is not None else 1.0,
        "low_at": low_at,
        "high_at": high_at,
        "at": at(row.value),
        "least": at(None if row.value is None else row.value - spread),
        "most": at(None if row.value is None else row.value + spread),
        "heading": row.heading,
        "said": _said(row),
        "where": row.where,
        "value_text": row.value_text or "no value",
        "low_text": row.low_text,
        "high_text": row.high_text,
        "range_text": " to ".join(t for t in (row.low_text, row.high_text) if t),
        "margin_text": row.margin_text or "none",
        "verdict": row.verdict,
        "source": row.source,
        "note": row.note,
    }


def _said(row: MarginRow) -> str:
    """The line under the heading: channel, value and verdict; without a value, the reason on as many lines as it needs."""
    if row.value is not None:
        return f"{row.where}: {row.value_text}, {row.verdict}"
    return "\n".join(textwrap.wrap(f"{row.verdict}: {row.note}", 54)[:4])
