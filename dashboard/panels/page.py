"""How a page begins: the archive as it is now, the style sheet, the heading, and one clear line if the archive is shut."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from datetime import date
from html import escape
from importlib.resources import files
from typing import Any, NoReturn

import pandas as pd
import streamlit as st

from dashboard import page_data
from dashboard.panels.downloads import table_download
from ingest.archive import ArchiveError

PAGE_FILES = {
    "latest": "pages/latest.py",
    "runs": "pages/runs.py",
    "run": "pages/run.py",
    "compare": "pages/compare.py",
    "trace": "pages/trace.py",
    "sheets": "pages/sheets.py",
    "inspect": "pages/inspect.py",
    "defects": "pages/defects.py",
    "add": "pages/add_logs.py",
    "held": "pages/held.py",
    "reference": "pages/reference_data.py",
    "ovens": "pages/ovens.py",
    "drift": "pages/drift.py",
    "reference_runs": "pages/reference_runs.py",
    "about": "pages/about.py",
}


def begin(title: str | None, intro: str | None = None) -> page_data.Book:
    """The archive this page works on; stops the page with one line when it cannot be opened."""
    st.set_page_config(page_title=f"{title} · Ovenbook" if title else "Ovenbook")
    st.html(f"<style>{(files('dashboard') / 'static' / 'page.css').read_text()}</style>")
    st.logo(str(files("dashboard") / "static" / "wordmark.svg"), size="large")
    if title:
        st.title(title, anchor=False)
    if intro:
        st.markdown(intro)
    try:
        book = page_data.current(os.environ.get("OVENBOOK_ARCHIVE"))
    except ArchiveError as error:
        stop_with(str(error))
    if page_data.is_demo(book):
        st.caption("Demo archive: the shop, its people and its runs are invented.")
    if book.archive.reading_only:
        st.caption(plain(f"{book.archive.reading_only[0].upper()}{book.archive.reading_only[1:]}."))
    say_pending()
    return book


def stop_with(line: str) -> NoReturn:
    st.error(plain(line))
    st.stop()
    raise AssertionError("unreachable")


@contextlib.contextmanager
def refusals() -> Iterator[None]:
    """Stops the page with one line when the archive takes nothing: held elsewhere, a full disk, a published data set."""
    try:
        yield
    except ArchiveError as error:
        stop_with(str(error))


def who() -> str | None:
    """Who enters something on this page, if they said so."""
    typed = st.session_state.get("who", "").strip()
    return typed or None


def ask_who() -> None:
    """The initials kept beside what is typed, asked once a browser session."""
    st.text_input(
        "Your initials",
        key="who",
        persist_state="session",
        max_chars=40,
        help="Kept with every value you enter or correct, so that the record says who. May stay empty.",
    )


def say_next(line: str) -> None:
    """A line to show after the page has drawn itself anew."""
    st.session_state.setdefault("to_say", []).append(line)


def say_pending() -> None:
    for line in st.session_state.pop("to_say", []):
        st.success(plain(line))


def local(stamp: Any, zone: str, *, with_time: bool = True) -> str:
    """A UTC time stamp of the archive as "12 May 2025, 14:03" in the archive's zone; unknown times say so."""
    if stamp is None or pd.isna(stamp):
        return "time unknown"
    at = pd.Timestamp(stamp)
    at = at.tz_localize("UTC") if at.tzinfo is None else at
    at = at.tz_convert(zone)
    day = f"{at.day} {at:%b %Y}"
    return f"{day}, {at:%H:%M}" if with_time else day


def local_day(stamp: Any, zone: str) -> date:
    """The calendar day of a UTC time stamp in the archive's zone."""
    at = pd.Timestamp(stamp)
    return (at.tz_localize("UTC") if at.tzinfo is None else at).tz_convert(zone).date()


def facts(rows: list[tuple[str, str, str]]) -> None:
    """Name, value and a small remark (the origin, say) in a grid that narrows to the screen."""
    cells = "".join(
        f'<div><div class="ob-name">{escape(name)}</div><div class="ob-value">{escape(value)}</div>'
        + (f'<div class="ob-origin">{escape(remark)}</div>' if remark else "")
        + "</div>"
        for name, value, remark in rows
    )
    st.html(f'<div class="ob-facts">{cells}</div>')


def table(frame: pd.DataFrame, name: str | None) -> None:
    """A short table as plain text that turns into stacked lines on a narrow screen, and as a CSV file under `name` (None: it
    shows what is not kept yet, or is a part of a table that has its file). For long tables use st.dataframe."""
    names = [str(c) for c in frame.columns]
    head = "".join(f"<th>{escape(n)}</th>" for n in names)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td data-name="{escape(n, quote=True)}">{escape(str(v))}</td>' for n, v in zip(names, row, strict=True)
        )
        + "</tr>"
        for row in frame.itertuples(index=False)
    )
    st.html(f'<table class="ob-table"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>')
    if name is not None:
        table_download(frame, name)


def link(page: str, label: str, **parameters: str) -> None:
    """A link to another page that opens it as it would be reproduced by its address."""
    st.page_link(PAGE_FILES[page], label=label, query_params=parameters or None)


def escaped(text: str) -> str:
    """Text from logs and people, safe inside HTML."""
    return escape(text)


def plain(text: str) -> str:
    """Text from logs and people, safe inside Markdown."""
    for mark in "\\`*_{}[]<>#|$~":
        text = text.replace(mark, "\\" + mark)
    return text
