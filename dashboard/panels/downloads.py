"""Tables and charts as files. A file is made when it is asked for, not when the page is drawn."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.export_cells import csv_bytes


def table_download(frame: pd.DataFrame, name: str, label: str = "Table as CSV") -> None:
    st.download_button(
        label, lambda: csv_bytes(frame), file_name=f"{name}.csv", mime="text/csv", key=f"csv-{name}", on_click="ignore"
    )


def chart_downloads(chart: Any, name: str, title: str, frame: pd.DataFrame) -> None:
    """PNG and SVG of a chart and its numbers as CSV, behind one small button."""
    from dashboard.figures.export import chart_bytes

    with st.popover("Download"):
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
