"""Cautions, what the words and numbers mean, and the versions at work."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

import pandas as pd
import streamlit as st

from analysis.quantities import QUANTITIES
from dashboard import page_data, words
from dashboard.panels import page
from dashboard.panels.downloads import table_download

book = page.begin("About Ovenbook")
st.markdown(f"**{words.RECORDS_ONLY}**")
st.subheader("Cautions", anchor=False)
st.markdown("\n".join(f"- **{title}.** {text}" for title, text in words.CAUTIONS))
st.markdown(words.CAUTIONS_DEFER)

st.subheader("How a verdict is made", anchor=False)
st.markdown(
    "Every channel is measured on its own; an average is shown if a log has one, never judged. Lower limits are judged on the "
    "coldest channel, upper limits on the hottest. Each value carries its expanded uncertainty. A limit is met when the value is "
    "inside by more than that, missed when outside by more than that, and too close to call in between (decision rule after "
    "JCGM 106 and ISO 14253-1). Channels that are not believable are left out, and that is said first."
)

st.subheader("Words", anchor=False)
asked = st.text_input("Find a word or quantity", key="find", bind="query-params").strip().lower()
terms = pd.DataFrame(
    [(word, meaning) for word, meaning in words.DEFINITIONS.items() if word not in QUANTITIES],
    columns=["Word", "meaning"],
)
quantities = pd.DataFrame(
    [
        (
            q.label,
            "none: a count or fraction" if q.unit == "1" else q.unit,
            q.meaning,
            f"{q.plausible[0]:g} to {q.plausible[1]:g}",
            q.name,
        )
        for q in QUANTITIES.values()
    ],
    columns=["Quantity", "unit", "meaning", "plausible range", "column"],
)
checks = pd.DataFrame(
    [(words.finding_name(code), meaning, code) for code, meaning in words.FINDING_DEFINITIONS.items()],
    columns=["Check", "what it sees", "code"],
)
found = 0
for title, frame in (("", terms), ("Quantities", quantities), ("Checks", checks)):
    if asked:
        frame = frame[frame.apply(lambda row: asked in " ".join(row).lower(), axis=1)]
    found += len(frame)
    if len(frame):
        with st.expander(title, expanded=bool(asked)) if title else st.container():
            page.table(frame, None)
if not found:
    st.info(f"Nothing here contains “{page.plain(asked[:40])}”.")
table_download(terms, "terms", "Terms as CSV")
table_download(quantities, "quantities", "Quantities as CSV")
table_download(checks, "checks", "Checks as CSV")

st.subheader("Versions", anchor=False)


def installed(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "run from its source folder"


counts = page_data.counts(book)
page.facts(
    [
        ("Ovenbook", installed("ovenbook"), ""),
        ("Rules", page_data.rules_version(), "a change re-judges old runs on demand"),
        *((name, installed(name), "") for name in ("duckdb", "pandas", "altair", "streamlit", "scikit-learn")),
        ("Archive", str(book.archive.path), ""),
        ("Zone", book.zone, "times on these pages"),
        ("Holds", f"{words.counted(counts['runs'], 'run')}, {counts['held']} held, {counts['rejected']} rejected", ""),
    ]
)
