"""Calls as a page shows them: what moved, since when, why, what to check first, and the answer of whoever looked."""

from __future__ import annotations

import streamlit as st

from analysis.drift.records import Call
from analysis.store.drift import OvenReport
from dashboard.page_data import Book
from dashboard.panels import drift_data, page
from dashboard.panels.reference_lists import attempt
from dashboard.words import drift as words

ANSWERS = {
    "explained": "explained: the cause is known and stays",
    "fixed": "fixed: something was done about it",
    "watch": "watch: real or not, too early to say",
    "false": "false: nothing changed",
}


def show_call(book: Book, report: OvenReport, call: Call, *, folded: bool = False) -> None:
    """One call with its details and the form to answer it."""
    answered = report.answers.get(call.id)
    if not folded:
        st.markdown(f"**{page.plain(_sentence(call))}**", help=words.TIERS)
        st.markdown(f"Check first: {page.plain(call.check_first)}")
        if call.question:
            st.markdown(f"**{page.plain(call.question)}** If so, note it as an event below.")
    with st.expander(page.plain(_sentence(call)) if folded else "Evidence and causes", expanded=False):
        for line in words.details(call, answered, book.zone):
            st.markdown(page.plain(line))
        st.caption(page.plain(f"Method: {call.method}."))
    with (
        st.expander(f"Answered: {answered.answer}" if answered else "Answer this call"),
        st.form(f"answer-{call.id}", border=False),
    ):
        what = st.radio("What was it?", list(ANSWERS), format_func=lambda a: ANSWERS[a], key=f"what-{call.id}")
        note = st.text_input("What was found", key=f"note-{call.id}")
        if st.form_submit_button("Keep the answer"):
            attempt(
                lambda: drift_data.answer(book, report.oven, call, what, note or None, page.who()),
                f"Kept: {what}.",
            )


def _sentence(call: Call) -> str:
    since = words.day(call.since, call.since_run)
    likely = words.cause(call.causes[0].cause if call.causes else "unknown")
    return f"{words.headline(call)}, since {since}; most like: {likely}. {call.tier[0].upper()}{call.tier[1:]}."


def show_events(report: OvenReport) -> None:
    """What each event did: before and after, against what such an event should move."""
    import pandas as pd

    if not report.events:
        st.markdown("No event is noted for this oven.")
        return
    rows = [
        {
            "event": f"{e.kind}, {words.event_day(e)}",
            "expected to move": words.expected(e.kind),
            "did it": e.answer,
            "what moved": words.minus(e.text),
            "runs": f"{e.n_before} before, {e.n_after} after",
        }
        for e in reversed(report.events)
    ]
    page.table(pd.DataFrame(rows), f"events-{report.oven}")
