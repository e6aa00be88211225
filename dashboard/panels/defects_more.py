"""Parts of the page *Defects* that go further: yields, time, several factors at once, and what to expect of a run."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from analysis.defects.overview import BY, FEWEST_POINTS
from dashboard.figures import defects as figures
from dashboard.figures import defects_time
from dashboard.page_data import Book, records
from dashboard.panels import defects_data, page
from dashboard.panels.downloads import draw


def show_yield(book: Book, not_inspected: int, newest: int | None) -> None:
    """First-pass yield and defects per million joints by one thing at a time."""
    by = st.segmented_control("By", list(BY), default="board", key="yield-by", wrap=True) or "board"
    frame = defects_data.yields(book, by, None, newest)
    chart = figures.share_points(
        frame["group"].tolist(), frame["clean"].tolist(), frame["inspected"].tolist(), "share of runs without a defect"
    )
    said = "; ".join(f"{r['group']}: {r['clean']} of {r['inspected']} clean" for r in records(frame))
    draw(chart, f"yield-by-{by}", f"{said}.", f"Share of runs without a defect, by {by}")
    rows = [
        {
            by: r["group"],
            "clean runs": f"{r['clean']} of {r['inspected']}",
            "yield (95 %)": f"{r['rate']:.0%} ({r['low']:.0%} to {r['high']:.0%})",
            "defects": r["defects"],
            "joints looked at": r["joints"] or "not said",
            "per million joints (95 %)": "" if r["dpmo"] is None
            else f"{r['dpmo']:.0f} ({r['dpmo_low']:.0f} to {r['dpmo_high']:.0f})",
        }
        for r in records(frame)
    ]  # fmt: skip
    page.table(pd.DataFrame(rows), f"yield-table-by-{by}")
    st.caption(
        f"Runs without a defect before any touch-up, of those inspected; {not_inspected} product runs were not. Yield: Wilson "
        "interval. Per million: defects over joints looked at (terminations); the interval allows for defects of one run "
        "coming together."
    )


def show_time(book: Book, defect: str, newest: int | None) -> None:
    """Shares over time, and the gaps between rare defects."""
    points = defects_data.over_time(book, defect, newest)
    if points is not None:
        said = defects_time.time_in_words(points)
        draw(defects_time.share_over_time(points), f"{defect}-over-time", said, f"{defect} over time")
        st.caption(said)
    gap = defects_data.gaps(book, defect, newest)
    if gap is not None:
        said = defects_time.gaps_in_words(*gap)
        draw(defects_time.gap_points(*gap), f"{defect}-gaps", said, f"Runs between {defect}s", gap[1])
        st.caption(said)
    if points is None and gap is None:
        st.markdown(
            f"No chart yet: at least {FEWEST_POINTS} months or weeks with inspected runs and the defect are needed."
        )


def show_several(book: Book, defect: str, newest: int | None) -> None:
    """The model of several factors, worked out when asked for: it takes some seconds."""
    if not st.toggle("Work out several factors at once", key=f"several-{defect}"):
        st.caption(
            "A logistic model and a forest of trees, each checked on jars (or weeks) it has not seen. Takes some seconds."
        )
        return
    model = defects_data.model(book, defect, newest)
    if model.reason:
        st.markdown(page.plain(f"Not evaluated, because {model.reason}."))
        return
    st.markdown(page.plain(model.reading))
    rows = [
        {
            "model": s.model,
            "gain over the base rate": f"{s.gain:+.3f} ({s.low:+.3f} to {s.high:+.3f})",
            "beats it": "yes" if s.beats_base else "no",
        }
        for s in model.scores
    ]
    page.table(pd.DataFrame(rows), f"{defect}-models")
    if model.slope is not None:
        slope, low, high = model.slope
        st.caption(
            f"Gain in log loss per run, whole {model.grouped_by}s left out; base rate {model.defective} of {model.n} runs. "
            f"Calibration slope {slope:.2f} ({low:.2f} to {high:.2f}), 1 is perfect. "
            f"Expected {model.expected_defective:.0f} runs with it, seen {model.defective}."
        )
    said = "; ".join(f"predicted {c.predicted:.0%}, seen {c.seen.count} of {c.seen.n}" for c in model.calibration)
    draw(defects_time.calibration_points(model), f"{defect}-calibration", f"{said}.", f"{defect}: predicted and seen")
    weights = ", ".join(f"{label} {weight:+.2f}" for label, weight in model.weights[:6])
    st.markdown(page.plain(f"Largest weights (log odds a standard deviation): {weights}."))
    if model.left_out:
        st.caption(page.plain(f"Left out: {'; '.join(model.left_out)}."))


def show_expected(book: Book, run: int) -> None:
    """What to expect on one run, on demand, for the page of a run. Says why where there is nothing to say."""
    if not st.toggle("Expected defects of this run", key=f"expected-{run}"):
        return
    found = defects_data.expected(book, run)
    if not found:
        st.markdown("Not evaluated, because no inspection has found a defect yet.")
    for one in found:
        st.markdown(page.plain(expected_words(one)))


def expected_words(one: Any) -> str:
    if one.probability is None:
        return f"{one.defect}: no expectation, because {one.reason}. The base rate is {one.base:.0%} of runs."
    return (
        f"{one.defect}: expected on {one.probability:.0%} of runs like this one ({one.low:.0%} to {one.high:.0%}, "
        f"{one.level:.0%} interval); the base rate is {one.base:.0%}."
    )
