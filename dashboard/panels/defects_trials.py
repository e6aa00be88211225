"""Parts of the page *Defects* that look ahead: questions asked beforehand, planned trials, how many runs they need."""

from __future__ import annotations

import streamlit as st

from analysis.defects.power import exact_power, runs_needed
from analysis.defects.records import FACTORS
from analysis.defects.report import DefectReport
from dashboard.page_data import Book, records, reference
from dashboard.panels import page
from ingest.archive import ArchiveError
from ingest.archive.trials import (
    FEWEST_RUNS_PER_ARM,
    add_trial_run,
    ask_question,
    close_trial,
    plan_trial,
    withdraw_question,
)
from ingest.defect_terms import TERMS

LABELS = {f.name: f.label for f in FACTORS}


def show_questions(book: Book, found: DefectReport) -> None:
    """Open questions with their answers from runs inspected since, and a way to ask one."""
    st.markdown(
        "A question asked before looking needs no correction for everything else that was looked at. Only runs inspected after "
        "it was asked answer it. Three to five are few enough."
    )
    for question in found.questions:
        with st.container(horizontal=True, vertical_alignment="center"):
            label = LABELS.get(question.factor, question.factor)
            st.markdown(
                page.plain(f"{question.defect} and {label}, asked {question.asked_at:%Y-%m-%d}: {question.reading}")
            )
            if st.button("Withdraw", key=f"q-out-{question.question_id}"):
                with book.archive.transaction() as con:
                    withdraw_question(con, question.question_id, page.who())
                page.say_next("The question is withdrawn.")
                st.rerun()
    with st.expander("Ask a question beforehand"), st.form("ask-question", border=False):
        defect = st.selectbox("Defect", _terms(found), key="q-defect")
        factor = st.selectbox("May go with", list(LABELS), format_func=LABELS.__getitem__, key="q-factor")
        if st.form_submit_button("Ask"):
            with book.archive.transaction() as con:
                ask_question(con, str(defect), factor, None, page.who())
            page.say_next(
                page.plain(f"Asked: does {defect} go with {LABELS[factor]}? Runs inspected from now on answer it.")
            )
            st.rerun()


def show_trials(book: Book, found: DefectReport) -> None:
    """Planned trials with whose turn it is, and a form to plan one."""
    for state in found.trials:
        trial = state.trial
        with st.container(border=True):
            st.markdown(page.plain(f"{trial.name}: {trial.change}"))
            st.markdown(page.plain(f"{state.reading} {state.factor_moved}".strip()))
            st.markdown(page.plain(state.next_step))
            if state.grade is None and trial.closed_at is None:
                _run_into(book, trial.trial_id)
    with st.expander("Plan a trial"):
        _plan(book, found)
    with st.expander("How many runs does it take?"):
        _size()


def _run_into(book: Book, trial_id: int) -> None:
    left, middle, right = st.columns([2, 1, 1], vertical_alignment="bottom")
    run = left.number_input("Run", 1, None, None, step=1, key=f"t-run-{trial_id}")
    if middle.button("Put in", key=f"t-in-{trial_id}", disabled=run is None) and run is not None:
        try:
            with book.archive.transaction() as con:
                arm = add_trial_run(con, trial_id, int(run), None, page.who())
        except ArchiveError as error:
            st.error(page.plain(str(error)))
        else:
            page.say_next(f"Run {int(run)} is in the trial, arm {arm}.")
            st.rerun()
    if right.button("Close", key=f"t-close-{trial_id}", help="No more runs; closed early it gives a hint at most."):
        with book.archive.transaction() as con:
            close_trial(con, trial_id, "closed on the page", page.who())
        st.rerun()


def _plan(book: Book, found: DefectReport) -> None:
    st.caption(
        "One change, alternate runs, and the number of runs fixed now: it is evaluated once, when all are inspected."
    )
    boards = {int(r["board_id"]): str(r["name"]) for r in records(reference(book, "boards"))}
    with st.form("plan-trial", border=False):
        name = st.text_input("Name of the trial", key="t-name")
        defect = st.selectbox("Defect", _terms(found), key="t-defect")
        factor = st.selectbox(
            "Factor the change moves", list(LABELS), index=None, format_func=LABELS.__getitem__, key="t-factor",
            placeholder="none of those recorded",
        )  # fmt: skip
        change = st.text_input("What changes", key="t-change", placeholder="soak 20 s longer")
        left, right = st.columns(2)
        now = left.text_input("As it is now", key="t-now", placeholder="soak 90 s")
        then = right.text_input("With the change", key="t-then", placeholder="soak 110 s")
        board = left.selectbox(
            "Only with this board", list(boards), index=None, format_func=lambda b: boards[b], key="t-board",
            placeholder="any, compared board by board",
        )  # fmt: skip
        runs = right.number_input("Runs in each arm", FEWEST_RUNS_PER_ARM, 1000, 20, step=1, key="t-runs")
        if st.form_submit_button("Plan it"):
            try:
                with book.archive.transaction() as con:
                    plan_trial(
                        con,
                        name,
                        defect=str(defect),
                        change=change,
                        arm_a=now,
                        arm_b=then,
                        runs_per_arm=int(runs),
                        factor=factor,
                        board_id=board,
                        who=page.who(),
                    )
            except ArchiveError as error:
                st.error(page.plain(str(error)))
            else:
                page.say_next(
                    page.plain(f"Trial {name} is planned. Put each run in before anyone looks at its boards.")
                )
                st.rerun()


def _size() -> None:
    left, right = st.columns(2)
    now = left.number_input("Percent of runs with the defect now", 0.0, 100.0, 20.0, step=5.0, key="s-now")
    then = right.number_input("Percent hoped for", 0.0, 100.0, 5.0, step=5.0, key="s-then")
    if now == then:
        st.markdown("Two equal rates cannot be told apart by any number of runs.")
        return
    st.markdown(page.plain(runs_needed(now / 100, then / 100).sentence()))
    few = 20
    power = exact_power(now / 100, then / 100, few, few)
    st.caption(
        f"With {few} runs in each arm the chance to see it is {power:.0%} (exact power of Fisher's test at 5 %)."
    )


def _terms(found: DefectReport) -> list[str]:
    mine = [line.defect for line in found.lines]
    return [*mine, *(t for t in TERMS if t not in mine)]
