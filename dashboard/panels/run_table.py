"""The list of runs as a table: the newest few hundred that match; a tap opens one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import page_data, words
from dashboard.page_data import Book, RunFilter
from dashboard.panels import page
from dashboard.panels.downloads import table_download

SHOWN = 500  # rows sent to the browser; the rest is reached by filters


def show(book: Book, run_filter: RunFilter, sort: str, total: int) -> None:
    matching = page_data.run_count(book, run_filter)
    if matching == 0:
        st.info(f"None of the {total} runs matches. Take a filter away.")
        return
    rows = page_data.run_list(book, run_filter, sort, SHOWN)
    said = f"{words.counted(matching, 'run')} of {total}" if matching != total else words.counted(total, "run")
    said += f"; the first {SHOWN} are listed, filter to see others" if matching > SHOWN else ""
    st.caption(f"{said}. Tap a row to open its run. Times are in {book.zone}.")
    shown = _for_people(rows, book.zone)
    picked = st.dataframe(
        shown,
        hide_index=True,
        on_select="rerun",
        selection_mode="single-cell",
        key="run-table",
        placeholder="unknown",
        height=min(36 + 35 * len(shown), 640),
        column_config={
            "Run": st.column_config.NumberColumn(format="%d", width=64, pinned=True),
            "Started": st.column_config.DatetimeColumn(format="D MMM YYYY, HH:mm"),
        },
        alt=f"Table of {said}: number, start, verdict, margin, oven, board, profile, paste and more.",
    )
    marked = picked["selection"]["cells"]
    if marked:
        st.switch_page(page.PAGE_FILES["run"], query_params={"run": str(rows["run"].iloc[marked[0][0]])})
    table_download(shown, "runs")


def _for_people(rows: pd.DataFrame, zone: str) -> pd.DataFrame:
    margins = [
        "" if pd.isna(m) else words.margin_text(metric, float(m), unit)
        for m, metric, unit in zip(rows["limiting_margin"], rows["limiting_metric"], rows["limiting_unit"], strict=True)
    ]
    limiting = [
        "" if pd.isna(metric) else words.metric_label(metric) + ("" if pd.isna(channel) else f", {channel}")
        for metric, channel in zip(rows["limiting_metric"], rows["limiting_channel"], strict=True)
    ]
    boards = [
        None if pd.isna(name) else (f"{name}, {revision}" if revision and not pd.isna(revision) else name)
        for name, revision in zip(rows["board"], rows["board_revision"], strict=True)
    ]
    verdicts = [
        "stop: danger" if danger is True else ("not evaluated" if pd.isna(v) else v)
        for v, danger in zip(rows["verdict"], rows["danger"].astype(object), strict=True)
    ]
    started = pd.to_datetime(rows["started_at"]).dt.tz_localize("UTC").dt.tz_convert(zone).dt.tz_localize(None)
    return pd.DataFrame(
        {
            "Run": rows["run"],
            "Verdict": verdicts,
            "Started": started,
            "Smallest margin": margins,
            "Limited by": limiting,
            "Oven": _known(rows["oven"]),
            "Board": _known(boards),
            "Profile": _known(rows["profile"]),
            "Paste": _known(rows["paste"]),
            "Jar": _known(rows["jar"]),
            "Kind": _known(rows["kind"]),
            "Duration": [words.duration(float(s)) for s in rows["duration_s"]],
            "Log": rows["log_file"],
        }
    )


def _known(values: Iterable[Any]) -> list[str]:
    return ["unknown" if value is None or pd.isna(value) else str(value) for value in values]
