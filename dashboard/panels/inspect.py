"""Parts of the page *Inspect*: one tap for the usual case, a short form for what was found, sheets from elsewhere."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import words
from dashboard.page_data import Book
from dashboard.panels import inspect_data, page
from dashboard.panels.inspect_data import Scope
from ingest.archive import ArchiveError
from ingest.archive.quality import METHODS, SIDES

BASKET = "inspect-found"


def amounts(scope: Scope) -> str:
    """ "480 joints on 2 boards, naked eye"."""
    parts = [words.counted(n, one) for n, one in ((scope.joints, "joint"), (scope.boards, "board")) if n is not None]
    what = " on ".join(parts) or "amount not said"
    return f"{what}, {scope.method}" + (f", {scope.scope}" if scope.scope else "")


def ask_scope(carried: Scope, run: int) -> tuple[Scope, str | None]:
    """What was looked at: as carried over, unless changed here."""
    with st.expander("Change what was looked at", expanded=carried.origin == "unknown"):
        method = st.selectbox("Looked with", METHODS, index=METHODS.index(carried.method), key=f"i-method-{run}")
        left, right = st.columns(2)
        joints = left.number_input("Joints", 1, 10_000_000, carried.joints, step=1, key=f"i-joints-{run}")
        boards = right.number_input("Boards", 1, 10_000, carried.boards, step=1, key=f"i-boards-{run}")
        text = st.text_input("What part, if not all", carried.scope or "", key=f"i-scope-{run}")
        serial = st.text_input("Serial, if it was one board", key=f"i-serial-{run}")
    scope = replace(
        carried,
        method=method,
        joints=None if joints is None else int(joints),
        boards=None if boards is None else int(boards),
        scope=text.strip() or None,
    )
    return scope, serial.strip() or None


def found_form(book: Book, run: int) -> None:
    """One defect at a time into the basket: term, count, place, side."""
    terms = inspect_data.usual_terms(book)
    # A fresh form after each defect: the keys carry how many were listed, so that nothing chosen before stays chosen.
    turn = f"{run}-{st.session_state.get(f'i-turn-{run}', 0)}"
    term = st.pills("What", terms[:8], key=f"i-term-{turn}")
    other = st.selectbox(
        "Another defect",
        terms[8:],
        index=None,
        placeholder="choose, or type a term of your own",
        accept_new_options=True,
        key=f"i-other-{turn}",
    )
    side = st.pills("Side of the oven", SIDES, key=f"i-side-{turn}")
    left, right = st.columns(2)
    count = left.number_input("How many", 1, 100_000, 1, step=1, key=f"i-count-{turn}")
    place = right.text_input("Place (reference designator)", key=f"i-place-{turn}", placeholder="R12")
    with st.expander("Severity, rework, note"):
        severity = st.text_input("Severity, as the shop classes it", key=f"i-severity-{turn}")
        rework = st.text_input("Rework done", key=f"i-rework-{turn}")
        note = st.text_input("Note", key=f"i-note-{turn}")
    chosen = (other or term or "").strip()
    if st.button("Add to the list", key=f"i-add-{run}", disabled=not chosen):
        st.session_state.setdefault(f"{BASKET}-{run}", []).append(
            {
                "term": chosen,
                "count": int(count),
                "ref_des": place.strip() or None,
                "side": side,
                "severity": severity.strip() or None,
                "rework": rework.strip() or None,
                "note": note.strip() or None,
            }
        )
        st.session_state[f"i-turn-{run}"] = st.session_state.get(f"i-turn-{run}", 0) + 1
        st.rerun()


def basket(run: int) -> list[dict[str, Any]]:
    """The defects listed so far, with a way to take one out."""
    listed: list[dict[str, Any]] = st.session_state.get(f"{BASKET}-{run}", [])
    for place, one in enumerate(listed):
        where = ", ".join(str(x) for x in (one["ref_des"], one["side"]) if x)
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(page.plain(f"{one['count']} {one['term']}" + (f" ({where})" if where else "")))
            if st.button("Take out", key=f"i-out-{run}-{place}"):
                del listed[place]
                st.rerun()
    return listed


def show_recorded(book: Book, run: int) -> None:
    recorded = inspect_data.inspections(book, run)
    if not recorded:
        st.markdown("Not inspected yet. That is not the same as no defects.")
    for one in recorded:
        found = ", ".join(one["found"]) or "none found"
        looked = [
            words.counted(int(one[key]), name)
            for key, name in (("joints_looked", "joint"), ("boards_looked", "board"))
            if one[key] is not None
        ]
        extra = f", board {one['serial']}" if one["serial"] else ""
        line = (
            f"{page.local(one['inspected_at'], book.zone)}, {one['method']}, {' on '.join(looked) or 'amount not said'}"
        )
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(page.plain(f"{line}{extra}: {found}."))
            if st.button(
                "Withdraw", key=f"i-withdraw-{one['inspection']}", help="Entered by mistake; the record keeps it."
            ):
                inspect_data.withdraw(book, int(one["inspection"]), page.who())
                page.say_next(f"Run {run}: inspection withdrawn.")
                st.rerun()


def import_sheet(book: Book) -> None:
    """A sheet of inspections from a machine or a spreadsheet; what is unclear is asked once and remembered."""
    st.markdown(
        "A row a defect, with the run's number, its log's file name or a serial. A row with count 0 says: looked, none found. "
        "A run without a row was not inspected."
    )
    file = st.file_uploader("Sheet (CSV)", type=["csv", "txt", "tsv"], key="i-sheet")
    if file is None:
        return
    data = file.getvalue()
    answers: dict[str, str] = st.session_state.setdefault(f"i-answers-{file.file_id}", {})
    try:
        sheet = inspect_data.read(book, data, file.name, answers)
        if sheet.questions:
            _ask(sheet.questions, answers, file.file_id)
            return
        found, problems = inspect_data.rows_of(book, sheet)
        _show_understood(sheet, found, problems)
        if not problems and found and st.button("Store these inspections", key="i-store-sheet", type="primary"):
            stored = inspect_data.store_rows(book, sheet, found, page.who())
            page.say_next(_stored_words(stored, file.name))
            st.rerun()
    except ArchiveError as error:
        st.error(page.plain(str(error)))


def _ask(questions: Any, answers: dict[str, str], mark: str) -> None:
    given: dict[str, str] = {}
    for question in questions:
        choices = list(question.choices)
        picked = st.selectbox(
            question.text,
            choices,
            index=choices.index(question.guess) if question.guess in choices else None,
            key=f"i-q-{mark}-{question.id}",
            placeholder="choose a column",
        )
        if picked is not None:
            given[question.id] = picked
    if st.button("Read with these answers", key=f"i-answer-{mark}", disabled=len(given) < len(questions)):
        answers.update(given)
        st.rerun()


def _show_understood(sheet: Any, found: Any, problems: list[str]) -> None:
    roles = ", ".join(f"{header} = {role.replace('_', ' ')}" for role, header in sheet.columns.items())
    st.caption(page.plain(f"Understood: {roles}."))
    if sheet.left_out:
        st.caption(page.plain(f"Left out: {', '.join(sheet.left_out)}."))
    if problems:
        st.error(f"{words.counted(len(problems), 'line')} cannot be stored; nothing is stored until they are mended.")
        page.table(pd.DataFrame({"problem": problems[:20]}), None)
        return
    clean = sum(not one.defects for one in found)
    st.markdown(f"{words.counted(len(found), 'run')} inspected, {clean} of them clean.")


def _stored_words(stored: Any, name: str) -> str:
    if stored.duplicate_of:
        return f"{name} was imported on {stored.duplicate_of} (UTC) already; nothing is stored twice."
    there = f" {stored.already_there} were there already." if stored.already_there else ""
    return f"{words.counted(stored.inspections, 'inspection')} stored, {stored.clean} of them clean.{there}"
