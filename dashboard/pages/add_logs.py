"""Add logs: drop files, see what was understood, answer what is not clear, store."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data, words
from dashboard.panels import adding, page

book = page.begin(
    "Add logs",
    "Drop the files your oven's controller wrote. You see what was understood before anything is stored. "
    "The files themselves are kept unchanged.",
)
adding.show_last_results(book)

generation = st.session_state.get("upload_generation", 0)
files = st.file_uploader(
    "Logs",
    accept_multiple_files=True,
    key=f"logs-{generation}",
    help="Any text log with a column of time and one of temperature, separated by comma, semicolon, tab or space; "
    "also packed as zip or gzip.",
)
if not files:
    st.caption(f"Stored so far: {words.counted(page_data.counts(book)['runs'], 'run')}.")
    page.link("held", "Logs that wait for an answer")
    st.stop()

options = adding.ask_about_run(book)
results = [adding.understood(book, file, options) for file in files]
adding.offer_to_store(book, files, options, results)
