"""The curve of a run on a page: which stretch, the chart, its words and its downloads."""

from __future__ import annotations

import numpy as np
import streamlit as st

from dashboard.figures.curve import curve_in_words, curve_table, profile_curve
from dashboard.figures.heater import MEAN_S, heater_strip
from dashboard.page_data import RunDetail
from dashboard.panels import page
from dashboard.panels.downloads import draw
from ingest.recording import Recording

VIEWS = ("whole run", "heating", "near the peak")
_ROOM_S = 20.0  # seconds shown on either side of the stretch of interest


def show_curve(detail: RunDetail, recording: Recording, *, with_heater: bool = True) -> None:
    """Draw the run's curve. A log without temperature values gets a sentence instead of an empty chart."""
    if not any(np.isfinite(c.values).any() for c in recording.of_role("temperature")):
        st.info("This log has no temperature values, so there is no curve.")
        return
    view = st.segmented_control(
        "Show", VIEWS, default=VIEWS[0], key="view", bind="query-params", label_visibility="collapsed", required=True
    )
    span = _span(recording, view or VIEWS[0], detail.liquidus_c)
    chart = profile_curve(recording, liquidus_c=detail.liquidus_c, limits=detail.limits, span=span)
    sentence = curve_in_words(recording, detail.liquidus_c)
    draw(chart, f"run-{detail.run}-curve", sentence, f"Run {detail.run}", lambda: curve_table(recording))
    strip = heater_strip(recording, span=span) if with_heater else None
    if strip is not None:
        draw(
            strip,
            f"run-{detail.run}-heater",
            f"Heater command in percent over the same time, mean over {MEAN_S:g} s.",
            f"Run {detail.run}: heater",
        )
    st.caption(
        f"{page.plain(sentence)} Point at the curve for values; drag to move along, Shift and wheel to zoom, "
        "double-click to reset."
    )


def _span(recording: Recording, view: str, liquidus_c: float | None) -> tuple[float, float] | None:
    """The stretch of time [s] a view shows; None is the whole run."""
    if view == VIEWS[0] or recording.duration_s <= 0:
        return None
    times = recording.elapsed_s
    judged = [c for c in recording.of_role("temperature") if np.isfinite(c.values).any()]
    hottest = np.nanmax(np.vstack([np.where(np.isfinite(c.values), c.values, -np.inf) for c in judged]), axis=0)
    peak_at = float(times[int(np.argmax(hottest))])
    if view == "heating":
        return 0.0, min(recording.duration_s, peak_at + _ROOM_S)
    above = np.flatnonzero(hottest >= liquidus_c) if liquidus_c is not None else np.array([], dtype=int)
    first, last = (float(times[above[0]]), float(times[above[-1]])) if len(above) else (peak_at - 60.0, peak_at + 60.0)
    return max(0.0, first - _ROOM_S), min(recording.duration_s, last + _ROOM_S)
