"""The oven as a model and the shape of a run's curves, on demand: both take a second or so, and neither is stored."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard import page_data
from dashboard.page_data import Book, RunDetail
from dashboard.panels import page
from dashboard.panels.downloads import table_download
from dashboard.words import models as words


def show_shape(book: Book, detail: RunDetail) -> None:
    """Whether the curves are like those of comparable runs, and where not."""
    if not st.toggle("Compare the curves with those of comparable runs", key=f"shape-{detail.run}"):
        return
    with st.spinner("Reading the curves of comparable runs"):
        shape = page_data.curve_shape(book, detail.run)
    first, *rest = words.shape_lines(shape, detail.run)
    st.markdown(page.plain(first))
    for line in rest:
        st.markdown("- " + page.plain(line))
    if shape.status != "not evaluated":
        st.caption(
            f"Distance within the usual ways of varying {shape.score_distance:.1f}, limit {shape.score_limit:.1f}; beyond "
            f"them {shape.unexplained_k:.1f} K over 10 s, limit {shape.unexplained_limit_k:.1f} K. About one run in 200 "
            "is called unlike by chance."
        )


def show_model(book: Book, detail: RunDetail) -> None:
    """Gain, time constant and delay of each channel with intervals, or why the log does not tell."""
    if not st.toggle("Work out the oven as a model from this log", key=f"model-{detail.run}"):
        return
    with st.spinner("Fitting the model"):
        model = page_data.oven_model(book, detail.run)
    rows = words.model_rows(model, words.room_of(detail.overview))
    if rows:
        table = pd.DataFrame(rows, columns=list(words.ROWS))
        page.table(table, None)
        table_download(table, f"run-{detail.run}-model")
    for line in words.model_lines(model, words.has_hold_duty(page_data.records(detail.metrics))):
        st.markdown(page.plain(line))
    if rows:
        st.caption(words.MODEL_MEANING)
