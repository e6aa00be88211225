"""Record what was seen on a run's boards: one tap when nothing was, a few when something was."""

from __future__ import annotations

import streamlit as st

from dashboard import page_data, words
from dashboard.panels import inspect, inspect_data, page
from ingest.archive import ArchiveError

book = page.begin("Inspect")
asked = st.query_params.get("run", "")
number = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 10 else None
detail = None
with book.one_opening():
    newest = page_data.newest_run(book)
    waiting = inspect_data.waiting(book)
    if number is None:
        number = int(waiting["run"].iloc[0]) if len(waiting) else newest
    if number is not None:
        detail = page_data.run_detail(book, number)
        carried = inspect_data.scope_for(book, number)
        inspect_data.usual_terms(book)
        inspect_data.inspections(book, number)
if newest is None or number is None:
    st.markdown("No run is in this archive yet. Boards are inspected run by run, so the first log comes first.")
    page.link("add", "Add the first log")
    st.stop()

if detail is None:
    st.error(f"There is no run {page.plain(asked[:40])} in this archive.")
    page.link("inspect", "The run that waits for inspection")
    st.stop()

run = detail.overview
where = " · ".join(str(run[k]) for k in ("board", "oven") if run[k] is not None)
st.markdown(page.plain(f"Run {number} · {page.local(run['started_at'], book.zone)}" + (f" · {where}" if where else "")))
one_tap = st.container()
scope, serial = inspect.ask_scope(carried, number)
is_as_carried = scope == carried and serial is None
origin = carried.origin if is_as_carried and carried.origin != "unknown" else "typed"

listed = st.session_state.get(f"{inspect.BASKET}-{number}", [])
with one_tap:
    st.caption(page.plain(f"{inspect.amounts(scope)} ({carried.said if is_as_carried else 'as entered below'})"))
    label = "Looked, none found" if not listed else f"Store with {words.counted(len(listed), 'defect line')}"
    if st.button(label, key=f"i-store-{number}", type="primary", width="stretch"):
        try:
            inspect_data.store(book, number, scope, listed, page.who(), serial=serial, origin=origin)
        except ArchiveError as error:
            st.error(page.plain(str(error)))
        else:
            st.session_state.pop(f"{inspect.BASKET}-{number}", None)
            said = words.listed([f"{d['count']} {d['term']}" for d in listed]) or "none found"
            page.say_next(page.plain(f"Run {number}: {inspect.amounts(scope)}: {said}."))
            st.rerun()
    inspect.basket(number)

with st.expander("Something was found", expanded=bool(listed)):
    inspect.found_form(book, number)

st.subheader("Recorded for this run", anchor=False)
inspect.show_recorded(book, number)
page.ask_who()

others = waiting[waiting["run"] != number]
if len(others):
    st.subheader("Not inspected yet", anchor=False)
    for row in page_data.records(others):
        place = " · ".join(str(row[k]) for k in ("board", "oven") if row[k])
        page.link(
            "inspect",
            f"Run {int(row['run'])} · {page.local(row['started_at'], book.zone)} · {place}",
            run=str(row["run"]),
        )

st.subheader("From a sheet", anchor=False)
inspect.import_sheet(book)
