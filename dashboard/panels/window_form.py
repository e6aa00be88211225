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
            "For": [words.window_owner(r) for r in rows],
            "limit on": [words.metric_text(r["metric"], json.loads(r["parameters"])) for r in rows],
            "allowed": [words.limit_text(r["metric"], r["low"], r["high"], r["unit"]) for r in rows],
            "from": [
                words.source_text(r["source"], r["revision"]) + (" (default)" if r["is_default"] else "") for r in rows
            ],
        }
    )
    owners = list(dict.fromkeys(table["For"]))
    owner = st.selectbox("Window of", owners, key="window", bind="query-params")
    page.table(table[table["For"] == owner].drop(columns="For"), None)
    table_download(table, "windows")


PASTE, BODY, HOUSE = "a paste's sheet", "component bodies of a board", "the house"


def add_form(book: Book) -> None:
    """A window's limits: of a paste's sheet, of component bodies, or of the house. Bounds left empty are open."""
    with st.expander("Enter a window"):
        what = st.segmented_control(
            "Limits from", (PASTE, BODY, HOUSE), default=PASTE, key="window-what", required=True
        )
        st.caption(_ABOUT[what or PASTE])
        with st.form("add-window", border=False):
            owner, label, liquidus = _choose_owner(book, what or PASTE)
            left, right = st.columns(2)
            with left:
                source = st.text_input("Where the limits stand", placeholder="title of the sheet or rule")
            with right:
                revision = st.text_input("Revision or date")
            bounds, soak_from, soak_to, liquidus = _all_bounds(what or PASTE, liquidus)
            if st.form_submit_button("Add window"):
                _store_window(
                    book, what or PASTE, owner, label, source, revision, bounds, (soak_from, soak_to), liquidus
                )


_ABOUT = {
    PASTE: "The paste's own sheet wins over the default of its alloy family.",
    BODY: "The ceiling of the most sensitive part, from its own sheet. It takes the place of the J-STD-020 ceiling, which "
    "needs only that part's thickness and volume (under boards).",
    HOUSE: "Limits of your own, judged beside the paste's: for every run, or for those of one oven or one board.",
}
Owner = dict[str, int]  # paste_id, board_id or oven_id; empty: every run


def _choose_owner(book: Book, what: str) -> tuple[Owner | None, str, float | None]:
    """Whose window it is (None: not chosen), its name for people, and the liquidus of a paste [°C]."""
    pastes = page_data.records(page_data.reference(book, "pastes"))
    boards = page_data.records(page_data.reference(book, "boards"))
    if what == PASTE:
        names = {int(p["paste_id"]): str(p["name"]) for p in pastes}
        paste = st.selectbox("Paste", list(names), format_func=lambda i: names[i], index=None, placeholder="choose")
        if paste is None:
            return None, "its paste", None
        liquidus = next(float(p["liquidus_c"]) for p in pastes if p["paste_id"] == paste)
        return {"paste_id": int(paste)}, f"The window of {names[paste]}", liquidus
    board_names = {int(b["board_id"]): f"{b['name']} {b['revision'] or ''}".strip() for b in boards}
    if what == BODY:
        board = st.selectbox(
            "Board", list(board_names), format_func=lambda i: board_names[i], index=None, placeholder="choose"
        )
        if board is None:
            return None, "its board", None
        return {"board_id": int(board)}, f"The ceiling of component bodies on {board_names[board]}", None
    ovens = page_data.records(page_data.reference(book, "ovens"))
    whose: dict[str, Owner] = {"every run": {}}
    whose |= {f"runs of the oven {o['name']}": {"oven_id": int(o["oven_id"])} for o in ovens}
    whose |= {f"runs of the board {name}": {"board_id": number} for number, name in board_names.items()}
    chosen = st.selectbox("For", list(whose), key="window-whose")
    return whose[chosen], f"The house window for {chosen}", None


