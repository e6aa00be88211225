"""Maintenance and changes on ovens: the list, noting one, and correcting one."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard import page_actions, page_data
from dashboard.page_data import Book
from dashboard.panels import page
from dashboard.panels import reference_lists as lists

EVENT_KINDS = {
    "element": "heating element",
    "seal": "door seal",
    "fan": "fan",
    "clean": "cleaned",
    "relay": "relay or switch",
    "thermocouple": "thermocouple",
    "controller": "controller",
    "firmware": "firmware",
    "profile": "profile changed",
    "moved": "moved",
    "other": "other",
}


def events(book: Book) -> None:
    rows = page_data.reference(book, "events")
    ovens_known = page_data.reference(book, "ovens")
    names = {int(r["oven_id"]): str(r["name"]) for r in page_data.records(ovens_known)} if len(ovens_known) else {}
    if len(rows):
        rows = rows.assign(
            what=[str(EVENT_KINDS.get(k, k)) for k in rows["kind"]],
            day=[_date(r["happened_at"], r["at_precision"], book.zone) for r in page_data.records(rows)],
            whose=[names.get(int(i), "") for i in rows["oven_id"]] if "oven_id" in rows else rows["oven"],
        )
    lists.listing(
        rows,
        "events",
        {
            "day": "Date",
            "whose": "oven",
            "what": "what",
            "note": "note",
            "expected": "meant to change",
            "origin": "origin",
        },
        "No maintenance is noted yet. An event explains a step in an oven's history; without it a step stays a riddle.",
    )
    if not names:
        st.info("Add an oven first: an event belongs to one.")
        return
    with lists.form("add-event", "Note an event", open_at_first=not len(rows)):
        oven = st.selectbox("Oven", list(names), format_func=lambda i: names[i])
        kind = st.selectbox("What", list(EVENT_KINDS), format_func=EVENT_KINDS.__getitem__)
        day = st.date_input("On", value="today", format="YYYY-MM-DD")
        about = st.toggle("Only the month is known")
        note = st.text_input("Note")
        expected = st.text_input("What it was meant to change", placeholder="for example: faster above 180 °C")
        restarts = st.toggle(
            "Start a new baseline after it", value=True, help="Later runs are then compared with runs after this event."
        )
        if st.form_submit_button("Note event"):
            lists.attempt(
                lambda: page_actions.add_event(
                    book,
                    int(oven),
                    kind,
                    lists.noon(day, book.zone),
                    "month" if about else "day",
                    note or None,
                    expected or None,
                    restarts,
                    page.who(),
                ),
                f"Noted: {EVENT_KINDS[kind]}, {names[oven]}.",
            )
    _correct_event(book, rows)


def _correct_event(book: Book, rows: pd.DataFrame) -> None:
    """Correct one event's date, kind, note or baseline; the old value is kept with who and why."""
    if not len(rows):
        return
    with st.expander("Correct an event"):
        known = {int(r["event_id"]): r for r in page_data.records(rows)}
        number = st.selectbox(
            "Event",
            sorted(known, reverse=True),
            format_func=lambda i: f"{i}: {known[i]['what']}, {known[i]['whose']}, {known[i]['day']}",
            key="event-which",
        )
        event = known[number]
        with st.form(f"event-{number}", border=False):
            kind = st.selectbox(
                "What",
                list(EVENT_KINDS),
                index=list(EVENT_KINDS).index(event["kind"]) if event["kind"] in EVENT_KINDS else None,
                format_func=EVENT_KINDS.__getitem__,
            )
            day = st.date_input("On", value=page.local_day(event["happened_at"], book.zone), format="YYYY-MM-DD")
            about = st.toggle("Only the month is known", value=event["at_precision"] == "month")
            note = st.text_input("Note", value=event["note"] or "")
            expected = st.text_input("What it was meant to change", value=event["expected"] or "")
            restarts = st.toggle("Start a new baseline after it", value=bool(event["restarts_baseline"]))
            why = st.text_input("Why it is corrected")
            if st.form_submit_button("Correct event"):
                values: dict[str, Any] = {
                    "kind": kind,
                    "note": note or None,
                    "expected": expected or None,
                    "restarts_baseline": restarts,
                }
                if day != page.local_day(event["happened_at"], book.zone) or about != (
                    event["at_precision"] == "month"
                ):
                    values["happened_at"] = lists.noon(day, book.zone)
                    values["at_precision"] = "month" if about else "day"
                lists.attempt(
                    lambda: page_actions.correct_event(book, number, values, page.who(), why or None),
                    f"Corrected: event {number}.",
                )


def _date(stamp: Any, precision: str, zone: str) -> str:
    """A date no more exact than it was given."""
    text = lists.day(stamp, zone)
    return text.split(" ", 1)[-1] if precision == "month" else text
