"""One run in full: danger, belief, verdict, margins, curve, checks, effort, what was on the rack, the log itself."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data
from dashboard.panels import curve, defects_more, metadata, models, page, run_facts, verdict

book = page.begin(None)
asked = st.query_params.get("run")
with page.refusals(), book.one_opening():
    newest = page_data.newest_run(book)
    if asked is None and newest is not None:
        asked = str(newest)
        st.query_params["run"] = asked
    number = int(asked) if asked is not None and asked.isascii() and asked.isdigit() and len(asked) < 10 else None
    detail = page_data.run_detail(book, number) if number is not None else None
    if detail is not None:
        recording = page_data.recording_of(book, detail.run)
        before, after = page_data.neighbours(book, detail.run)
        metadata.read_choices(book, detail.run)
if newest is None:
    st.title("Run", anchor=False)
    st.markdown("No run is in this archive yet. This page shows one run in full once a log has been added.")
    page.link("add", "Add the first log")
    st.stop()
if asked is None or number is None or detail is None:
    st.title("Run", anchor=False)
    st.error(f"There is no run {page.plain((asked or '')[:40])} in this archive.")
    page.link("runs", "All runs")
    page.link("run", f"The newest run, {newest}", run=str(newest))
    st.stop()

verdict.show_danger(detail)
verdict.show_credibility(detail)
verdict.show_verdict(detail)
st.caption(page.plain(run_facts.heading_line(detail, book.zone)))

with st.container(horizontal=True):
    if before is not None:
        page.link("run", f"← Run {before}", run=str(before))
    if after is not None:
        page.link("run", f"Run {after} →", run=str(after))
    page.link("runs", "All runs")
    page.link("compare", "What changed since the last good run", run=str(number))

st.subheader("Curve", anchor=False)
curve.show_curve(detail, recording)
models.show_shape(book, detail)
st.subheader("Margins", anchor=False)
verdict.show_margins(detail)
st.subheader("Channels and checks", anchor=False)
run_facts.show_channels(detail)
run_facts.show_findings(detail)
st.subheader("Measured", anchor=False)
run_facts.show_metrics(detail)
models.show_model(book, detail)
st.subheader("What was on the rack", anchor=False)
metadata.show_metadata(detail)
with st.expander("Change what was on the rack"):
    metadata.quick_metadata(book, detail)
    page.ask_who()
st.subheader("Inspection", anchor=False)
metadata.quick_inspection(book, detail)
defects_more.show_expected(book, number)
st.subheader("The log", anchor=False)
run_facts.show_log(book, detail)
