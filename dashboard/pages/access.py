"""Who may use the service: tokens of controllers, with making and revoking; people, as a list."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard import page_data, words
from dashboard.panels import page
from ingest.archive import ArchiveError
from ingest.archive.access import add_token, list_people, list_tokens, revoke_token

book = page.begin("Access", "Who may send logs to this service, and who may sign in.")
with book.archive.connect() as con:
    tokens, people = list_tokens(con), list_people(con)

st.subheader("Tokens of controllers", anchor=False)
st.markdown(
    "A controller shows its token when it sends a log (see [the API](/api)). A token can add logs and nothing else. "
    "The archive keeps only its hash: a lost token is revoked and made anew."
)
made = st.session_state.pop("token_made", None)
if made is not None:
    st.markdown(f"The token of **{page.plain(made[0])}**, shown only now:")
    st.code(made[1], language=None)

in_force = tokens[tokens["revoked_at"].isna()]
if len(tokens):
    page.table(
        pd.DataFrame(
            {
                "Token": tokens["token"].astype(str),
                "controller": tokens["name"],
                "oven": tokens["oven"].fillna("any"),
                "made": [page.local(at, book.zone) for at in tokens["created_at"]],
                "revoked": [page.local(at, book.zone) if pd.notna(at) else "" for at in tokens["revoked_at"]],
            }
        ),
        "tokens",
    )
else:
    st.markdown("No token yet: as long as nobody has a password either, a log that comes by HTTP needs none.")

left, right = st.columns(2)
with left, st.form("token-new", clear_on_submit=True):
    name = st.text_input("Controller", max_chars=80)
    ovens = page_data.records(book.archive.read("SELECT oven_id, name FROM oven ORDER BY name"))
    oven = st.selectbox(
        "Its oven (may stay empty)", ovens, index=None, format_func=lambda row: row["name"], placeholder="any"
    )
    if st.form_submit_button("Make a token"):
        try:
            with book.archive.transaction() as con:
                _, token = add_token(con, name, oven_id=oven["oven_id"] if oven else None, who=page.who())
            st.session_state["token_made"] = (name.strip(), token)
            st.rerun()
        except ArchiveError as error:
            st.error(page.plain(str(error)))
with right:
    if len(in_force):
        with st.form("token-revoke"):
            chosen = st.selectbox(
                "Token to revoke",
                in_force["token"].tolist(),
                index=None,
                format_func=lambda n: f"{n}, {in_force.set_index('token')['name'][n]}",
            )
            if st.form_submit_button("Revoke") and chosen is not None:
                try:
                    with book.archive.transaction() as con:
                        ended = revoke_token(con, int(chosen), page.who())
                    page.say_next(f"The token of {ended} is revoked. The service knows within seconds.")
                    st.rerun()
                except ArchiveError as error:
                    st.error(page.plain(str(error)))

st.subheader("People", anchor=False)
if len(people):
    page.table(
        pd.DataFrame(
            {
                "Name": people["name"],
                "password set": [page.local(at, book.zone) for at in people["changed_at"]],
            }
        ),
        "people",
    )
    st.markdown(f"{words.counted(len(people), 'person', 'people')} can sign in. [Sign out](/signout)")
else:
    st.markdown(
        "Nobody has a password: whoever can reach this service can use it. It answers this computer only until somebody has "
        "one."
    )
st.markdown("A password is set or removed on the computer that serves this, so that it crosses no network:")
st.code("ovenbook access password NAME\novenbook access password NAME --remove", language=None)
