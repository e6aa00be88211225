"""Which defects, where, with what; how sure that is; and what to do next."""

from __future__ import annotations

import streamlit as st

from dashboard import words
from dashboard.panels import defects, defects_data, defects_more, defects_trials, page, spans

book = page.begin("Defects")
newest = spans.asked(
    defects_data.inspected(book),
    "defects-span",
    "inspected runs",
    "Which defects, where and with what is told from these runs. More of them show smaller effects; much older ones may tell "
    "of paste, boards and ovens that are long gone.",
    spans.USUAL_INSPECTED,
)
with st.spinner("Comparing the inspected runs"):
    found = defects_data.report(book, newest)
records = found.records
if records.runs.empty:
    st.markdown("Nobody has recorded an inspection yet. Not inspected is not the same as clean.")
    page.link("inspect", "Record an inspection")
    defects.show_advice(found)
    st.stop()

st.markdown(
    f"{words.counted(len(records.runs), 'run')} inspected, {int(records.runs['clean'].sum())} of them clean; "
    f"{words.counted(records.not_inspected, 'product run')} not inspected and in no number here."
)
if len(records.runs) < records.all_inspected:
    first = records.runs["started_at"].dropna()
    since = f", since {page.local(first.iloc[0], book.zone, with_time=False)}" if len(first) else ""
    st.caption(
        page.plain(
            f"Looked at: the newest {len(records.runs):,} of {records.all_inspected:,} inspected runs{since}. Older ones are in "
            "no number here, planned trials excepted."
        )
    )
if not found.lines:
    st.markdown("No inspection has found a defect.")
    defects.show_advice(found)
    page.link("inspect", "Record an inspection")
    st.stop()

st.subheader("Which defects", anchor=False)
defects.show_lines(found.lines)
names = [line.defect for line in found.lines]
asked = st.query_params.get("defect")
chosen = st.pills("Defect", names, default=asked if asked in names else names[0], key="defect-chosen") or names[0]
st.query_params["defect"] = chosen
line = next(one for one in found.lines if one.defect == chosen)
title = page.plain(chosen[:1].upper() + chosen[1:])

st.subheader(f"{title}: where", anchor=False)
defects.show_where(found, line)
st.subheader(f"{title}: with what", anchor=False)
defects.show_evidence(book, found, chosen, newest)
if any(knot.defect == chosen for knot in found.entangled):
    st.subheader("What moves together", anchor=False)
    defects.show_entangled(found, chosen)
st.subheader("Several factors at once", anchor=False)
defects_more.show_several(book, chosen, newest)

st.subheader("Next step", anchor=False)
first = next((link for link in found.links if link.defect == chosen), None)
st.markdown(
    page.plain(first.next_step if first else "Go on recording; every inspected run counts, the clean ones too.")
)
defects_trials.show_trials(book, found)
st.subheader("Asked beforehand", anchor=False)
defects_trials.show_questions(book, found)

st.subheader("Over time", anchor=False)
defects_more.show_time(book, chosen, newest)
st.subheader("Yield", anchor=False)
defects_more.show_yield(book, records.not_inspected, newest)
defects.show_advice(found)
page.ask_who()
