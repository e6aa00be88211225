"""Charts with their text alternative, and tables and charts as files. A file is made when it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.export_cells import csv_bytes

Rows = pd.DataFrame | Callable[[], pd.DataFrame]


def table_download(frame: Rows, name: str, label: str = "Table as CSV") -> None:
    st.download_button(
        label,
        lambda: csv_bytes(frame() if callable(frame) else frame),
        file_name=f"{name}.csv",
        mime="text/csv",
        key=f"csv-{name}",
        type="tertiary",
        on_click="ignore",
    )


def draw(chart: Any, name: str, said: str, title: str, rows: Rows | None = None) -> None:
    """A chart with `said` as its text alternative, and with its downloads under `name`, which is its key as well.

    `rows`: its numbers; None: those it was drawn from.
    """
    st.altair_chart(chart, theme=None, alt=said, key=f"chart-{name}")
    chart_downloads(chart, name, title, rows if rows is not None else lambda: numbers_of(chart))


def chart_downloads(chart: Any, name: str, title: str, frame: Rows) -> None:
    """PNG and SVG of a chart and its numbers as CSV, behind one small button."""
    from dashboard.figures.export import chart_bytes

    with st.popover("Download", key=f"files-{name}"):
        st.download_button(
            "Picture, PNG",
            lambda: chart_bytes(chart, "png", title=title),
            file_name=f"{name}.png",
            mime="image/png",
            key=f"png-{name}",
            on_click="ignore",
        )
        st.download_button(
            "Drawing, SVG",
            lambda: chart_bytes(chart, "svg", title=title),
            file_name=f"{name}.svg",
            mime="image/svg+xml",
            key=f"svg-{name}",
            on_click="ignore",
        )
        table_download(frame, name, "Numbers, CSV")


def numbers_of(chart: Any) -> pd.DataFrame:
    """The rows a chart is drawn from: of its layers the one with most of them."""
    import altair as alt

    with alt.data_transformers.enable("default", max_rows=None):
        data = chart.to_dict().get("datasets", {})
    return pd.DataFrame(max(data.values(), key=len, default=[]))
