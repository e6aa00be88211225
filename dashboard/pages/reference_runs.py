"""Reference runs: the same board from cold, again and again. When the next is due, and what the last one said."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from analysis.drift.series import BY_NAME
from dashboard import page_data
from dashboard.panels import drift_choices, drift_data, page
from dashboard.words import drift as words
from dashboard.words import limits as limit_words

SHOWN = 6  # of an oven's newest reference runs: enough to see which way they go

book = page.begin(
    "Reference runs",
    "The same reference board, from cold, in the same place on the rack, once in a while: the steadiest sign of how an oven "
    "does, because nothing else differs.",
)
names = drift_data.read_small(book)
if not names:
    st.markdown("No run names its oven yet.")
    page.link("add", "Add logs")
    st.stop()

asked = st.query_params.get("oven")
order = sorted(names, key=lambda n: n != asked)
reports = {name: drift_data.report_now(book, name) for name in order}
shown = tuple(int(run) for r in reports.values() if len(r.references) for run in r.references["run"].head(SHOWN))
verdicts = drift_data.verdicts(book, shown)
for name, report in reports.items():
    state = report.reference
    st.header(page.plain(name), anchor=False)
    drift_choices.say_span(book, report)
    said = words.reference(state)
    st.markdown(page.plain(f"{said[0].upper()}{said[1:]}."))
    if state.last_run is None:
        drift_choices.show_settings(book, name)
        continue
    table = []
    for row in page_data.records(report.references.head(SHOWN)):
        judged = verdicts.get(int(row["run"]), {})
        margin = judged.get("limiting_margin")
        line = {
            "run": str(row["run"]),
            "when": page.local(row["started_at"], book.zone, with_time=False),
            "board": judged.get("board") or "",
            "verdict": judged.get("verdict") or "not evaluated",
            "smallest margin": ""
            if margin is None
            else limit_words.short_margin(judged["limiting_metric"], margin, judged["limiting_unit"]),
        }
        for series in ("full_power_ramp_high_c_per_s", "hold_duty", "cooling_time_constant_s"):
            change = row[f"{series}_change"]
            line[BY_NAME[series].label] = (
                "" if change is None else words.minus(f"{round(100 * change, 1) + 0.0:+.1f} %")
            )
        line["left out"] = row["left_out"] or ""
        table.append(line)
    if table:
        frame = pd.DataFrame(table)
        empty = [str(c) for c in frame.columns if not frame[c].astype(str).str.strip().any()]
        page.table(frame.drop(columns=empty), f"reference-runs-{name}")
        st.caption(
            "Percent: against the baseline of the reference runs; empty where it was not measured or is being learned."
        )
        unmeasured = [label for label in empty if label != "left out"]
        if unmeasured:
            st.caption(page.plain(f"Not measured in these runs: {', '.join(unmeasured)}."))
    last = state.last_run
    page.link("run", f"The last reference run, {last}", run=str(last))
    if len(report.references) > len(table):
        page.link("runs", "All of them", oven=name, kind="reference")
    drift_choices.show_settings(book, name)
page.ask_who()