def _all_bounds(
    what: str, liquidus_c: float | None
) -> tuple[dict[str, tuple[float | None, float | None]], float | None, float | None, float | None]:
    """The bounds of each limit, the soak's two temperatures, and the liquidus that time above liquidus counts from."""
    soak_from = soak_to = None
    peak = {PASTE: "Peak at the joint", BODY: "Peak of the body", HOUSE: "Peak"}[what]
    bounds = {"peak": _bounds(peak, "°C", "peak", lower=what != BODY)}
    if what != PASTE:
        liquidus_c = st.number_input("Time above: from which liquidus (°C)", value=None, key="above-from")
    bounds["above"] = _bounds("Time above liquidus", "s", "above", lower=what != BODY)
    if what != BODY:
        st.markdown("Soak: between which temperatures, and how long")
        columns = st.columns(2)
        with columns[0]:
            soak_from = st.number_input("From (°C)", value=None, key="soak-from")
        with columns[1]:
            soak_to = st.number_input("To (°C)", value=None, key="soak-to")
        bounds["soak"] = _bounds("Soak time", "s", "soak")
    lower = what != BODY
    bounds["ramp"] = _bounds(f"Steepest ramp up, over {RAMP_WINDOW_S} s", "°C/s", "ramp", lower=lower)
    bounds["cooling"] = _bounds(f"Steepest cooling, over {RAMP_WINDOW_S} s", "°C/s", "cooling", lower=lower)
    if what == HOUSE:
        bounds["spread"] = _bounds("Spread at peak", "K", "spread", lower=False)
    return bounds, soak_from, soak_to, liquidus_c


def _store_window(
    book: Book,
    what: str,
    owner: Owner | None,
    label: str,
    source: str,
    revision: str,
    bounds: dict[str, tuple[float | None, float | None]],
    soak: tuple[float | None, float | None],
    liquidus_c: float | None,
) -> None:
    try:
        if owner is None:
            raise ArchiveError(f"a window needs {label}: choose it")
        rows = _rows(bounds, *soak, liquidus_c)
        if not source.strip() or not rows:
            raise ArchiveError("a window needs where its limits stand, and at least one limit")
        scope = {PASTE: "paste", BODY: "body", HOUSE: "house"}[what]
        page_actions.add_window(book, scope, source.strip(), revision.strip(), rows, **owner)
    except ArchiveError as error:
        st.error(page.plain(str(error)))
        return
    page.say_next(
        f"{label} now comes from {words.source_text(source.strip(), revision.strip())}. Earlier verdicts stand."
    )
    st.rerun()


def offer_to_judge_again(book: Book) -> None:
    """Say which verdicts rest on values or windows that have been followed by others, and judge again when asked."""
    stale = page_data.stale_count(book)
    if stale:
        who = words.counted(stale, "run was", "runs were")
        st.info(f"{who} judged by values or rules that have changed since.")
        if st.button("Judge them again", key="judge-again"):
            with st.spinner("Judging"):
                told = page_actions.judge_again(book)
            page.say_next(told)
            st.rerun()
    earlier = page_data.not_judged_by_todays_windows(book)
    if not earlier:
        return
    who = words.counted(len(earlier), "run was", "runs were")
    with st.expander(f"{who} judged without a window that is in force now; the verdicts stand until you ask"):
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
        page.table(table, None)
    table_download(table, "what-would-change")


def _bounds(label: str, unit: str, key: str, *, lower: bool = True) -> tuple[float | None, float | None]:
    """A limit's two ends; without `lower` only what it may be at most."""
    if not lower:
        return None, st.number_input(f"{label}, at most ({unit})", value=None, key=f"{key}-high")
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
        "spread": ("spread_at_peak_c", {}),
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
        if key == "above" and liquidus_c is None:
            raise ArchiveError("a time above liquidus needs the liquidus it counts from")
        whole = {k: int(v) if v is not None and float(v).is_integer() else v for k, v in parameters.items()}
        rows.append((metric, canonical_parameters(whole), low, high, QUANTITIES[metric].unit))
    return rows
