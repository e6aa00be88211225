"""Windows: the limits a run is judged by, with their source; a new revision follows the old one, nothing is edited."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import streamlit as st

from analysis.quantities import QUANTITIES
from analysis.results import canonical_parameters
from dashboard import page_actions, page_data, words
from dashboard.page_actions import WindowRow
from dashboard.page_data import Book
from dashboard.panels import page
from dashboard.panels.downloads import table_download
from ingest.archive import ArchiveError

RAMP_WINDOW_S = 20  # s: the stretch steepest ramps are fitted over; part of the limit's definition


def show_windows(book: Book) -> None:
    """Every window in force, with where each limit comes from."""
    rows = page_data.records(page_data.windows(book))
    st.markdown("**Windows in force**")
    if not rows:
        st.info("No window is in force: runs are measured but not judged. Add the limits of your paste's sheet below.")
        return
    table = pd.DataFrame(
        {
            "For": [_owner(r) for r in rows],
            "limit on": [words.metric_text(r["metric"], json.loads(r["parameters"])) for r in rows],
            "allowed": [words.limit_text(r["metric"], r["low"], r["high"], r["unit"]) for r in rows],
            "from": [
                words.source_text(r["source"], r["revision"]) + (" (default)" if r["is_default"] else "") for r in rows
            ],
        }
    )
    owners = list(dict.fromkeys(table["For"]))
    owner = st.selectbox("Window of", owners, key="window", bind="query-params")
    page.table(table[table["For"] == owner].drop(columns="For"))
    table_download(table, "windows")


def add_form(book: Book) -> None:
    """The limits of a paste's sheet. Bounds left empty are open."""
    pastes = page_data.records(page_data.reference(book, "pastes"))
    with st.expander("Enter a paste's window from its sheet"), st.form("add-window", border=False):
        names = {int(p["paste_id"]): str(p["name"]) for p in pastes}
        paste = st.selectbox("Paste", list(names), format_func=lambda i: names[i], index=None, placeholder="choose")
        left, right = st.columns(2)
        with left:
            source = st.text_input("Sheet", placeholder="title of the data sheet")
        with right:
            revision = st.text_input("Revision or date")
        bounds = {
            "peak": _bounds("Peak at the joint", "°C", "peak"),
            "above": _bounds("Time above liquidus", "s", "above"),
        }
        st.markdown("Soak: between which temperatures, and how long")
        columns = st.columns(2)
        with columns[0]:
            soak_from = st.number_input("From (°C)", value=None, key="soak-from")
        with columns[1]:
            soak_to = st.number_input("To (°C)", value=None, key="soak-to")
        bounds["soak"] = _bounds("Soak time", "s", "soak")
        bounds["ramp"] = _bounds(f"Steepest ramp up, over {RAMP_WINDOW_S} s", "°C/s", "ramp")
        bounds["cooling"] = _bounds(f"Steepest cooling, over {RAMP_WINDOW_S} s", "°C/s", "cooling")
        if st.form_submit_button("Add window"):
            try:
                liquidus = next((float(p["liquidus_c"]) for p in pastes if p["paste_id"] == paste), None)
                rows = _rows(bounds, soak_from, soak_to, liquidus)
                if paste is None or not source.strip() or not rows:
                    raise ArchiveError("a window needs its paste, the sheet it comes from and at least one limit")
                page_actions.add_window(book, int(paste), source.strip(), revision.strip(), rows)
            except ArchiveError as error:
                st.error(page.plain(str(error)))
            else:
                page.say_next(
                    f"The window of {names[int(paste)]} now comes from {words.source_text(source.strip(), revision.strip())}."
                )
                st.rerun()


def offer_to_judge_again(book: Book) -> None:
    """Say which verdicts rest on values or windows that have been followed by others, and judge again when asked."""
    stale = page_data.stale_count(book)
    if stale:
        who = words.counted(stale, "run was", "runs were")
        st.info(f"{who} judged by values that have changed since.")
        if st.button("Judge them again", key="judge-again"):
            with st.spinner("Judging"):
                done = page_actions.judge_again(book)
            page.say_next(f"{words.counted(done, 'run')} judged again.")
            st.rerun()
    earlier = page_data.judged_by_earlier_windows(book)
    if not earlier:
        return
    who = words.counted(len(earlier), "run was", "runs were")
    with st.expander(f"{who} judged by a window that has a newer revision; the verdicts stand until you ask"):
        if st.button("Show what would change", key="would-change"):
            with st.spinner("Measuring against the windows of today"):
                _show_changes(page_data.what_would_change(book, earlier))
        if st.button("Judge by the windows of today", key="judge-today"):
            with st.spinner("Judging"):
                done = page_actions.judge_by_todays_windows(book, earlier)
            page.say_next(f"{words.counted(done, 'run')} judged by the windows of today.")
            st.rerun()


def _show_changes(changes: pd.DataFrame) -> None:
    if not len(changes):
        st.markdown("No verdict and no limiting metric would change.")
        return
    rows = page_data.records(changes)
    table = pd.DataFrame(
        {
            "Run": [r["run"] for r in rows],
            "verdict now": [r["verdict"] for r in rows],
            "would be": [r["new_verdict"] for r in rows],
            "limited by": [
                words.metric_label(r["new_limiting_metric"]) if r["new_limiting_metric"] else "" for r in rows
            ],
            "because": [r["new_reason"] or "" for r in rows],
        }
    )
    if len(table) > 40:
        st.dataframe(table, hide_index=True, key="changes")
    else:
        page.table(table)
    table_download(table, "what-would-change")


def _owner(row: dict[str, Any]) -> str:
    if row["scope"] == "paste":
        return str(row["paste"])
    if row["scope"] == "body":
        return f"component bodies on {row['board']} {row['board_revision'] or ''}".strip()
    return f"the house, {row['oven']}" if row["oven"] else "the house"


def _bounds(label: str, unit: str, key: str) -> tuple[float | None, float | None]:
    left, right = st.columns(2)
    with left:
        low = st.number_input(f"{label}, at least ({unit})", value=None, key=f"{key}-low")
    with right:
        high = st.number_input(f"{label}, at most ({unit})", value=None, key=f"{key}-high")
    return low, high


def _rows(
    bounds: dict[str, tuple[float | None, float | None]],
    soak_from: float | None,
    soak_to: float | None,
    liquidus_c: float | None,
) -> list[WindowRow]:
    """The limits that were given. Raises ArchiveError for bounds that cannot be."""
    metrics: dict[str, tuple[str, dict[str, Any]]] = {
        "peak": ("peak_c", {}),
        "above": ("time_above_liquidus_s", {"liquidus_c": liquidus_c}),
        "soak": ("soak_time_s", {"low_c": soak_from, "high_c": soak_to}),
        "ramp": ("ramp_up_max_c_per_s", {"window_s": RAMP_WINDOW_S}),
        "cooling": ("cooling_rate_max_c_per_s", {"window_s": RAMP_WINDOW_S}),
    }
    rows: list[WindowRow] = []
    for key, (low, high) in bounds.items():
        if low is None and high is None:
            continue
        metric, parameters = metrics[key]
        if low is not None and high is not None and low >= high:
            raise ArchiveError(f"{words.metric_label(metric)}: the lower limit is not below the upper one")
        if key == "soak" and (soak_from is None or soak_to is None or soak_from >= soak_to):
            raise ArchiveError("a soak time needs its two temperatures, the lower first")
        whole = {k: int(v) if v is not None and float(v).is_integer() else v for k, v in parameters.items()}
        rows.append((metric, canonical_parameters(whole), low, high, QUANTITIES[metric].unit))
    return rows
