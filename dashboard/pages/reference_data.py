"""What runs refer to: ovens, pastes with their windows, jars, boards, profiles and maintenance events."""

from __future__ import annotations

import streamlit as st

from dashboard.panels import event_forms, page, reference_forms, window_form

book = page.begin("Reference data")
LISTS = {
    "ovens": reference_forms.ovens,
    "pastes": reference_forms.pastes,
    "jars": reference_forms.jars,
    "boards": reference_forms.boards,
    "profiles": reference_forms.profiles,
    "events": event_forms.events,
}
chosen = st.segmented_control(
    "Which", list(LISTS), default="ovens", key="list", bind="query-params", required=True, label_visibility="collapsed"
)
window_form.offer_to_judge_again(book)
LISTS[chosen or "ovens"](book)
with st.container():
    page.ask_who()
