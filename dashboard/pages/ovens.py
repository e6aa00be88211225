"""Each oven as it stands now: open calls, three effort numbers against their baseline, reference run, events."""

from __future__ import annotations

import streamlit as st

from dashboard.panels import drift_calls, drift_choices, drift_data, page
from dashboard.words import drift as words

book = page.begin("Ovens")
names = drift_data.read_small(book)
if not names:
    st.markdown("No run names its oven yet. What an oven does over time can be told from runs that do.")
    page.link("add", "Add logs")
    page.link("reference", "Enter an oven")
    st.stop()

for name in names:
    with st.spinner(f"Looking at {name}"):
        report = drift_data.report_now(book, name)
    st.header(page.plain(name), anchor=False)
    drift_choices.say_span(book, report)
    calls = report.open_calls()
    if report.drift.reason:
        st.markdown(page.plain(f"Nothing can be said yet: {report.drift.reason}."))
    elif not calls:
        st.markdown("No open call.")
    for call in sorted(calls, key=lambda c: c.tier):
        drift_calls.show_call(book, report, call)
    page.facts([(e.label, words.effort_value(e), words.effort_remark(e)) for e in report.effort])
    st.markdown(page.plain(words.reference(report.reference)[0].upper() + words.reference(report.reference)[1:] + "."))
    for line in words.forecasts([o for o in report.outlooks if o.forecast.refused is None]):
        st.markdown(page.plain(line))
    st.subheader("Events", anchor=False)
    drift_calls.show_events(report)
    page.link("drift", f"Charts of {name}", oven=name)
    page.link("reference_runs", f"Reference runs of {name}", oven=name)
    page.link("reference", "Note an event")
st.caption(
    "Effort numbers: how hard the oven works for the result. A controlled oven hides its decline in its results, so effort "
    "moves first. Ovenbook records and advises; it is not a safety device."
)
page.ask_who()
