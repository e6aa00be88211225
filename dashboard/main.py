"""The dashboard's entry: names the pages and shows the one that was asked for. Everything else is in the pages."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

_PAGES = Path(__file__).parent / "pages"


def _page(file: str, title: str, url: str, *, default: bool = False) -> st.Page:  # type: ignore[valid-type]
    return st.Page(_PAGES / f"{file}.py", title=title, url_path=url, default=default)


st.set_page_config(layout="wide", initial_sidebar_state="auto")
st.navigation(
    {
        "After a bake": [
            _page("latest", "Latest", "latest", default=True),
            _page("add_logs", "Add logs", "add"),
            _page("held", "Held", "held"),
            _page("inspect", "Inspect", "inspect"),
        ],
        "Look back": [
            _page("runs", "Runs", "runs"),
            _page("run", "Run", "run"),
            _page("compare", "Compare", "compare"),
            _page("trace", "Trace", "trace"),
            _page("defects", "Defects", "defects"),
        ],
        "Over months": [
            _page("ovens", "Ovens", "ovens"),
            _page("drift", "Drift", "drift"),
            _page("reference_runs", "Reference runs", "reference-runs"),
        ],
        "Hand on": [_page("sheets", "Sheets", "sheets")],
        "Set up": [
            _page("reference_data", "Reference data", "reference"),
            _page("access", "Access", "access"),
            _page("about", "About", "about"),
        ],
    }
).run()
