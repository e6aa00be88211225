"""Tracing both ways: a serial to its runs and what was used in them, and a jar, lot, event or oven to its boards."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard import page_data, tracing, words
from dashboard.panels import page
from dashboard.panels.downloads import table_download
from dashboard.trace import Trace, as_table
from ingest.archive import ArchiveError

WRITTEN_OUT = 12  # rows; more of them go into a table that scrolls
SHOWN = 500  # rows sent to the browser; the download holds all of them
KINDS = ("serial", "jar", "lot", "event", "oven")

book = page.begin("Trace")
if page_data.counts(book)["runs"] == 0:
    st.markdown(
        "No run is in this archive yet. Tracing begins with the first log and the serials or the jar noted with it."
    )
    page.link("add", "Add the first log")
    st.stop()

st.markdown("From a board's serial to what was used for it, or from a jar, a lot, an event or an oven to the boards.")
by = st.segmented_control(
    "Trace by",
    KINDS,
    default="serial",
    key="by",
    bind="query-params",
    required=True,
)
choices = tracing.choices(book)


def pick(label: str, names: list[str], none: str) -> str | None:
    if not names:
        st.info(none)
        return None
    return st.selectbox(label, names, index=None, placeholder="choose", key=by, bind="query-params")


def asked() -> Trace | None:
    """The trace that the fields ask for, or None while they are empty."""
    if by == "serial":
        typed = st.text_input("Serial", key="serial", bind="query-params", placeholder="for example 0412")
        return tracing.of_serial(book, typed.strip()) if typed and typed.strip() else None
    if by == "event":
        labels = tracing.event_labels(book)
        picked = pick("Event", list(labels), "No event is noted yet. Events are entered under Reference data.")
        return tracing.of_event(book, labels[picked]) if picked else None
    if by in ("jar", "lot"):
        picked = pick(
            by.capitalize(), choices[by], f"No run has a {by} recorded yet. Choose the jar on the page Latest."
        )
        return tracing.of_jar_or_lot(book, by, picked) if picked else None
    picked = pick("Oven", choices["oven"], "No run has an oven recorded yet.")
    days = st.columns(2)
    with days[0]:
        first = st.date_input("From", value=None, key="first", bind="query-params", format="YYYY-MM-DD")
    with days[1]:
        last = st.date_input("To", value=None, key="last", bind="query-params", format="YYYY-MM-DD")
    return tracing.of_oven(book, picked, first, last) if picked else None


try:
    trace = asked()
except ArchiveError as error:
    page.stop_with(f"{str(error)[0].upper()}{str(error)[1:]}.")
if trace is None:
    st.stop()

serials = int(trace.boards["serial"].notna().sum())
st.subheader(page.plain(f"{trace.asked[0].upper()}{trace.asked[1:]}"), anchor=False)
summary = f"{words.counted(len(trace.runs), 'run')}, {words.counted(serials, 'serial')}"
bare = int(trace.boards["serial"].isna().sum())
summary += f"; {words.counted(bare, 'run')} without serials." if bare else "."
st.markdown(summary)
for gap in trace.gaps:
    st.caption(page.plain(gap))
if trace.runs.empty:
    st.info("No run matches what was asked.")
    st.stop()

rows = page_data.records(trace.runs)
st.subheader("Runs and what was used", anchor=False)
used = pd.DataFrame(
    {
        "Run": [r["run"] for r in rows],
        "started": [page.local(r["started_at"], book.zone) for r in rows],
        "serials": [r["serials"] or "not recorded" for r in rows],
        "board": [r["board"] or "unknown" for r in rows],
        "jar": [r["jar"] or "unknown" for r in rows],
        "lot": [r["lot"] or "unknown" for r in rows],
        "oven": [r["oven"] or "unknown" for r in rows],
        "firmware": [r["firmware"] or "unknown" for r in rows],
        "verdict": [("stop: danger, " if r["danger"] else "") + (r["verdict"] or "not evaluated") for r in rows],
    }
)
if len(rows) <= WRITTEN_OUT:
    page.table(used, None)
else:
    st.dataframe(
        used.head(SHOWN),
        hide_index=True,
        height=min(36 + 35 * len(used), 640),
        column_config={"Run": st.column_config.NumberColumn(format="%d", width=64, pinned=True)},
        alt=f"Table of {words.counted(len(rows), 'run')} with start, serials, board, jar, lot, oven, firmware and verdict.",
    )
if len(rows) > SHOWN:
    st.caption(f"The first {SHOWN} of {len(rows)} runs. The CSV below holds all.")
if len(rows) <= WRITTEN_OUT:
    with st.container(horizontal=True):
        for row in rows:
            page.link("run", f"Run {row['run']}", run=str(row["run"]))
table_download(as_table(trace), "trace", "One row a board, as CSV")

if by == "serial":
    st.subheader("What shared it", anchor=False)
    st.markdown("Other boards from the same lot, or the same oven on the same days:")
    for lot in dict.fromkeys(r["lot"] for r in rows if r["lot"]):
        page.link("trace", f"Everything from lot {page.plain(lot)}", by="lot", lot=lot)
    for oven, day in dict.fromkeys((r["oven"], r["started_at"]) for r in rows if r["oven"] and r["started_at"]):
        week = [(pd.Timestamp(day) + pd.Timedelta(days=d)).date().isoformat() for d in (-3, 3)]
        page.link(
            "trace", f"{page.plain(oven)}, {week[0]} to {week[1]}", by="oven", oven=oven, first=week[0], last=week[1]
        )

events = page_data.records(trace.events.drop_duplicates("event"))
st.subheader("Events on the ovens", anchor=False)
if not events:
    st.markdown("No event is noted on these ovens, or the runs' start is not known.")
else:
    st.caption("The last of each kind before one of the runs, and the first of each kind after it.")
    page.table(
        pd.DataFrame(
            {
                "Event": [e["kind"] for e in events],
                "oven": [e["oven"] for e in events],
                "when": [
                    page.local(e["happened_at"], book.zone, with_time=e["at_precision"] == "time") for e in events
                ],
                "note": [e["note"] or "" for e in events],
            }
        ).head(SHOWN),
        "trace-events",
    )
