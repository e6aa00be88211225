"""The newest run: what to fear, what to believe, what it says, and what is left to note."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data
from dashboard.panels import curve, metadata, page, verdict

book = page.begin(None)
with page.refusals(), book.one_opening():
    newest = page_data.newest_run(book)
    detail = page_data.run_detail(book, newest) if newest is not None else None
    if detail is not None:
        recording = page_data.recording_of(book, detail.run)
        metadata.read_choices(book, detail.run)
        waiting = page_data.counts(book)["held"]
if newest is None:
    st.title("No run yet", anchor=False)
    st.markdown(
        "This archive is empty. Add the log of a bake: drop the file your oven's controller wrote, see what was understood, "
        "and store it. The verdict then stands on this page."
    )
    page.link("add", "Add the first log")
    page.link("reference", "Enter ovens, pastes and jars first")
    st.markdown("On the command line the same is `ovenbook import LOG.csv`.")
    st.stop()

if detail is None:
    page.stop_with("The newest run was just removed by a rebuild. Load the page again.")

verdict.show_danger(detail)
verdict.show_credibility(detail)
verdict.show_verdict(detail)
run = detail.overview
where = " · ".join(str(run[k]) for k in ("oven", "board", "profile") if run[k] is not None)
started = page.local(run["started_at"], book.zone)
if run["started_at"] is None:
    started += f", received {page.local(run['received_at'], book.zone)}"
st.caption(page.plain(f"{started}{' · ' + where if where else ''} · {run['log_file']}"))
page.link("run", f"Everything about run {newest}", run=str(newest))

left, right = st.columns([2, 1], gap="large")
with left:
    curve.show_curve(detail, recording)
    verdict.show_suspects(detail)
with right:
    st.subheader("What was on the rack", anchor=False)
    metadata.quick_metadata(book, detail)
    st.subheader("Inspection", anchor=False)
    metadata.quick_inspection(book, detail)
    page.ask_who()

if waiting:
    page.link("held", f"{waiting} {'log waits' if waiting == 1 else 'logs wait'} for an answer")
