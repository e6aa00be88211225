"""Where an oven's thermocouples sit and how they are fixed: it decides what a number means."""

from __future__ import annotations

import json
from typing import Any

import streamlit as st

from dashboard import page_actions, page_data
from dashboard.page_data import Book
from dashboard.panels import page
from dashboard.panels import reference_lists as lists

ATTACHMENTS = (
    "high-temperature solder",
    "aluminium tape",
    "polyimide tape",
    "adhesive",
    "clip or spring",
    "in air",
    "other",
)


def placements(book: Book, ovens: list[dict[str, Any]]) -> None:
    """One channel at a time: its place and how it is fixed. New runs of the oven take it over."""
    with st.expander("Where the thermocouples sit"):
        st.caption(
            "Name the place as you would to a colleague: board centre, left rear corner, air above the board. A place that "
            "names a package or body is judged by the component's ceiling too. New runs take it over; earlier runs keep theirs."
        )
        names = {int(oven["oven_id"]): str(oven["name"]) for oven in ovens}
        oven = st.selectbox("Oven", list(names), format_func=lambda i: names[i], key="place-oven")
        now = _now(next(o for o in ovens if int(o["oven_id"]) == oven))
        for channel, place in now.items():
            fixed = f", {place.get('attachment')}" if place.get("attachment") else ""
            st.markdown(page.plain(f"{channel}: {place.get('place') or 'place unknown'}{fixed}"))
        channel = st.selectbox(
            "Channel",
            sorted({*page_data.channels_of_oven(book, int(oven)), *now}),
            index=None,
            placeholder="as the log calls it",
            accept_new_options=True,
            key="place-channel",
        )
        place = st.text_input("Place", key="place-place")
        attachment = st.selectbox("Fixed by", ATTACHMENTS, index=None, placeholder="unknown", key="place-fixed")
        if st.button("Note the place", key="place-do"):
            if not channel or not place.strip():
                st.error("Give the channel and its place.")
                return
            changed = {**now, channel: {"place": place.strip(), "attachment": attachment}}
            lists.attempt(
                lambda: page_actions.correct(book, "oven", int(oven), "placements", changed, page.who(), None),
                f"{channel} sits at {place.strip()}.",
            )


def _now(oven: dict[str, Any]) -> dict[str, dict[str, Any]]:
    kept = oven["placements"]
    read = json.loads(kept) if isinstance(kept, str) else kept
    if not isinstance(read, dict):
        return {}
    return {name: place for name, place in read.items() if isinstance(place, dict)}
