"""Every run, to filter, sort and open."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data
from dashboard.page_data import SORTS, RunFilter
from dashboard.panels import page, run_table

if "run" in st.query_params:
    st.switch_page(page.PAGE_FILES["run"], query_params={"run": st.query_params["run"]})

book = page.begin("Runs")
total = page_data.counts(book)["runs"]
if total == 0:
    st.markdown("No run is in this archive yet. The list begins with the first log.")
    page.link("add", "Add the first log")
    st.stop()

with book.one_opening():
    choices = page_data.filter_choices(book)
    page_data.run_count(book, RunFilter())


def choose(label: str, field: str) -> str | None:
    return st.selectbox(
        label,
        choices[field],
        index=None,
        placeholder="any",
        key=field,
        bind="query-params",
        disabled=not choices[field],
    )


with st.expander(
    "Filter and sort", expanded=any(p in st.query_params for p in (*choices, "words", "first", "last", "sort"))
):
    # Rows, not columns, so that the fields keep their order where a narrow screen stacks them.
    row = st.columns(3)
    with row[0]:
        oven = choose("Oven", "oven")
    with row[1]:
        board = choose("Board", "board")
    with row[2]:
        paste = choose("Paste", "paste")
    row = st.columns(3)
    with row[0]:
        profile = choose("Profile", "profile")
    with row[1]:
        verdict = choose("Verdict", "verdict")
    with row[2]:
        kind = choose("Kind of run", "kind")
    row = st.columns(3)
    with row[0]:
        first_day = st.date_input("From", value=None, key="first", bind="query-params", format="YYYY-MM-DD")
    with row[1]:
        last_day = st.date_input("To", value=None, key="last", bind="query-params", format="YYYY-MM-DD")
    with row[2]:
        words = st.text_input("Words in file, note, serials, lot, operator", key="words", bind="query-params")
    sort = st.selectbox("Sort", list(SORTS), key="sort", bind="query-params")

run_filter = RunFilter(oven, board, paste, profile, verdict, kind, words or None, first_day, last_day)
run_table.show(book, run_filter, sort, total)
