"""What was on the rack: every value of a run with its origin, and the quick way to fill in what is not known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import page_actions, page_data, recently_used
from dashboard.page_data import Book, RunDetail
from dashboard.panels import inspect, inspect_data, page
from ingest.archive.fields import KINDS, ORIENTATIONS
from ingest.archive.quality import METHODS

KIND_WORDS = {
    "product": "product run",
    "reference": "reference run",
    "development": "profile development",
    "bakeout": "bake-out",
}

# Field of run_overview, its name on the page, its unit.
_FIELDS = (
    ("oven", "Oven", ""),
    ("profile", "Profile", ""),
    ("board", "Board", ""),
    ("paste", "Paste", ""),
    ("jar", "Jar", ""),
    ("kind", "Kind of run", ""),
    ("orientation", "Turned on the rack by", "°"),
    ("load_count", "Boards on the rack", ""),
    ("serials", "Serials", ""),
    ("operator", "Operator", ""),
    ("ambient_c", "Room temperature", "°C"),
    ("firmware", "Firmware", ""),
    ("end_reason", "Why it ended", ""),
    ("note", "Note", ""),
)


def show_metadata(detail: RunDetail) -> None:
    """Every field with its value and where the value comes from. Unknown stays unknown."""
    rows = []
    for field, name, unit in _FIELDS:
        value = detail.overview.get(field)
        if value is None:
            rows.append((name, "unknown", ""))
            continue
        text = KIND_WORDS.get(value, value) if field == "kind" else value
        if isinstance(value, float):
            text = f"{value:g}"
        if field == "board" and detail.overview.get("board_revision"):
            text = f"{value}, revision {detail.overview['board_revision']}"
        if field == "jar" and detail.overview.get("lot"):
            text = f"{value} (lot {detail.overview['lot']})"
        rows.append(
            (
                name,
                f"{text} {unit}".strip().replace(" °", "°") if unit == "°" else f"{text} {unit}".strip(),
                detail.origins.get(field, ""),
            )
        )
    page.facts(rows)


def read_choices(book: Book, run: int) -> None:
    """Read what `quick_metadata` will ask for, so that it is at hand: for callers that hold a connection open."""
    page_data.run_ids(book, run)
    for table in ("ovens", "boards", "jars", "pastes"):
        page_data.reference(book, table)
    for field in ("oven", "board", "jar", "paste"):
        recently_used.recently_used(book, field)
    inspect_data.scope_for(book, run)


def quick_metadata(book: Book, detail: RunDetail) -> None:
    """The few values worth a tap after a bake. Choosing one stores it at once and judges the run again."""
    ids = page_data.run_ids(book, detail.run)

    def names(table: str, key: str) -> dict[int, str]:
        return {int(r[key]): str(r["name"]) for r in page_data.records(page_data.reference(book, table))}

    if ids["oven_id"] is None:
        _choose(
            book,
            detail,
            "oven",
            "Oven",
            names("ovens", "oven_id"),
            None,
            "No oven is known yet: add one under Reference data.",
        )
    boards = {int(r["board_id"]): _board_name(r) for r in page_data.records(page_data.reference(book, "boards"))}
    _choose(
        book,
        detail,
        "board",
        "Board",
        boards,
        ids["board_id"],
        "No board type is known yet: add one under Reference data.",
    )
    jars = page_data.records(page_data.reference(book, "jars"))
    in_use = {int(r["jar_id"]): str(r["label"]) for r in jars if r["finished_at"] is None}
    _choose(
        book, detail, "jar", "Paste jar", in_use, ids["jar_id"], "No jar in use is known: add one under Reference data."
    )
    if ids["jar_id"] is None:
        _choose(book, detail, "paste", "Paste", names("pastes", "paste_id"), ids["paste_id"], "No paste is known yet.")
    _tap(book, detail, "orientation", "Turned on the rack by", ORIENTATIONS, {o: f"{o}°" for o in ORIENTATIONS})
    _tap(book, detail, "kind", "Kind of run", KINDS, KIND_WORDS)


def quick_inspection(book: Book, detail: RunDetail) -> None:
    """One tap for "looked, none found". Not inspected stays not inspected."""
    seen = detail.inspections
    if len(seen):
        counts = seen.groupby("inspection", sort=False)
        for _, rows in counts:
            first = rows.iloc[0]
            found = [f"{int(r['count'])} {r['defect']}" for r in page_data.records(rows) if r["defect"]]
            what = ", ".join(found) if found else "looked, none found"
            st.markdown(f"{page.local(first['inspected_at'], book.zone)}, {first['method']}: {page.plain(what)}.")
    else:
        st.markdown("Not inspected yet. That is not the same as no defects.")
    method = st.selectbox("Looked with", METHODS, key=f"method-{detail.run}")
    scope = _looked_at(book, detail)
    st.caption(page.plain(f"One tap stores: {inspect.amounts(replace(scope, method=method))} ({scope.said})."))
    if st.button("Looked, none found", key=f"clean-{detail.run}"):
        with page.refusals():
            inspect_data.store(
                book, detail.run, replace(scope, method=method), (), page.who(), origin=_kept_origin(scope)
            )
        page.say_next(f"Run {detail.run}: looked with {method}, none found.")
        st.rerun()
    page.link("inspect", "Something was found: record a defect", run=str(detail.run))


def _kept_origin(scope: inspect_data.Scope) -> str:
    return "typed" if scope.origin == "unknown" else scope.origin


def _looked_at(book: Book, detail: RunDetail) -> inspect_data.Scope:
    """How much one tap stands for: as on the page *Inspect*, and where only the boards are known, with the board's joints."""
    scope = inspect_data.scope_for(book, detail.run)
    number = page_data.run_ids(book, detail.run)["board_id"]
    rows = page_data.records(page_data.reference(book, "boards"))
    each = next((int(r["joints"]) for r in rows if r["joints"] and r["board_id"] == number), None)
    if scope.joints is None and scope.boards and each:
        said = f"{scope.said}, {each} joints on each board"
        return replace(scope, joints=scope.boards * each, said=said)
    if scope.joints is None:
        return replace(scope, said=f"{scope.said}; no joints are counted")
    return scope


