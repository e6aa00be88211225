"""One watched series on the page: chart, sums, groups, season, and what its baseline is made of."""

from __future__ import annotations

import streamlit as st

from analysis.drift.now import EFFORT
from analysis.drift.records import Key
from analysis.drift.series import BY_NAME
from analysis.store.drift import OvenReport
from dashboard.figures import drift as figures
from dashboard.panels import page
from dashboard.panels.downloads import draw
from dashboard.words import drift as words

__all__ = ["EFFORT", "label", "show"]


def label(key: Key) -> str:
    name = BY_NAME[key[0]].label
    return name if key[1] is None else f"{key[1]}: {name}"


def show(report: OvenReport, key: Key) -> None:
    found = report.drift
    rows = figures.series_rows(found, key)
    if rows.empty:
        watched = [e.watched[key] for e in found.epochs if key in e.watched]
        why = next((w.reason for w in watched if w.reason), "no baseline yet")
        st.markdown(page.plain(f"Nothing to draw: {why}."))
        return
    calls = [c for c in found.calls if key[0] in c.moved or c.series == key[0]]
    events = [figures.Happened(_moment(e.happened_at), e.kind) for e in report.events]
    said = figures.series_in_words(rows, key)
    name = f"{report.oven}-{key[0]}" + (f"-{key[1]}" if key[1] else "")
    title = f"{report.oven}: {label(key)}"
    draw(figures.series_chart(rows, key, calls, events), f"{name}-against-baseline", said, title, rows)
    st.caption(page.plain(words.minus(said)), help=words.CHARTS["individuals"])
    st.markdown(page.plain(_baseline(report, key)), help=words.CHARTS["baseline"])
    moving, usual = figures.moving_range_chart(rows, key)
    draw(
        moving,
        f"{name}-moving-range",
        f"Moving range of {label(key)}: how far each run lies from the one before it, and the limit of usual ranges.",
        f"{title}, moving range",
    )
    st.caption(
        page.plain(f"Moving range: from each run to the next, usual up to {usual}. A run beyond it is a jump."),
        help=words.CHARTS["moving range"],
    )
    draw(
        figures.cusum_chart(rows),
        f"{name}-cusum",
        f"CUSUM of {label(key)}: both sums and the limit at which a call is made.",
        f"{title}, CUSUM",
        rows,
    )
    st.caption(
        "CUSUM: what has piled up beyond half a scatter a run and beyond the baseline's own doubt; upper and lower sum. Dotted: "
        "the limit a call is made at.",
        help=words.CHARTS["cusum"],
    )
    st.markdown("**Each group by itself**")
    columns = st.columns(3)
    for place, group in enumerate(figures.groups_by_size(rows)):
        with columns[place % 3]:
            st.caption(page.plain(group))
            said = f"{label(key)} of {group} against its baseline."
            draw(figures.group_panel(rows, group, key), f"{name}-{group}", said, f"{title}, {group}")
    if any(", profile " in group for group in rows["group"]):
        st.caption("The letters after “profile” tell apart set-point tables that one board was baked with.")
    st.markdown("**Against the room**")
    if rows["ambient"].notna().sum() < 8:
        st.markdown("The room's temperature is known of too few runs to tell the season apart.")
        return
    draw(
        figures.season_chart(rows, key),
        f"{name}-season",
        f"{label(key)} against the room's temperature, older and newer half of the runs.",
        f"{title}, against the room",
    )
    st.caption(page.plain(_season(report, key)))


def _moment(text: str):
    import pandas as pd

    return pd.Timestamp(text)


def _baseline(report: OvenReport, key: Key) -> str:
    said = []
    for epoch in report.drift.epochs:
        watched = epoch.watched.get(key)
        if watched is None:
            continue
        began = epoch.opened_by or "the first run"
        if watched.baseline is None:
            said.append(f"since {began}: {watched.reason}")
            continue
        b = watched.baseline
        r1 = watched.autocorrelation or 0.0
        wider = f"; runs follow each other (lag-1 correlation {r1:.2f}), so the limits are wider" if r1 > 0 else ""
        kind = BY_NAME[key[0]]
        scatter = f"{kind.shown(b.sigma):.{2 if kind.shown_unit == kind.unit else 1}f} {kind.shown_unit}"
        said.append(f"since {began}: {b.state}, {b.n} runs in {len(b.groups)} groups, scatter {scatter}{wider}")
    return f"Baseline {'; '.join(said)}. It is frozen; only a named event starts a new one, and the old one is kept."


def _season(report: OvenReport, key: Key) -> str:
    watched = report.drift.epochs[-1].watched.get(key) if report.drift.epochs else None
    if watched is None or watched.baseline is None or watched.baseline.ambient_seen is None:
        return "The room was not known while the baseline was learned: season not yet separable."
    low, high = watched.baseline.ambient_seen
    what = "the season can be told apart" if watched.baseline.season_separable else "season not yet separable"
    return f"The baseline's runs saw rooms of {low:.0f} to {high:.0f} °C: {what} (8 °C of difference are needed)."
