"""Two runs side by side: what changed, the most unusual first."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard import comparing, page_data
from dashboard.figures.comparison import comparison_curves, comparison_table, difference_curves, legend_words
from dashboard.panels import page
from dashboard.panels.downloads import draw, table_download
from dashboard.words import comparing as words
from ingest.archive import ArchiveError

LISTED = 12  # rows of the ranked list; the rest stands behind a tap

book = page.begin("Compare")
newest = page_data.newest_run(book)
if newest is None:
    st.markdown("No run is in this archive yet. Two runs are needed before anything can be compared.")
    page.link("add", "Add the first log")
    st.stop()

left, right = st.columns(2)
with left:
    second = st.number_input(
        "Run in question",
        min_value=1,
        step=1,
        value=None,
        placeholder=f"newest: {newest}",
        key="run",
        bind="query-params",
    )
second = int(second or newest)
choice = None
with right:
    first = st.number_input(
        "Compare it with run",
        min_value=1,
        step=1,
        value=None,
        placeholder="last good run",
        key="with",
        bind="query-params",
        help="Left empty, the last good run is taken: the latest earlier run of the same oven, set points, board and kind "
        "that meets its window, is complete, and has no failed sensor, danger or defects.",
    )
try:
    if first is None:
        choice = comparing.last_good(book, second)
        if choice.run is None:
            st.info(f"There is no good run to compare run {second} with: {page.plain(choice.rule)}. Name a run above.")
            page.link("runs", "All runs")
            st.stop()
        first = choice.run
    if int(first) == second:
        st.info(f"Run {second} would be compared with itself. Name another run.")
        st.stop()
    both = comparing.comparison(book, int(first), second)
except ArchiveError as error:
    page.stop_with(f"{str(error)[0].upper()}{str(error)[1:]}.")

first = int(first)
st.html(f'<div class="ob-verdict"><p class="ob-first">{page.escaped(words.headline(both))}</p></div>')
if choice is not None:
    st.caption(page.plain(f"Run {first} is {choice.rule}."))
fitness = words.fitness_text(both)
if fitness:
    st.warning(page.plain(fitness))
with st.container(horizontal=True):
    page.link("run", f"Run {first}", run=str(first))
    page.link("run", f"Run {second}", run=str(second))
    page.link("compare", "Link to this comparison", **{"run": str(second), "with": str(first)})

st.subheader("Recorded with them", anchor=False)
rows = [row for row in page_data.records(both.metadata) if row["state"] != "same"]
if rows:
    page.table(
        pd.DataFrame(
            {
                "What": [words.field_words(r["field"]) for r in rows],
                f"run {first}": [words.field_value(r["field"], r["first"]) for r in rows],
                f"run {second}": [words.field_value(r["field"], r["second"]) for r in rows],
            }
        ),
        f"runs-{first}-{second}-recorded",
    )
else:
    st.markdown("Nothing that was recorded differs.")

st.subheader("Curves", anchor=False)
sentence = words.curves_in_words(both.curves, first, second)
if both.curves.curves.dropna(subset=["first", "second"]).empty:
    st.info(page.plain(sentence))
else:
    chart = comparison_curves(both.curves, first, second)
    draw(
        chart,
        f"runs-{first}-{second}-curves",
        sentence,
        f"Run {first} (dashed) and run {second}",
        comparison_table(both.curves, first, second),
    )
    difference = difference_curves(both.curves)
    st.caption(f"{legend_words(first, second)} Below: run {second} less run {first}.")
    draw(
        difference,
        f"runs-{first}-{second}-difference",
        f"Difference of the two runs in kelvin over the same time. {sentence}",
        f"Run {second} less run {first}",
    )
    st.caption(page.plain(sentence))
st.markdown(page.plain(words.shape_text(both.shape, second)))

st.subheader("Measured, the most unusual difference first", anchor=False)
said = words.comparison_rows(both)
if not said:
    st.info("No number was measured in both runs.")
else:
    table = pd.DataFrame(said).rename(
        columns={"what": "What", "first": f"run {first}", "second": f"run {second}", "how unusual": "how unusual"}
    )
    page.table(table.head(LISTED), None)
    if len(table) > LISTED:
        with st.expander(f"The other {len(table) - LISTED}"):
            page.table(table.iloc[LISTED:], None)
    table_download(table, f"runs-{first}-{second}-differences")
st.caption(
    page.plain(
        f"A difference is called unusual from 3 times what two comparable runs usually differ by. Comparable here: "
        f"{len(both.group.runs)} runs, {both.group.words}."
    )
)
