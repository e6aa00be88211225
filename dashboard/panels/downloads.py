"""Tables and charts as files. A file is made when it is asked for, not when the page is drawn."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

# A cell that begins like this is taken for a formula by spreadsheet programs.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """A table as UTF-8 CSV with a byte-order mark, no text cell of which can start a formula."""
    safe = frame.copy()
    safe.columns = [_harmless(str(c)) for c in safe.columns]
    for name in safe.columns:
        if pd.api.types.is_string_dtype(safe[name]) or safe[name].dtype == object:
            safe[name] = [_harmless(v) if isinstance(v, str) else v for v in safe[name]]
    return safe.to_csv(index=False).encode("utf-8-sig")


def _harmless(text: str) -> str:
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


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
