"""Runs that take no part in comparison, by rule or by hand, and how to change that; the settings of an oven's drift."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from analysis.drift.calls import BUDGET_PER_100_RUNS
from analysis.drift.now import REFERENCE_EVERY_DAYS
from analysis.store.drift import OvenReport
from dashboard.page_data import Book
from dashboard.panels import drift_data, page, spans
from dashboard.panels.reference_lists import attempt

LEAVE, TAKE, RULE = "leave out", "take in", "let the rules decide"


def ask_span(book: Book, oven: str) -> int | None:
    """How many of the newest runs to look at; asked only where the oven has more than the usual span holds."""
    return spans.asked(
        drift_data.runs_of(book, oven),
        f"span-{oven}",
        "runs",
        "The first runs of what is looked at are the baseline. A slower change needs a longer look, which takes seconds to "
        "minutes with many thousand runs.",
    )


def say_span(book: Book, report: OvenReport) -> None:
    """Which part of the archive was looked at, where it is not all of it."""
    span = report.span
    if span.is_all:
        return
    first = report.drift.runs["started_at"].dropna()
    since = f", since {page.local(first.iloc[0], book.zone, with_time=False)}" if len(first) else ""
    st.caption(
        page.plain(
            f"Looked at: the newest {len(span.numbers):,} of {span.of:,} runs of {report.oven}{since}. The baseline is learned "
            "from the first of them; what came before is in no number here. A loss over years needs a longer look, as "
            "`ovenbook drift` takes it."
        )
    )


def show_left_out(book: Book, report: OvenReport) -> None:
    """The runs left out with their reasons, and a form to leave one out or take one back in."""
    runs = report.drift.runs
    out = runs[runs["left_out"].notna()]
    taken = {
        run: c for run, c in drift_data.choices(book).items() if c["choice"] == "taken in" and run in set(runs["run"])
    }
    st.markdown(f"{len(out)} of {len(runs)} runs are left out of comparison; {len(runs) - len(out)} take part.")
    with st.expander("Which, and why"):
        rows = [{"run": int(r), "why": str(w)} for r, w in zip(out["run"], out["left_out"], strict=True)]
        rows += [{"run": run, "why": f"taken in by hand: {c['why']}"} for run, c in taken.items()]
        if rows:
            st.dataframe(pd.DataFrame(rows), hide_index=True, key=f"left-out-{report.oven}")
        else:
            st.markdown("None.")
    with st.expander("Leave a run out, or take one in"), st.form(f"choose-{report.oven}", border=False):
        run = st.number_input("Run", min_value=1, step=1, value=None, key=f"choose-run-{report.oven}")
        what = st.radio("What", (LEAVE, TAKE, RULE), key=f"choose-what-{report.oven}", horizontal=True)
        why = st.text_input("Why", key=f"choose-why-{report.oven}")
        if st.form_submit_button("Keep"):
            if run is None:
                st.error("Which run? Numbers are on the page Runs.")
                return
            choice = {LEAVE: "left out", TAKE: "taken in", RULE: None}[what]
            attempt(
                lambda: drift_data.choose(book, int(run), choice, why, page.who()),
                f"Run {int(run)}: {what}.",
            )


def show_settings(book: Book, oven: str) -> None:
    """Reference interval and budget of false calls of one oven."""
    days, calls = drift_data.setting(book, oven)
    with st.expander("Reference interval and budget of false calls"), st.form(f"settings-{oven}", border=False):
        every = st.number_input(
            f"Days between reference runs (usual: {REFERENCE_EVERY_DAYS:g})",
            min_value=1.0,
            max_value=3660.0,
            value=days,
            placeholder="as usual",
            key=f"every-{oven}",
        )
        budget = st.number_input(
            f"False calls allowed per 100 runs (usual: {BUDGET_PER_100_RUNS:g}); fewer means later calls",
            min_value=0.05,
            max_value=10.0,
            value=calls,
            placeholder="as usual",
            key=f"budget-{oven}",
        )
        if st.form_submit_button("Keep"):
            attempt(lambda: drift_data.set_drift(book, oven, every, budget, page.who()), f"Kept for {oven}.")
