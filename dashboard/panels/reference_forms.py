"""Lists of what runs refer to, each with its form to add one and to correct a value."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import page_actions, page_data
from dashboard.page_data import Book
from dashboard.panels import budget_form, page, placement_form, window_form
from dashboard.panels import reference_lists as lists
from ingest.alloys import KNOWN_ALLOYS


def ovens(book: Book) -> None:
    rows = page_data.reference(book, "ovens")
    lists.listing(
        rows,
        "ovens",
        {"name": "Oven", "controller": "controller", "control_channel": "steered by", "note": "note"},
        "No oven is known yet. Name each oven once; its runs are compared with its own past only.",
    )
    with lists.form("add-oven", "Add an oven", open_at_first=not len(rows)):
        name = st.text_input("Name", placeholder="for example: small oven by the window")
        controller = st.text_input(
            "Controller", help="Make or build of what steers the heat, and its firmware if known. May stay empty."
        )
        steered = st.text_input(
            "Steered by channel",
            help="The column of the log whose sensor steers the heater. Checks of that sensor come first.",
        )
        note = st.text_input("Note")
        if st.form_submit_button("Add oven"):
            lists.add(book, "oven", name, {"controller": controller, "control_channel": steered, "note": note})
    if len(rows):
        placement_form.placements(book, page_data.records(rows))
        budget_form.budget(book, page_data.records(rows))
    st.caption(
        "Limits of the house for one oven, and ceilings of a board's parts, are entered under pastes: Enter a window."
    )
    lists.correct(book, rows, "oven", "oven_id", "name", ("name", "controller", "control_channel", "note"))


def pastes(book: Book) -> None:
    rows = page_data.reference(book, "pastes")
    shown = (
        rows.assign(
            melts=[_span(r["solidus_c"], r["liquidus_c"]) for r in page_data.records(rows)],
            life=[lists.with_unit(v, "days") for v in rows["open_life_days"]],
            window=[
                "default of the alloy family: the paste's own sheet wins" if d else "own" for d in rows["is_default"]
            ],
        )
        if len(rows)
        else rows
    )
    lists.listing(
        shown,
        "pastes",
        {
            "name": "Paste",
            "alloy": "alloy",
            "melts": "melts at",
            "powder_type": "powder",
            "flux": "flux",
            "life": "working life",
            "window": "kind of entry",
        },
        "No paste is known yet.",
    )
    window_form.show_windows(book)
    with lists.form("add-paste", "Add a paste", open_at_first=not len(rows)):
        name = st.text_input("Product name, as on the jar")
        alloys = list(KNOWN_ALLOYS)
        alloy = st.selectbox("Alloy", alloys, index=None, placeholder="choose")
        powder = st.text_input("Powder type", placeholder="3, 4 or 5")
        flux = st.text_input("Flux", placeholder="no-clean, water-soluble, rosin")
        life = st.number_input("Working life once opened (days)", min_value=0.0, value=None, step=1.0)
        note = st.text_input("Note")
        if st.form_submit_button("Add paste"):
            if alloy is None:
                st.error("Choose the alloy: its liquidus decides what time above liquidus means.")
            else:
                fields = {"powder_type": powder, "flux": flux, "open_life_days": life, "note": note}
                lists.add_named("paste", name, lambda: page_actions.add_paste(book, name.strip(), alloy, fields))
    window_form.add_form(book)
    lists.correct(book, rows, "paste", "paste_id", "name", ("name", "powder_type", "flux", "open_life_days", "note"))


def jars(book: Book) -> None:
    rows = page_data.reference(book, "jars")
    pastes_known = page_data.reference(book, "pastes")
    names = dict(zip(pastes_known["paste_id"], pastes_known["name"], strict=True)) if len(pastes_known) else {}
    shown = (
        rows.assign(
            paste=[names.get(i, "") for i in rows["paste_id"]],
            opened=[lists.day(v, book.zone) for v in rows["opened_at"]],
            finished=["in use" if pd.isna(v) else lists.day(v, book.zone) for v in rows["finished_at"]],
            expires=[lists.day(v, book.zone) for v in rows["expiry"]],
        )
        if len(rows)
        else rows
    )
    lists.listing(
        shown,
        "jars",
        {
            "label": "Jar",
            "paste": "paste",
            "lot": "lot",
            "opened": "opened",
            "expires": "expires",
            "finished": "finished",
            "storage": "storage",
            "note": "note",
        },
        "No jar is known yet. A jar is entered once when it is opened; every run inherits it until another is opened.",
    )
    with lists.form("add-jar", "Open a jar", open_at_first=not len(rows)):
        label = st.text_input("Label", placeholder="what you write on the lid, for example: jar 14")
        paste = st.selectbox("Paste", list(names), format_func=lambda i: names[i], index=None, placeholder="choose")
        lot = st.text_input("Lot")
        opened = st.date_input("Opened on", value="today", format="YYYY-MM-DD")
        expiry = st.date_input("Expires on", value=None, format="YYYY-MM-DD")
        storage = st.text_input("Storage", placeholder="refrigerator, room")
        if st.form_submit_button("Add jar"):
            if paste is None:
                st.error("Choose the paste in this jar.")
            else:
                lists.add(
                    book,
                    "jar",
                    label,
                    {
                        "paste_id": int(paste),
                        "lot": lot,
                        "opened_at": lists.noon(opened, book.zone),
                        "expiry": expiry,
                        "storage": storage,
                    },
                )
    if len(rows):
        in_use = {int(r["jar_id"]): str(r["label"]) for r in page_data.records(rows) if pd.isna(r["finished_at"])}
        if in_use:
            with st.form("finish-jar"):
                st.markdown("**Finish a jar**")
                jar = st.selectbox("Jar", list(in_use), format_func=lambda i: in_use[i])
                day = st.date_input("Finished on", value="today", format="YYYY-MM-DD", key="finished-on")
                if st.form_submit_button("Mark as finished"):
                    lists.attempt(
                        lambda: page_actions.correct(
                            book, "jar", jar, "finished_at", lists.noon(day, book.zone), page.who(), "used up"
                        ),
                        f"{in_use[jar]} is finished.",
                    )
    lists.correct(book, rows, "jar", "jar_id", "label", ("label", "lot", "storage", "note"))


def boards(book: Book) -> None:
    rows = page_data.reference(book, "boards")
    shown = (
        rows.assign(
            size=[_size(r) for r in page_data.records(rows)],
            body=[_body(r) for r in page_data.records(rows)],
            mass=[lists.with_unit(r["mass_g"], "g") for r in page_data.records(rows)],
        )
        if len(rows)
        else rows
    )
    lists.listing(
        shown,
        "boards",
        {
            "name": "Board",
            "revision": "revision",
            "size": "size",
            "mass": "mass",
            "joints": "joints a board",
            "components": "components",
            "body": "most heat-sensitive package",
            "note": "note",
        },
        "No board type is known yet. With joints a board, defects can be counted against opportunities.",
    )
    with lists.form("add-board", "Add a board type", open_at_first=not len(rows)):
        left, right = st.columns(2)
        with left:
            name = st.text_input("Name")
            revision = st.text_input("Revision")
            width = st.number_input("Width (mm)", min_value=0.0, value=None)
            height = st.number_input("Height (mm)", min_value=0.0, value=None)
            thickness = st.number_input("Thickness (mm)", min_value=0.0, value=None)
            layers = st.number_input("Copper layers", min_value=1, value=None, step=1)
        with right:
            mass = st.number_input(
                "Mass (g)",
                min_value=0.0,
                value=None,
                help="As weighed. Without it, size and layers stand in for the thermal mass.",
            )
            joints = st.number_input(
                "Joints a board", min_value=0, value=None, step=1, help="Terminations: the opportunities of IPC-7912A."
            )
            components = st.number_input("Components a board", min_value=0, value=None, step=1)
            body_t = st.number_input(
                "Thickest heat-sensitive package (mm)",
                min_value=0.0,
                value=None,
                help="Thickness and volume of the package body give its ceiling by J-STD-020.",
            )
            body_v = st.number_input("Its volume (mm³)", min_value=0.0, value=None)
            note = st.text_input("Note")
        if st.form_submit_button("Add board"):
            lists.add(
                book,
                "board",
                name,
                {
                    "revision": revision,
                    "width_mm": width,
                    "height_mm": height,
                    "thickness_mm": thickness,
                    "layers": layers,
                    "mass_g": mass,
                    "joints": joints,
                    "components": components,
                    "package_thickness_mm": body_t,
                    "package_volume_mm3": body_v,
                    "note": note,
                },
            )
    lists.correct(
        book,
        rows,
        "board",
        "board_id",
        "name",
        (
            "name",
            "revision",
            "width_mm",
            "height_mm",
            "thickness_mm",
            "layers",
            "mass_g",
            "joints",
            "components",
            "package_thickness_mm",
            "package_volume_mm3",
            "note",
        ),
    )


def profiles(book: Book) -> None:
    rows = page_data.reference(book, "profiles")
    shown = (
        rows.assign(
            recognised=["by its set points" if isinstance(h, str) else "by name only" for h in rows["setpoint_hash"]],
            added=[page.local(v, book.zone, with_time=False) for v in rows["created_at"]],
        )
        if len(rows)
        else rows
    )
    lists.listing(
        shown,
        "profiles",
        {"name": "Profile", "recognised": "recognised", "added": "first seen"},
        "No profile is known yet. Profiles are recognised by the set points in the log and appear here by themselves.",
    )
    lists.correct(book, rows, "profile", "profile_id", "name", ("name",))


def _span(low: Any, high: Any) -> str:
    if low is None or high is None:
        return "unknown"
    return f"{low:g} °C" if low == high else f"{low:g} to {high:g} °C"


def _size(row: Mapping[str, Any]) -> str:
    parts = [f"{row[c]:g}" for c in ("width_mm", "height_mm", "thickness_mm") if not pd.isna(row[c])]
    size = " × ".join(parts) + " mm" if parts else ""
    return size + ("" if pd.isna(row["layers"]) else f", {int(row['layers'])} layers")


def _body(row: Mapping[str, Any]) -> str:
    parts = [lists.with_unit(row["package_thickness_mm"], "mm"), lists.with_unit(row["package_volume_mm3"], "mm³")]
    return ", ".join(p for p in parts if p)
