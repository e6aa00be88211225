"""Charts of defects: shares with their intervals, both sides of a contrast, and the runs behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from analysis.defects.contrasts import Side
from analysis.defects.counting import proportion
from dashboard.figures.theme import CHANNEL_COLOURS, INK, QUIET, configured

WITH, WITHOUT = CHANNEL_COLOURS[1], CHANNEL_COLOURS[0]
ROW = 34  # pixels a row


def _rows(names: Sequence[str]) -> Any:
    return alt.Y("name:N", sort=list(names), title=None, axis=alt.Axis(labelLimit=220, domain=False, ticks=False))


def share_points(names: Sequence[str], counts: Sequence[int], n: Sequence[int], title: str) -> Any:
    """A row a name: the share of runs as a dot, its 95 % interval as a line, the counts in words beside it."""
    rows = []
    for name, count, of in zip(names, counts, n, strict=True):
        p = proportion(count, of)
        rows.append({"name": name, "share": p.rate, "low": p.low, "high": p.high, "text": f"{count} of {of}"})
    frame = pd.DataFrame(rows)
    top = min(1.0, max(0.05, float(frame["high"].max()) * 1.15))
    x = alt.X("share:Q", title=title, scale=alt.Scale(domain=[0, top]), axis=alt.Axis(format=".0%", tickCount=5))
    base = alt.Chart(frame).encode(y=_rows(names))
    tooltip = [
        alt.Tooltip("name:N", title=" "),
        alt.Tooltip("text:N", title="runs"),
        alt.Tooltip("low:Q", format=".1%", title="from"),
        alt.Tooltip("high:Q", format=".1%", title="to"),
    ]
    line = base.mark_rule(color=QUIET, strokeWidth=2).encode(
        x=alt.X("low:Q", title=title, scale=alt.Scale(domain=[0, top])), x2="high:Q", tooltip=tooltip
    )
    dot = base.mark_circle(size=90, color=INK, opacity=1).encode(x=x, tooltip=tooltip)
    text = base.mark_text(align="left", dx=6, dy=-10, color=INK, fontSize=11).encode(x=x, text="text:N")
    return configured(alt.layer(line, dot, text).properties(width="container", height=ROW * len(names) + 20))


def contrast_points(pairs: Sequence[tuple[str, Side, Side]]) -> Any:
    """A row a factor: the share of runs with the defect on the side where the factor says trouble, and on the other."""
    rows = []
    for name, a, b in pairs:
        for side, where in ((a, "this side"), (b, "other side")):
            p = proportion(side.with_defect, side.runs)
            rows.append(
                {
                    "name": name,
                    "share": p.rate,
                    "low": p.low,
                    "high": p.high,
                    "where": where,
                    "text": f"{side.with_defect} of {side.runs} runs with {side.text}",
                }
            )
    frame = pd.DataFrame(rows)
    names = [name for name, _, _ in pairs]
    top = min(1.0, max(0.05, float(frame["high"].max()) * 1.1))
    scale, title = alt.Scale(domain=[0, top]), "share of runs with the defect"
    colour = alt.Color(
        "where:N",
        scale=alt.Scale(domain=["this side", "other side"], range=[WITH, WITHOUT]),
        legend=alt.Legend(title=None, orient="top"),
    )
    shape = alt.Shape("where:N", scale=alt.Scale(domain=["this side", "other side"], range=["circle", "diamond"]))
    y_offset = alt.YOffset("where:N", sort=["this side", "other side"])
    base = alt.Chart(frame).encode(
        y=_rows(names),
        yOffset=y_offset,
        color=colour,
        tooltip=[
            alt.Tooltip("text:N", title=" "),
            alt.Tooltip("low:Q", format=".1%", title="from"),
            alt.Tooltip("high:Q", format=".1%", title="to"),
        ],
    )
    line = base.mark_rule(strokeWidth=2).encode(x=alt.X("low:Q", scale=scale, title=title), x2="high:Q")
    dot = base.mark_point(size=80, filled=True, opacity=1).encode(
        x=alt.X(
            "share:Q", title="share of runs with the defect", scale=scale, axis=alt.Axis(format=".0%", tickCount=5)
        ),
        shape=shape,
    )
    return configured(alt.layer(line, dot).properties(width="container", height=44 * len(pairs) + 40))


def value_strip(values: pd.DataFrame, label: str, unit: str, cut: float | None, limit: float | None) -> Any:
    """Every run at its value of the factor, runs with the defect above those without; the cut and a suggested limit.

    `values`: run, value, hit. The place across a row has no meaning; it only keeps the dots apart.
    """
    frame = values.assign(
        row=values["hit"].map({True: "with the defect", False: "without"}),
        apart=(values["run"] * 0.618) % 1.0,
        value=values["value"].astype(float),
    )
    order = ["with the defect", "without"]
    axis = f"{label} ({unit})" if unit else label
    dots = (
        alt.Chart(frame)
        .mark_point(size=45, filled=True, opacity=0.75)
        .encode(
            x=alt.X("value:Q", title=axis, scale=alt.Scale(zero=False)),
            y=alt.Y("row:N", sort=order, title=None, axis=alt.Axis(domain=False, ticks=False)),
            yOffset=alt.YOffset("apart:Q", scale=alt.Scale(domain=[-0.2, 1.2])),
            color=alt.Color("row:N", scale=alt.Scale(domain=order, range=[WITH, WITHOUT]), legend=None),
            shape=alt.Shape("row:N", scale=alt.Scale(domain=order, range=["circle", "diamond"]), legend=None),
            tooltip=[alt.Tooltip("run:Q", title="run"), alt.Tooltip("value:Q", title=axis, format=".3g"), "row:N"],
        )
    )
    layers: list[Any] = [dots]
    for at, text, dash in ((cut, "compared at", [4, 3]), (limit, "suggested limit", [1, 0])):
        if at is None:
            continue
        mark = pd.DataFrame([{"at": at, "text": f"{text} {at:.3g}"}])
        layers.append(alt.Chart(mark).mark_rule(color=INK, strokeDash=dash).encode(x="at:Q"))
        layers.append(
            alt.Chart(mark)
            .mark_text(align="left", dx=4, y=-18 if text == "compared at" else -5, color=INK, fontSize=11)
            .encode(x="at:Q", text="text:N")
        )
    room = {"left": 4, "right": 8, "top": 28, "bottom": 4}  # for the words above the marks
    return configured(alt.layer(*layers).properties(width="container", height=210), padding=room)
