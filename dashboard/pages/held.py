"""Logs that wait for an answer: the question beside the first lines, and the answer kept for the next log of the kind."""

from __future__ import annotations

import streamlit as st

from dashboard import page_actions, page_data, words
from dashboard.panels import adding, page
from ingest.archive import ArchiveError

book = page.begin("Held")
adding.show_last_results(book)
held = page_data.held_list(book)
if not held:
    st.markdown(
        "No log waits for an answer. A log is held when it cannot be read with confidence; nothing is stored on a guess."
    )
    page.link("add", "Add logs")
else:
    st.markdown(
        f"{words.counted(len(held), 'log')} cannot be read with confidence. An answer is remembered for logs laid out alike."
    )

wanted = st.query_params.get("log")
for log in held:
    if wanted and str(log["log_id"]) != wanted and any(str(h["log_id"]) == wanted for h in held):
        continue
    with st.container(border=True):
        st.subheader(page.plain(log["file_name"]), anchor=False)
        reason = "" if log["questions"] else f" {page.plain(log['reason'] or '')}"
        st.caption(f"Log {log['log_id']}, received {page.local(log['received_at'], book.zone)}.{reason}")
        if log["head"]:
            st.code("\n".join(str(line) for line in log["head"]), language=None, wrap_lines=True)
        answers = adding.ask(f"held-{log['log_id']}", log["questions"])
        layout = st.text_input(
            "Name for this layout",
            key=f"layout-{log['log_id']}",
            placeholder="for example: controller of the small oven",
            help="How this controller lays out its logs. Under this name the answers are remembered; may stay empty.",
        )
        ready = all(question["id"] in answers for question in log["questions"])
        if st.button("Answer and store", key=f"answer-{log['log_id']}", type="primary", disabled=not ready):
            try:
                results = page_actions.answer_held(book, int(log["log_id"]), answers, layout.strip() or None)
            except ArchiveError as error:
                st.error(page.plain(str(error)))
            else:
                st.session_state["added"] = [result.to_json() for result in results]
                st.session_state.pop(f"answers:held-{log['log_id']}", None)
                st.rerun()
        page.link("held", "Link to this log alone", log=str(log["log_id"]))

rejected = page_data.rejected_list(book)
if len(rejected):
    st.subheader("Rejected", anchor=False)
    st.markdown("These files could not be read as oven logs. Nothing of them is kept but this note.")
    shown = rejected.assign(received_at=[page.local(at, book.zone) for at in rejected["received_at"]])
    page.table(shown.rename(columns={"file_name": "File", "received_at": "received", "reason": "reason"}), "rejected")
