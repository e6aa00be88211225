"""What every list of reference data has in common: the table, adding, correcting, and dates as people give them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from dashboard import page_actions, page_data
from dashboard.page_data import Book
from dashboard.panels import page
from dashboard.panels.downloads import table_download
from ingest.archive import ArchiveError


@contextmanager
def form(key: str, title: str, *, open_at_first: bool, keep: bool = False) -> Iterator[None]:
    """A form folded away under its title; `keep` leaves what was typed in place after it was sent."""
    with st.expander(title, expanded=open_at_first), st.form(key, clear_on_submit=not keep, border=False):
        yield


def listing(rows: pd.DataFrame, name: str, columns: Mapping[str, str], empty: str) -> None:
    if not len(rows):
        st.info(empty)
        return
    shown = rows[[c for c in columns if c in rows]].rename(columns=dict(columns))
    shown = shown.astype(object).where(shown.notna(), "")
    if len(shown) > 40:
        st.dataframe(shown, hide_index=True, key=f"list-{name}")
    else:
        page.table(shown, None)
    table_download(shown, name)


def add(book: Book, what: str, name: str, fields: Mapping[str, Any]) -> None:
    add_named(what, name, lambda: page_actions.add_reference(book, what, name.strip(), fields))


def add_named(what: str, name: str, add: Callable[[], Any]) -> None:
    if not name.strip():
        st.error(f"The {what} needs a name.")
        return
    attempt(add, f"Added: {name.strip()}.")


def correct(book: Book, rows: pd.DataFrame, table: str, key: str, label: str, fields: tuple[str, ...]) -> None:
    """Correct one value; the old one is kept with who and why."""
    if not len(rows):
        return
    with st.expander("Correct a value"):
        names = {int(r[key]): _row_name(r, label) for r in page_data.records(rows)}
        row = st.selectbox("Which", list(names), format_func=lambda i: names[i], key=f"correct-{table}")
        field = st.selectbox(
            "Value", fields, format_func=lambda f: str(_FIELD_WORDS.get(f, f)), key=f"correct-field-{table}"
        )
        now = rows.loc[rows[key] == row, field].iloc[0] if field in rows else None
        st.caption(f"Now: {'empty' if now is None or pd.isna(now) or now == '' else page.plain(str(now))}")
        value = st.text_input("New value", key=f"correct-value-{table}")
        why = st.text_input("Why", key=f"correct-why-{table}")
        if st.button("Correct", key=f"correct-do-{table}"):
            attempt(
                lambda: page_actions.correct(
                    book, table, int(row), field, _typed(value, field), page.who(), why or None
                ),
                f"Corrected: {names[row]}.",
            )


_FIELD_WORDS = {
    "control_channel": "steered by channel",
    "powder_type": "powder type",
    "open_life_days": "working life once opened (days)",
    "width_mm": "width (mm)",
    "height_mm": "height (mm)",
    "thickness_mm": "thickness (mm)",
    "layers": "copper layers",
    "mass_g": "mass (g)",
    "joints": "joints a board",
    "components": "components a board",
    "package_thickness_mm": "thickest heat-sensitive package (mm)",
    "package_volume_mm3": "its volume (mm³)",
}
_WHOLE = ("layers", "joints", "components")


def _typed(value: str, field: str) -> Any:
    """Text as the value a column takes. Raises ArchiveError when a number is wanted and none is there."""
    value = value.strip()
    if not value:
        return None
    if field in _WHOLE or field.endswith(("_mm", "_mm3", "_g", "_days")):
        try:
            return int(value) if field in _WHOLE else float(value.replace(",", "."))
        except ValueError:
            raise ArchiveError(f"{_FIELD_WORDS.get(field, field)} must be a number, not {value!r}") from None
    return value


def attempt(act: Callable[[], Any], said: str) -> None:
    try:
        act()
    except ArchiveError as error:
        st.error(page.plain(str(error)))
    else:
        page.say_next(said)
        st.rerun()


def _row_name(row: Mapping[str, Any], label: str) -> str:
    revision = row.get("revision")
    return f"{row[label]}, revision {revision}" if isinstance(revision, str) and revision else str(row[label])


def day(stamp: Any, zone: str) -> str:
    if stamp is None or pd.isna(stamp):
        return "unknown"
    return page.local(stamp, zone, with_time=False)


def noon(day: Any, zone: str) -> datetime:
    """A calendar day as a moment: its noon in the archive's zone, so that no zone moves it to another day."""
    return datetime.combine(day, time(12), ZoneInfo(zone)).astimezone(UTC)


def with_unit(value: Any, unit: str) -> str:
    return "" if value is None or pd.isna(value) else f"{value:g} {unit}"
