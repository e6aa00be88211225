"""The dashboard's entry: names the pages and shows the one that was asked for. Everything else is in the pages."""

from __future__ import annotations

import logging
from pathlib import Path

import streamlit as st

from dashboard.panels.page import plain
from ingest.archive import ArchiveError

_PAGES = Path(__file__).parent / "pages"


def _page(file: str, title: str, url: str, *, default: bool = False) -> st.Page:  # type: ignore[valid-type]
    return st.Page(_PAGES / f"{file}.py", title=title, url_path=url, default=default)


st.set_page_config(layout="wide", initial_sidebar_state="auto")
asked = st.navigation(
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
)
try:
    asked.run()
except ArchiveError as error:
    st.error(plain(f"{str(error)[0].upper()}{str(error)[1:]}."))
except Exception:
    # Whatever a damaged archive holds: nobody at the oven is helped by a traceback. It goes to the log.
    logging.getLogger("ovenbook").exception("page %s", asked.title)
    st.error(
        "This page ends here: the archive holds something that cannot be shown. Nothing was changed. Run `ovenbook verify`; "
        "what went wrong stands in the service's log."
    )
