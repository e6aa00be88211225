"""An oven's uncertainty budget: the table of its terms with their sources, and setting one of them."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from analysis.uncertainty import TERMS
from dashboard import page_actions, page_data
from dashboard.budgets import OvenBudget
from dashboard.page_data import Book
from dashboard.panels import page
from dashboard.panels.downloads import table_download
from ingest.archive import ArchiveError


def budget(book: Book, ovens: list[dict[str, Any]]) -> None:
    """The budget of one oven, to read and to edit; its runs are judged again when a term is set."""
    with st.expander("How sure its readings are: the uncertainty budget"):
        names = {int(oven["oven_id"]): str(oven["name"]) for oven in ovens}
        oven = int(st.selectbox("Oven", list(names), format_func=lambda i: names[i], key="budget-oven"))
        found = page_data.oven_budget(book, oven)
        st.markdown(
            f"A peak of {found.peak_c:g} °C is known to ± {found.expanded_k:.1f} K (k = 2). {page.plain(found.measured_text)}"
        )
        table = budget_rows(found)
        page.table(table, None)
        table_download(table, f"budget-oven-{oven}")
        term = st.selectbox("Change a term", list(TERMS), format_func=_term_name, key="budget-term")
        default, unit, _, source = TERMS[term]
        usual = "from each log itself" if default is None else f"{default:g}{'' if unit == '1' else ' ' + unit}"
        st.caption(page.plain(f"Default: {usual}. {source[0].upper()}{source[1:]}."))
        text = st.text_input(
            f"Size of the term ({'0 to 1' if unit == '1' else unit})",
            key="budget-value",
            placeholder="empty: the default",
        )
        why = st.text_input("Reason", key="budget-why", placeholder="for example: input calibrated in March")
        if st.button("Set and judge its runs again", key="budget-set"):
            _set(book, oven, found, term, text, why)


def budget_rows(found: OvenBudget) -> pd.DataFrame:
    """The terms as a table for people."""
    rows = [
        (
            f"{row.text[0].upper()}{row.text[1:]}",
            "" if row.half_width is None else f"± {row.half_width:.2g} K",
            f"{row.u:.2f} K",
            row.common,
            "set for this oven" if row.overridden else row.source,
        )
        for row in found.rows
    ]
    rows += [
        (f"{TERMS[name][2][0].upper()}{TERMS[name][2][1:]}", "", "", f"{value:.0%}", share_source(found, name))
        for name, value in found.shares.items()
    ]
    return pd.DataFrame(
        rows, columns=["Term", "half-width", "standard uncertainty", "shared by all channels", "comes from"]
    )


def share_source(found: OvenBudget, name: str) -> str:
    return "set for this oven" if name in found.own else TERMS[name][3]


def _term_name(name: str) -> str:
    _, unit, text, _ = TERMS[name]
    return f"{text[0].upper()}{text[1:]}" + ("" if unit == "1" else f" ({unit})")


def _set(book: Book, oven: int, found: OvenBudget, term: str, text: str, why: str) -> None:
    own = dict(found.own)
    own.pop(term, None)
    try:
        if text.strip():
            try:
                own[term] = float(text.strip().replace(",", "."))
            except ValueError:
                raise ArchiveError(f"{text.strip()!r} is not a number") from None
        with st.spinner("Judging its runs again"):
            told = page_actions.set_budget(book, oven, own, page.who(), why.strip() or None)
    except ArchiveError as error:
        st.error(page.plain(str(error)))
        return
    page.say_next(f"{_term_name(term)}: {text.strip() or 'the default'}. {told or 'No run hangs on it yet.'}")
    st.rerun()