def _choose(
    book: Book, detail: RunDetail, field: str, label: str, names: dict[int, str], now: int | None, none_known: str
) -> None:
    if now is not None and now not in names:
        names = {now: str(detail.overview.get(field)), **names}
    if not names:
        st.caption(f"{label}: unknown. {none_known}")
        return
    options = list(names)
    picked = st.selectbox(
        f"{label} ({_origin(detail, field)})",
        options,
        index=options.index(now) if now in options else None,
        format_func=lambda i: names[i],
        placeholder="unknown: choose",
        key=f"{field}-{detail.run}-{now}",
    )
    # The list takes two taps; what was used lately is one tap away.
    lately = [i for i in recently_used.recently_used(book, field) if i in names and i != now][: recently_used.SHOWN]
    if lately:
        tapped = st.pills(
            f"{label}: used lately",
            lately,
            format_func=lambda i: names[i],
            key=f"lately-{field}-{detail.run}-{now}",
        )
        picked = tapped if tapped is not None else picked
    if picked is not None and picked != now:
        _store(book, detail, field, picked, f"{label} is now {names[picked]}.")


def _tap(
    book: Book, detail: RunDetail, field: str, label: str, options: tuple[str, ...], names: dict[str, str]
) -> None:
    now = detail.overview.get(field)
    picked = st.segmented_control(
        f"{label} ({_origin(detail, field)})",
        options,
        default=now if now in options else None,
        format_func=lambda o: names[o],
        wrap=True,
        key=f"{field}-{detail.run}-{now}",
    )
    if picked is not None and picked != now:
        _store(book, detail, field, picked, f"{label}: {names[picked]}.")


def _store(book: Book, detail: RunDetail, field: str, value: Any, said: str) -> None:
    with page.refusals():
        page_actions.set_run_value(book, detail.run, field, value, page.who())
    page.say_next(f"Run {detail.run}: {said}")
    st.rerun()


def _origin(detail: RunDetail, field: str) -> str:
    if detail.overview.get(field) is None:
        return "unknown"
    return detail.origins.get(field, "origin unknown")


def _board_name(row: dict[str, Any]) -> str:
    return (
        f"{row['name']}, revision {row['revision']}"
        if row.get("revision") and not pd.isna(row["revision"])
        else str(row["name"])
    )
