"""The batch sheet of chosen runs, to hand to a customer or auditor."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data, words
from dashboard.commands.output import Refusal
from dashboard.export_selection import Selection, selected_runs
from dashboard.panels import page
from dashboard.sheet import MOST_RUNS, REDACTIONS, SheetOptions, as_html, as_pdf, make_sheet
from ingest.archive import ArchiveError

book = page.begin("Sheets")
if page_data.counts(book)["runs"] == 0:
    st.markdown("No run is in this archive yet. A batch sheet is made of the runs of an order, a board or some days.")
    page.link("add", "Add the first log")
    st.stop()

st.markdown(
    "A batch sheet holds the evidence about chosen runs: limits and where they come from, margins with uncertainty, the "
    "curves of all channels, sensors and their checks, inspection, and what was not measured. One HTML file that needs "
    "nothing else to open, and the same as PDF."
)


def run_numbers(text: str) -> tuple[int, ...] | None:
    """The run numbers typed, "12, 14-16"; None when the field is empty. Raises Refusal with one clear line."""
    if not text.strip():
        return None
    from dashboard.commands.opening import run_numbers as numbers_of

    return tuple(numbers_of(book.archive, ",".join(part.strip() for part in text.split(",") if part.strip())))


choices = page_data.filter_choices(book)
st.subheader("Which runs", anchor=False)
row = st.columns(3)
with row[0]:
    typed = st.text_input("Run numbers", key="runs", bind="query-params", placeholder="for example 12, 14-16")
with row[1]:
    board = st.selectbox("Board", choices["board"], index=None, placeholder="any", key="board", bind="query-params")
with row[2]:
    oven = st.selectbox("Oven", choices["oven"], index=None, placeholder="any", key="oven", bind="query-params")
row = st.columns(3)
with row[0]:
    first = st.date_input("From", value=None, key="first", bind="query-params", format="YYYY-MM-DD")
with row[1]:
    last = st.date_input("To", value=None, key="last", bind="query-params", format="YYYY-MM-DD")
with row[2]:
    in_note = st.text_input(
        "Words in file, note, serials, operator",
        key="words",
        bind="query-params",
        help="An order number, say, if it was noted with the runs.",
    )

try:
    selection = Selection(
        runs=run_numbers(typed or ""), board=board, oven=oven, words=in_note or None, first_day=first, last_day=last
    )
except Refusal as refusal:
    page.stop_with(str(refusal))
if selection == Selection():
    st.info("Choose runs above: by number, board, oven, days or words.")
    st.stop()
numbers = selected_runs(book.archive, selection)
if not numbers:
    st.info("No run matches. Take a condition away.")
    st.stop()
st.markdown(page.plain(f"{words.counted(len(numbers), 'run')}: {words.ranges(numbers).replace(',', ', ')}."))
if len(numbers) > MOST_RUNS:
    st.info(f"At most {MOST_RUNS} runs go on one sheet. Choose fewer, and make several sheets.")
    st.stop()

st.subheader("What shall stand on it", anchor=False)
with st.expander("Order, customer and what was decided; all of it may stay empty"):
    row = st.columns(3)
    order = row[0].text_input("Order", key="order", bind="query-params")
    supplier = row[1].text_input("Supplier")
    customer = row[2].text_input("Customer")
    row = st.columns(3)
    stencil = row[0].text_input("Stencil and thickness")
    finish = row[1].text_input("Board finish")
    released_by = row[2].text_input("Released by")
    decision = st.text_input("What was decided about deviations")
redact = st.multiselect(
    "Leave out",
    list(REDACTIONS),
    help="; ".join(f"{key}: {said}" for key, said in REDACTIONS.items()) + ". The sheet says what was left out.",
    placeholder="nothing",
)
options = SheetOptions(
    order=order or None,
    supplier=supplier or None,
    customer=customer or None,
    stencil=stencil or None,
    finish=finish or None,
    decision=decision or None,
    released_by=released_by or None,
    redact=frozenset(redact),
)

asked = (str(book.archive.path), book.counter, tuple(numbers), options)
if st.button("Make the sheet", type="primary"):
    with st.spinner(f"Drawing {words.counted(len(numbers), 'run')}"):
        try:
            sheet = make_sheet(book, numbers, options, chosen=selection.in_words())
        except ArchiveError as error:
            page.stop_with(f"{str(error)[0].upper()}{str(error)[1:]}.")
        st.session_state["sheet"] = (asked, sheet.identity, as_html(sheet), as_pdf(sheet))
made = st.session_state.get("sheet")
if made is not None and made[0] == asked:
    _, identity, html, pdf = made
    st.success(f"Sheet {identity} is ready.")
    with st.container(horizontal=True):
        st.download_button(
            "Sheet as HTML", html, file_name=f"batch-sheet-{identity}.html", mime="text/html", on_click="ignore"
        )
        st.download_button(
            "Sheet as PDF", pdf, file_name=f"batch-sheet-{identity}.pdf", mime="application/pdf", on_click="ignore"
        )
elif made is not None:
    st.caption("Something was changed since the sheet was made. Make it anew.")
