"""Lines of channels over time: their styles, their thinned points and the labels at their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from dashboard.figures.theme import QUIET, channel_style
from dashboard.figures.thinning import spread_apart, thin_keeping_extremes
from ingest.recording import Channel, Recording

TIME = "time since start (s)"
COLUMNS = 700  # pixel columns kept apart when a long curve of up to four channels is thinned; fewer for more channels
LABEL_STEP = 15  # pixels between two label lines


@dataclass(frozen=True)
class Axes:
    """One time and one value axis for all layers of a chart.

    Every layer must name the same scale: Vega-Lite widens a domain by the data of any layer that does not.
    """

    seconds: tuple[float, float]
    values: tuple[float, float]
    title: str
    ticks: Sequence[float] | None = None

    def x(self, field: str) -> Any:
        scale = alt.Scale(domain=list(self.seconds), nice=False, zero=False)
        return alt.X(f"{field}:Q", title=TIME, scale=scale, axis=alt.Axis(grid=False))

    def y(self, field: str) -> Any:
        scale = alt.Scale(domain=list(self.values), nice=False, zero=False)
        axis = alt.Axis(minExtent=34) if self.ticks is None else alt.Axis(minExtent=34, values=list(self.ticks))
        return alt.Y(f"{field}:Q", title=self.title, scale=scale, axis=axis)

    def units_per_pixel(self, height: float) -> float:
        return (self.values[1] - self.values[0]) / height


def shown_channels(recording: Recording) -> list[Channel]:
    """The channels a curve draws: temperatures and set points that hold values."""
    return [c for c in (*recording.of_role("temperature"), *recording.of_role("setpoint")) if has_values(c)]


def has_values(channel: Channel) -> bool:
    return bool(np.isfinite(channel.values).any())


def channel_styles(channels: Sequence[Channel]) -> dict[str, tuple[str, list[int]]]:
    """Colour and dash by channel name; set points and averages are grey, so that they are not taken for the board."""
    styles: dict[str, tuple[str, list[int]]] = {}
    position = 0
    for channel in channels:
        if channel.role == "setpoint":
            styles[channel.name] = (QUIET, [3, 3])
        elif not channel.judged:
            styles[channel.name] = ("#9aa0a6", [1, 2])
        else:
            styles[channel.name] = channel_style(position)
            position += 1
    return styles


def line_rows(
    recording: Recording, channels: Sequence[Channel], inside: np.ndarray, scale: float = 1.0
) -> pd.DataFrame:
    """The points of the lines, thinned: elapsed_s [s], value (times `scale`), channel. `inside`: True is drawn."""
    columns = COLUMNS if len(channels) <= 4 else max(200, COLUMNS * 4 // len(channels))
    parts = []
    for channel in channels:
        elapsed, values = thin_keeping_extremes(recording.elapsed_s[inside], channel.values[inside] * scale, columns)
        parts.append(pd.DataFrame({"elapsed_s": elapsed, "value": np.round(values, 2), "channel": channel.name}))
    return pd.concat(parts, ignore_index=True)


def _wrapped(name: str, width: int = 11) -> str:
    """A channel name on several lines if it is long, so that a narrow screen keeps room for the curve."""
    if len(name) <= width:
        return name
    words, lines = name.replace("_", "_ ").split(" "), [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append(word)
        else:
            joint = "" if not lines[-1] or lines[-1].endswith("_") else " "
            lines[-1] += joint + word
    return "\n".join(lines)


def end_labels(
    lines: pd.DataFrame,
    styles: dict[str, tuple[str, list[int]]],
    axes: Axes,
    height: float,
    as_wide_as: Sequence[str] = (),
) -> Any:
    """The channels' names at the ends of their lines, moved apart where they would touch.

    `height` of the plot [pixels]. `as_wide_as`: names whose room is kept free as well, so
    that the time axes of two charts that stand below each other agree.
    """
    ends = lines.dropna(subset=["value"]).groupby("channel", sort=False).tail(1)
    words = [_wrapped(name).split("\n") for name in ends["channel"]]
    step = LABEL_STEP * axes.units_per_pixel(height)
    places = spread_apart([float(v) for v in ends["value"]], [len(w) * step for w in words])
    layers = []
    for name, elapsed, lines_of_name, at in zip(ends["channel"], ends["elapsed_s"], words, places, strict=True):
        top = at + (len(lines_of_name) - 1) / 2 * step
        rows = pd.DataFrame(
            {
                "elapsed_s": elapsed,
                "at": [top - k * step for k in range(len(lines_of_name))],
                "label": lines_of_name,
            }
        )
        # A layer a label: a shared colour scale would turn colour values into one more category of the lines.
        layers.append(
            alt.Chart(rows)
            .mark_text(align="left", dx=6, baseline="middle", fontSize=12, color=styles[name][0], clip=False)
            .encode(x=axes.x("elapsed_s"), y=axes.y("at"), text="label:N")
        )
    room = max((line for name in as_wide_as for line in _wrapped(name).split("\n")), key=len, default="")
    if room and len(ends):
        rows = pd.DataFrame({"elapsed_s": ends["elapsed_s"].max(), "at": float(ends["value"].iloc[0]), "label": [room]})
        layers.append(
            alt.Chart(rows)
            .mark_text(align="left", dx=6, baseline="middle", fontSize=12, opacity=0, clip=False)
            .encode(x=axes.x("elapsed_s"), y=axes.y("at"), text="label:N")
        )
    return alt.layer(*layers)
