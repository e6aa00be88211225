"""The heater command over time, to stand under the curve of a run."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import altair as alt
import numpy as np

from dashboard.figures.lines import Axes, channel_styles, end_labels, has_values, line_rows, shown_channels
from dashboard.figures.theme import configured
from ingest.recording import FloatArray, Recording

HEIGHT = 150  # pixels, axis and title included
MEAN_S = 10.0  # s: a switching heater is on or off at any instant; its share over a few cycles is what can be read
_TITLE = "heater on (%)"


def heater_strip(recording: Recording, *, span: tuple[float, float] | None = None) -> Any | None:
    """Mean heater command over `MEAN_S` in %, over the same time axis as the curve. None without such a channel.

    `span` [s] shows a stretch of the run.
    """
    duties = [
        replace(c, values=mean_over(recording.elapsed_s, c.values, MEAN_S))
        for c in recording.of_role("duty")
        if has_values(c)
    ]
    if not duties:
        return None
    first, last = span or (0.0, recording.duration_s)
    inside = (recording.elapsed_s >= first) & (recording.elapsed_s <= last)
    styles = channel_styles(duties)
    rows = line_rows(recording, duties, inside, scale=100.0)
    axes = Axes((first, max(last, first + 1.0)), (0.0, 100.0), _TITLE, ticks=(0, 50, 100))
    chart = (
        alt.Chart(rows)
        .mark_line(clip=True, strokeWidth=1.6)
        .encode(
            x=axes.x("elapsed_s"),
            y=axes.y("value"),
            color=alt.Color(
                "channel:N", scale=alt.Scale(domain=[*styles], range=[s[0] for s in styles.values()]), legend=None
            ),
            detail="channel:N",
            tooltip=[
                alt.Tooltip("channel:N", title="channel"),
                alt.Tooltip("elapsed_s:Q", title="time (s)", format=".1f"),
                alt.Tooltip("value:Q", title=f"mean over {MEAN_S:g} s (%)", format=".0f"),
            ],
        )
    )
    labels = end_labels(rows, styles, axes, HEIGHT - 60, as_wide_as=[c.name for c in shown_channels(recording)])
    return configured(alt.layer(chart, labels).properties(width="container", height=HEIGHT))


def mean_over(elapsed_s: FloatArray, values: FloatArray, window_s: float) -> FloatArray:
    """Mean of a held value over the `window_s` [s] around each sample, cut at the ends. NaN counts neither way.

    A value holds from its sample to the next. Where the window holds no present value the mean is NaN.
    """
    if len(elapsed_s) < 2:
        return values.copy()
    held = np.diff(elapsed_s)
    present = np.isfinite(values[:-1])
    total = np.concatenate([[0.0], np.cumsum(np.where(present, values[:-1] * held, 0.0))])
    counted = np.concatenate([[0.0], np.cumsum(np.where(present, held, 0.0))])
    early = np.clip(elapsed_s - window_s / 2, elapsed_s[0], elapsed_s[-1])
    late = np.clip(elapsed_s + window_s / 2, elapsed_s[0], elapsed_s[-1])

    def between(sums: FloatArray) -> FloatArray:
        return np.interp(late, elapsed_s, sums) - np.interp(early, elapsed_s, sums)

    seconds = between(counted)
    return np.divide(between(total), seconds, out=np.full(len(elapsed_s), np.nan), where=seconds > 1e-9)
