"""Two runs on one time axis: their curves, and below them the difference."""

from __future__ import annotations

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from analysis.compare import CurveComparison
from dashboard.figures.lines import COLUMNS, Axes, end_labels
from dashboard.figures.theme import FAINT, INK, channel_style, configured
from dashboard.figures.thinning import thin_keeping_extremes

HEIGHT = 340
DIFFERENCE_HEIGHT = 170
_FIRST_DASH, _SECOND_DASH = [5, 3], [1, 0]


def comparison_curves(curves: CurveComparison, first: int, second: int, *, height: int = HEIGHT) -> Any:
    """Every common channel of both runs: the first run dashed and thin, the second solid. Needs at least one."""
    names = _names(curves)
    rows = [_thinned(curves.curves, name, side, label) for name in names for side, label in _sides(first, second)]
    lines = pd.concat(rows, ignore_index=True)
    axes = _axes(lines, "temperature (°C)")
    styles = {name: channel_style(i) for i, name in enumerate(names)}
    layers: list[Any] = []
    for name in names:
        for label, dash, width in ((f"run {first}", _FIRST_DASH, 1.3), (f"run {second}", _SECOND_DASH, 2.0)):
            part = lines[(lines["channel"] == name) & (lines["run"] == label)]
            layers.append(
                alt.Chart(part)
                .mark_line(clip=True, color=styles[name][0], strokeDash=dash, strokeWidth=width)
                .encode(x=axes.x("elapsed_s"), y=axes.y("value"), tooltip=_tooltip())
            )
    ends = lines[lines["run"] == f"run {second}"][["elapsed_s", "value", "channel"]]
    layers.append(end_labels(ends, styles, axes, height))
    layers[0] = layers[0].add_params(
        alt.selection_interval(name="zoom", bind="scales", encodings=["x"], zoom="wheel![event.shiftKey]")
    )
    return configured(alt.layer(*layers).properties(width="container", height=height))


def difference_curves(curves: CurveComparison, *, height: int = DIFFERENCE_HEIGHT) -> Any:
    """Second run less first, a line a channel, with the line of no difference."""
    names = _names(curves)
    lines = pd.concat([_thinned(curves.curves, name, "difference", "") for name in names], ignore_index=True)
    axes = _axes(lines, "difference (K)", least=4.0)
    styles = {name: channel_style(i) for i, name in enumerate(names)}
    zero = alt.Chart(pd.DataFrame({"at": [0.0]})).mark_rule(color=INK, strokeWidth=1).encode(y=axes.y("at"))
    marks = [
        alt.Chart(lines[lines["channel"] == name])
        .mark_line(clip=True, color=styles[name][0], strokeDash=styles[name][1], strokeWidth=1.6)
        .encode(x=axes.x("elapsed_s"), y=axes.y("value"))
        for name in names
    ]
    # A pale band where a channel differs most, so that the sentence below can be found in the picture.
    bands = [
        alt.Chart(pd.DataFrame({"from": [start], "to": [end]}))
        .mark_rect(color=FAINT, opacity=0.35, clip=True)
        .encode(x=axes.x("from"), x2="to:Q")
        for start, end, _ in _widest(curves)
    ]
    labels = end_labels(lines[["elapsed_s", "value", "channel"]], styles, axes, height)
    return configured(alt.layer(*bands, zero, *marks, labels).properties(width="container", height=height))


def comparison_table(curves: CurveComparison, first: int, second: int) -> pd.DataFrame:
    """The aligned curves as numbers, units in the headings."""
    return curves.curves.rename(
        columns={
            "elapsed_s": f"time since start of run {first} (s)",
            "first": f"run {first} (°C)",
            "second": f"run {second} (°C)",
            "difference": "difference (K)",
        }
    )


def legend_words(first: int, second: int) -> str:
    return f"Dashed: run {first}. Solid: run {second}. One colour a channel."


def _names(curves: CurveComparison) -> list[str]:
    present = curves.curves.dropna(subset=["first", "second"])
    return list(dict.fromkeys(present["channel"]))


def _sides(first: int, second: int) -> tuple[tuple[str, str], ...]:
    return ("first", f"run {first}"), ("second", f"run {second}")


def _thinned(frame: pd.DataFrame, name: str, side: str, label: str) -> pd.DataFrame:
    part = frame[frame["channel"] == name]
    elapsed, values = thin_keeping_extremes(
        part["elapsed_s"].to_numpy(dtype=float), part[side].to_numpy(dtype=float), COLUMNS // 2
    )
    return pd.DataFrame({"elapsed_s": elapsed, "value": np.round(values, 2), "channel": name, "run": label})


def _axes(lines: pd.DataFrame, title: str, least: float = 0.0) -> Axes:
    values = lines["value"].dropna()
    low, high = float(values.min()), float(values.max())
    room = max(0.06 * (high - low), least / 2 if least else 1.0)
    start, end = float(lines["elapsed_s"].min()), float(lines["elapsed_s"].max())
    return Axes((start, max(end, start + 1.0)), (low - room, high + room), title)


def _tooltip() -> list[Any]:
    return [
        alt.Tooltip("run:N", title="run"),
        alt.Tooltip("channel:N", title="channel"),
        alt.Tooltip("elapsed_s:Q", title="time (s)", format=".0f"),
        alt.Tooltip("value:Q", title="temperature (°C)", format=".1f"),
    ]


def _widest(curves: CurveComparison) -> list[tuple[float, float, float]]:
    """The stretch of the channel with the largest mean difference."""
    return sorted(curves.stretches.values(), key=lambda s: -abs(s[2]))[:1]
