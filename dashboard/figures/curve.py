"""The curve of a run: every temperature channel, the set point, the liquidus and the window's temperature bands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from analysis.results import LimitResult
from dashboard.figures.lines import LABEL_STEP, Axes, channel_styles, end_labels, has_values, line_rows, shown_channels
from dashboard.figures.theme import BAND, CEILING, FAINT, INK, PAPER, QUIET, configured
from dashboard.figures.thinning import spread_apart
from ingest.recording import Channel, FloatArray, Recording

HEIGHT = 380  # of the plot, in pixels
_HOVER_POINTS = 400  # instants at which the tooltip can stand
_TEMPERATURE = "temperature (°C)"


@dataclass(frozen=True)
class Band:
    """A horizontal stretch of temperature [°C] that a limit talks about; `low` == `high` draws a line."""

    label: str
    low: float
    high: float
    kind: str  # soak | peak | ceiling


def window_bands(limits: Sequence[LimitResult]) -> list[Band]:
    """The temperature bands behind the curve, from the limits a run was judged by. Limits in seconds give no band."""
    bands: list[Band] = []
    for result in limits:
        limit = result.limit
        if limit.metric == "soak_time_s":
            parameters = json.loads(limit.parameters)
            low, high = parameters.get("low_c"), parameters.get("high_c")
            if low is not None and high is not None:
                bands.append(Band(f"soak {low:g} to {high:g} °C", float(low), float(high), "soak"))
        elif limit.metric == "peak_c" and limit.scope == "body" and limit.high is not None:
            bands.append(Band(f"body ceiling {limit.high:g} °C", limit.high, limit.high, "ceiling"))
        elif limit.metric == "peak_c" and limit.low is not None and limit.high is not None:
            bands.append(Band(f"peak {limit.low:g} to {limit.high:g} °C", limit.low, limit.high, "peak"))
        elif limit.metric == "peak_c" and limit.low is not None:
            bands.append(Band(f"peak at least {limit.low:g} °C", limit.low, limit.low, "peak"))
        elif limit.metric == "peak_c" and limit.high is not None:
            bands.append(Band(f"peak at most {limit.high:g} °C", limit.high, limit.high, "peak"))
    return list(dict.fromkeys(bands))


def profile_curve(
    recording: Recording,
    *,
    liquidus_c: float | None = None,
    limits: Sequence[LimitResult] = (),
    span: tuple[float, float] | None = None,
    height: int = HEIGHT,
) -> Any:
    """The chart. `liquidus_c` [°C]; `span` [s] shows a stretch of the run. Needs one temperature channel with values.

    Lines are thinned to `COLUMNS` pixel columns keeping each column's extremes; missing samples leave the line open.
    """
    first, last = span or (0.0, recording.duration_s)
    last = max(last, first + 1.0)
    shown = shown_channels(recording)
    if not shown:
        raise ValueError("no temperature channel with values to draw")
    inside = (recording.elapsed_s >= first) & (recording.elapsed_s <= last)
    styles = channel_styles(shown)
    lines = line_rows(recording, shown, inside)
    bands = window_bands(limits)
    low, high = _reach(lines, bands, liquidus_c, whole=span is None)

    axes = Axes((first, last), (low, high), _TEMPERATURE)
    layers: list[Any] = [*_bands(bands, axes), *_liquidus(liquidus_c, axes)]
    layers.append(
        alt.Chart(lines)
        .mark_line(clip=True, strokeWidth=1.8, strokeJoin="round")
        .encode(
            x=axes.x("elapsed_s"),
            y=axes.y("value"),
            color=alt.Color(
                "channel:N", scale=alt.Scale(domain=[*styles], range=[s[0] for s in styles.values()]), legend=None
            ),
            strokeDash=alt.StrokeDash(
                "channel:N", scale=alt.Scale(domain=[*styles], range=[s[1] for s in styles.values()]), legend=None
            ),
            detail="channel:N",
        )
        .add_params(alt.selection_interval(name="zoom", bind="scales", encodings=["x"], zoom="wheel![event.shiftKey]"))
    )
    layers.append(end_labels(lines, styles, axes, height))
    layers.extend(_band_labels(bands, liquidus_c, axes, height))
    layers.extend(_hover(recording, shown, inside, axes))
    return configured(alt.layer(*layers).properties(width="container", height=height))


def curve_in_words(recording: Recording, liquidus_c: float | None = None) -> str:
    """What the curve shows, in two or three sentences, for those who do not see it."""
    peaks = []
    for channel in recording.of_role("temperature"):
        if channel.judged and has_values(channel):
            at = int(np.nanargmax(channel.values))
            peaks.append((float(channel.values[at]), float(recording.elapsed_s[at]), channel.name))
    if not peaks:
        return "No temperature channel with values: there is no curve to draw."
    high, low = max(peaks), min(peaks)
    count = "One temperature channel" if len(peaks) == 1 else f"{len(peaks)} temperature channels"
    text = f"{count} over {recording.duration_s:.0f} s. "
    text += f"{high[2]} reaches the highest value, {high[0]:.0f} °C after {high[1]:.0f} s"
    text += f"; {low[2]} stays lowest, at most {low[0]:.0f} °C." if len(peaks) > 1 else "."
    if liquidus_c is not None:
        above = sum(p[0] >= liquidus_c for p in peaks)
        text += f" {above} of {len(peaks)} reached the liquidus, {liquidus_c:g} °C."
    if recording.of_role("setpoint"):
        text += " The set point is drawn as a grey line."
    return text


def curve_table(recording: Recording) -> pd.DataFrame:
    """Every sample, unthinned: a column of seconds and one a channel, unit in each heading. States stay their words."""
    units = {"temperature": " (°C)", "setpoint": " (°C)", "reference_junction": " (°C)", "duty": " (fraction 0 to 1)"}
    columns: dict[str, Any] = {"time since start (s)": recording.elapsed_s}
    for channel in recording.channels:
        if channel.role == "state" and channel.labels:
            codes = channel.values
            columns[channel.name] = [
                channel.labels[int(code)] if not np.isnan(code) and int(code) < len(channel.labels) else ""
                for code in codes
            ]
        else:
            columns[channel.name + units.get(channel.role, "")] = channel.values.astype(np.float32)  # as stored
    return pd.DataFrame(columns)


def _reach(lines: pd.DataFrame, bands: Sequence[Band], liquidus_c: float | None, *, whole: bool) -> tuple[float, float]:
    present = lines["value"].dropna()
    low, high = (float(present.min()), float(present.max())) if len(present) else (0.0, 1.0)
    marks = [b.high for b in bands] + ([liquidus_c] if liquidus_c is not None else [])
    # A limit far above the curve would press the curve flat, so limits widen the axis by so many °C at most.
    reach = 60.0 if whole else 25.0
    high = max([high, *(m for m in marks if m <= high + reach)])
    if whole and 0.0 < low < 60.0:
        low = 0.0
    room = 0.06 * max(high - low, 5.0)
    return (low if low == 0.0 else low - room), high + room


def _bands(bands: Sequence[Band], axes: Axes) -> list[Any]:
    layers: list[Any] = []
    for band in bands:
        rows = pd.DataFrame({"low": [band.low], "high": [band.high]})
        if band.high > band.low:
            mark = alt.Chart(rows).mark_rect(color=BAND, opacity=0.75 if band.kind == "soak" else 1.0, clip=True)
            layers.append(mark.encode(y=axes.y("low"), y2="high:Q"))
        else:
            colour = CEILING if band.kind == "ceiling" else QUIET
            mark = alt.Chart(rows).mark_rule(color=colour, strokeWidth=1.2, clip=True)
            layers.append(mark.encode(y=axes.y("low")))
    return layers


def _liquidus(liquidus_c: float | None, axes: Axes) -> list[Any]:
    if liquidus_c is None:
        return []
    rows = pd.DataFrame({"at": [liquidus_c]})
    return [alt.Chart(rows).mark_rule(color=INK, strokeDash=[6, 4], strokeWidth=1, clip=True).encode(y=axes.y("at"))]


def _band_labels(bands: Sequence[Band], liquidus_c: float | None, axes: Axes, height: float) -> list[Any]:
    degrees_per_pixel = axes.units_per_pixel(height)
    low, high = axes.values
    seen = [band for band in bands if band.low < high and band.high > low]
    wanted = [(b.label, (max(b.low, low) + min(b.high, high)) / 2) for b in seen if b.high > b.low]
    wanted += [(b.label, b.low + 8 * degrees_per_pixel) for b in seen if b.high == b.low]
    if liquidus_c is not None and low < liquidus_c < high:
        wanted.append((f"liquidus {liquidus_c:g} °C", liquidus_c + 8 * degrees_per_pixel))
    if not wanted:
        return []
    places = spread_apart([at for _, at in wanted], [LABEL_STEP * degrees_per_pixel] * len(wanted))
    rows = pd.DataFrame({"label": [label for label, _ in wanted], "at": places})
    text = alt.Chart(rows).encode(x=alt.value(0), y=axes.y("at"), text="label:N")
    style: dict[str, Any] = {"align": "left", "dx": 4, "fontSize": 11.5, "clip": True}
    return [text.mark_text(stroke=PAPER, strokeWidth=3, opacity=0.8, **style), text.mark_text(color=QUIET, **style)]


def _hover(recording: Recording, channels: Sequence[Channel], inside: np.ndarray, axes: Axes) -> list[Any]:
    """A vertical line that follows the pointer and names every channel's value, with its unit."""
    where = np.flatnonzero(inside)
    if not len(where):
        return []
    where = where[np.unique(np.linspace(0, len(where) - 1, min(_HOVER_POINTS, len(where))).astype(int))]
    table: dict[str, Any] = {"elapsed_s": recording.elapsed_s[where]}
    table["time"] = [f"{second:.1f} s" for second in recording.elapsed_s[where]]
    fields: FloatArray
    for position, channel in enumerate(channels):
        fields = channel.values[where]
        table[f"v{position}"] = ["missing" if np.isnan(v) else f"{v:.1f} °C" for v in fields]
    near = alt.selection_point(
        name="at", fields=["elapsed_s"], nearest=True, on="pointermove", clear="pointerout", empty=False
    )
    tooltip = [alt.Tooltip("time:N", title="time")]
    tooltip += [alt.Tooltip(f"v{position}:N", title=channel.name) for position, channel in enumerate(channels)]
    return [
        alt.Chart(pd.DataFrame(table))
        .mark_rule(color=FAINT, strokeWidth=1.5)
        .encode(
            x=axes.x("elapsed_s"),
            opacity=alt.when(near).then(alt.value(1)).otherwise(alt.value(0)),
            tooltip=tooltip,
        )
        .add_params(near)
    ]
