"""One oven over time: watched series against their baselines, limits, changes, events; groups and season apart."""

from __future__ import annotations

import streamlit as st

from analysis.drift.series import BY_NAME
from dashboard.panels import drift_calls, drift_choices, drift_data, drift_series, page
from dashboard.words import drift as words

book = page.begin("Drift")
names = drift_data.read_small(book, usual_span_of=())
if not names:
    st.markdown("No run names its oven yet. Drift is told oven by oven.")
    page.link("add", "Add logs")
    st.stop()

asked = st.query_params.get("oven")
oven = st.pills("Oven", names, default=asked if asked in names else names[0], key="drift-oven") or names[0]
st.query_params["oven"] = oven
newest = drift_choices.ask_span(book, oven)
with st.spinner(f"Looking at {oven}"):
    report = drift_data.report_now(book, oven, newest)
drift_choices.say_span(book, report)
found = report.drift
if found.reason:
    st.markdown(page.plain(f"Nothing can be said yet: {found.reason}."))
    drift_choices.show_left_out(book, report)
    page.ask_who()
    st.stop()

open_calls = report.open_calls()
st.subheader("Calls", anchor=False)
if not open_calls:
    st.markdown("No open call.")
for call in sorted(open_calls, key=lambda c: c.tier):
    drift_calls.show_call(book, report, call)
others = [c for c in found.calls if c not in open_calls]
if others:
    st.markdown("Answered, gone back, or ended by an event:")
for call in others:
    drift_calls.show_call(book, report, call, folded=True)
st.markdown(page.plain(report.record.text))

st.subheader("Watched series", anchor=False)
labels = {key: drift_series.label(key) for key in found.watched}
wanted = next((k for c in open_calls for k in found.watched if k[0] == c.series), found.watched[0])
key = st.selectbox(
    "Series", list(labels), index=list(labels).index(wanted), format_func=lambda k: labels[k], key=f"drift-key-{oven}"
)
drift_series.show(report, key)

st.subheader("Forecast of margins", anchor=False)
for line in words.forecasts(report.outlooks) or [
    "No run was judged against a limit, so there is no margin to forecast."
]:
    st.markdown(page.plain(line))
st.caption("A forecast of wear is no forecast of failure: elements often end by breaking, not by fading.")

st.subheader("Events", anchor=False)
drift_calls.show_events(report)
page.link("reference", "Note an event")

st.subheader("Compared runs", anchor=False)
drift_choices.show_left_out(book, report)
for note in found.notes:
    st.markdown(page.plain(f"Assumed: {note}."))
st.markdown(
    f"Limits are set for at most {found.budget_per_100_runs:g} false calls per 100 runs of this oven, all "
    f"{len(found.watched)} series together."
)
drift_choices.show_settings(book, oven)
missing = [
    kind.label for name, kind in BY_NAME.items() if name in drift_series.EFFORT and (name, None) not in found.watched
]
if missing:
    st.markdown(
        page.plain(f"Not watched here: {', '.join(missing)}. Without them a loss of heat shows late or not at all.")
    )
page.ask_who()
