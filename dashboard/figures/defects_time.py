"""Defects over time: shares with control limits, runs between rare defects, and how well a model's probabilities hold."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from analysis.defects.counting import BetweenChart
from analysis.defects.overview import OverTime
from analysis.defects.several import Model
from dashboard.figures.theme import BAND, CHANNEL_COLOURS, INK, QUIET, configured


def share_over_time(points: OverTime) -> Any:
    """Share of runs with the defect a month (or week), its centre and the limits that allow for scatter beyond chance."""
    chart = points.chart
    frame = pd.DataFrame(
        {
            "when": points.labels,
            "share": chart.rate,
            "low": chart.low,
            "high": chart.high,
            "count": points.counts,
            "n": points.n,
            "state": ["outside" if out else "inside" for out in chart.outside],
        }
    )
    x = alt.X("when:O", title=None, axis=alt.Axis(labelAngle=-40))
    y = alt.Y("share:Q", title="share of runs with a defect", axis=alt.Axis(format=".0%"))
    base = alt.Chart(frame)
    band = base.mark_area(color=BAND, interpolate="step").encode(
        x=x, y=alt.Y("low:Q", title="share of runs with a defect"), y2="high:Q"
    )
    centre = base.mark_rule(color=QUIET, strokeDash=[5, 3]).encode(y=alt.datum(float(chart.centre)))
    line = base.mark_line(color=CHANNEL_COLOURS[0]).encode(x=x, y=y)
    dots = base.mark_point(size=80, filled=True, opacity=1).encode(
        x=x,
        y=y,
        color=alt.Color(
            "state:N",
            scale=alt.Scale(domain=["inside", "outside"], range=[CHANNEL_COLOURS[0], CHANNEL_COLOURS[1]]),
            legend=None,
        ),
        shape=alt.Shape(
            "state:N", scale=alt.Scale(domain=["inside", "outside"], range=["circle", "cross"]), legend=None
        ),
        tooltip=[
            alt.Tooltip("when:O", title=points.per),
            alt.Tooltip("count:Q", title="runs with a defect"),
            alt.Tooltip("n:Q", title="inspected runs"),
            alt.Tooltip("low:Q", format=".0%", title="lower control limit"),
            alt.Tooltip("high:Q", format=".0%", title="upper control limit"),
        ],
    )
    return configured(alt.layer(band, centre, line, dots).properties(width="container", height=240))


def time_in_words(points: OverTime) -> str:
    out = [label for label, is_out in zip(points.labels, points.chart.outside, strict=True) if is_out]
    scatter = (
        f"counts scatter {points.chart.spread:.1f} times as much as chance alone, and the limits allow for it"
        if points.chart.spread > 1
        else "counts scatter no more than chance alone"
    )
    where = (
        f"outside the control limits: {', '.join(out)}" if out else f"no {points.per} lies outside the control limits"
    )
    return f"{points.chart.centre:.0%} of runs over {len(points.labels)} {points.per}s; {scatter}; {where}."


def gap_points(chart: BetweenChart, table: pd.DataFrame) -> Any:
    """Clean runs before each run with the defect; a gap that chance seldom makes so short is marked."""
    frame = table.assign(
        place=range(1, len(table) + 1),
        state=["too short for chance" if s else "as chance makes them" for s in chart.signal],
    )
    states = ["as chance makes them", "too short for chance"]
    dots = (
        alt.Chart(frame)
        .mark_point(size=80, filled=True, opacity=1)
        .encode(
            x=alt.X("place:Q", title="defect, in order of time", axis=alt.Axis(tickMinStep=1, format="d")),
            y=alt.Y("between:Q", title="clean runs before it", axis=alt.Axis(tickMinStep=1, format="d")),
            color=alt.Color(
                "state:N",
                scale=alt.Scale(domain=states, range=[CHANNEL_COLOURS[0], CHANNEL_COLOURS[1]]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            shape=alt.Shape("state:N", scale=alt.Scale(domain=states, range=["circle", "cross"])),
            tooltip=[
                alt.Tooltip("run:Q", title="run"),
                alt.Tooltip("between:Q", title="clean runs before it"),
                alt.Tooltip("probability:Q", format=".2g", title="chance of so few"),
            ],
        )
    )
    line = alt.Chart(frame).mark_line(color=QUIET, strokeWidth=1).encode(x="place:Q", y="between:Q")
    return configured(alt.layer(line, dots).properties(width="container", height=220))


def gaps_in_words(chart: BetweenChart, table: pd.DataFrame) -> str:
    short = table.loc[table["signal"], "run"].tolist()
    said = f"{len(table)} gaps between runs with it, on average {1 / chart.rate - 1:.0f} clean runs. "
    if short:
        return said + f"Too close together for chance: before run {', '.join(map(str, short))}."
    return said + "None is too short for chance."


def calibration_points(model: Model) -> Any:
    """Predicted against seen, out of sample: dots on the line are probabilities that hold."""
    frame = pd.DataFrame(
        [
            {
                "predicted": c.predicted,
                "seen": c.seen.rate,
                "low": c.seen.low,
                "high": c.seen.high,
                "text": f"{c.seen.count} of {c.seen.n}",
            }
            for c in model.calibration
        ]
    )
    top = min(1.0, 1.1 * float(max(frame["predicted"].max(), frame["high"].max())))
    scale = alt.Scale(domain=[0, top])
    x = alt.X("predicted:Q", title="predicted for jars not seen", scale=scale, axis=alt.Axis(format=".0%"))
    line = alt.Chart(pd.DataFrame({"x": [0, top]})).mark_line(color=QUIET, strokeDash=[5, 3]).encode(x="x:Q", y="x:Q")
    base = alt.Chart(frame)
    bars = base.mark_rule(color=INK).encode(x=x, y=alt.Y("low:Q", scale=scale), y2="high:Q")
    dots = base.mark_circle(size=90, color=CHANNEL_COLOURS[0], opacity=1).encode(
        x=x,
        y=alt.Y("seen:Q", title="seen", scale=scale, axis=alt.Axis(format=".0%")),
        tooltip=[
            alt.Tooltip("predicted:Q", format=".1%"),
            alt.Tooltip("seen:Q", format=".1%"),
            alt.Tooltip("text:N", title="runs"),
        ],
    )
    return configured(alt.layer(line, bars, dots).properties(width="container", height=260))
