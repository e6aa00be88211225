"""A change in what a controller says about itself is an event of the oven, seen without anybody writing it down."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime

from ingest.archive import Connection
from ingest.carry import WHEN
from ingest.known_names import key_of
from ingest.recording import Notice

# What a changed preamble key means for the oven: (words in the key, kind of event). Other keys are of the run.
_KINDS = (
    (("firmware", "version", "build", "fw", "software"), "firmware"),
    (("controller", "hardware", "model", "hw"), "controller"),
    (("kp", "ki", "kd", "pid", "gain", "hysteresis", "control"), "controller"),
    (("thermocouple", "sensor", "probe"), "thermocouple"),
)


def kind_of_key(key: str) -> str | None:
    """The kind of event a changed preamble key stands for, or None when it is of the run and not of the oven."""
    words = set(key.casefold().replace("_", " ").replace("-", " ").split())
    text = " ".join(words)
    for marks, kind in _KINDS:
        if any(mark in words or (len(mark) > 3 and mark in text) for mark in marks):
            return kind
    return None


def note_changes(con: Connection, oven_id: int, at: datetime, dated: bool, preamble: Mapping[str, str]) -> list[Notice]:
    """Add a derived event for each thing the preamble says that differs from the oven's run before.

    Call before the new run is stored. `at`: its place in time, naive UTC; `dated` False when that is only the
    day it was received. A log that fills a gap moves an event seen later back to where the change now shows.
    """
    from ingest.archive.reference import add_event, correct

    notices: list[Notice] = []
    for key, value in preamble.items():
        kind = kind_of_key(key)
        if kind is None:
            continue
        said = _said_before(con, oven_id, at, key)
        if not said or said[0] == value.strip():
            continue
        if kind != "firmware" and len(said) > 1 and said[0] != said[1]:
            continue  # it differs from run to run: a counter or a choice, not a change of the oven
        before = said[0]
        note = f"{key}: {before} -> {value.strip()}"
        later = con.execute(
            """SELECT event_id FROM event WHERE oven_id = ? AND kind = ? AND note = ? AND origin = 'derived'
            AND happened_at >= ? ORDER BY happened_at LIMIT 1""",
            [oven_id, kind, note, at],
        ).fetchone()
        if later:
            correct(con, "event", later[0], "happened_at", at, None, "an earlier log shows it already")
        else:
            add_event(
                con,
                oven_id,
                kind,
                at,
                at_precision="time" if dated else "day",
                note=note,
                restarts_baseline=kind in ("firmware", "controller"),
                origin="derived",
            )
        notices.append(Notice("oven_changed", f"the log's preamble changed, kept as an event of the oven: {note}"))
    return notices


def _said_before(con: Connection, oven_id: int, before: datetime, key: str) -> list[str]:
    """What the oven's last logs before a moment said under a key, the newest first; logs that said nothing left out."""
    rows = con.execute(
        f"""SELECT l.options FROM run r JOIN log l USING (log_id)
        WHERE r.oven_id = ? AND {WHEN} < ? ORDER BY {WHEN} DESC, r.run_id DESC LIMIT 5""",
        [oven_id, before],
    ).fetchall()
    return [
        str(value).strip()
        for (options,) in rows
        for said, value in json.loads(options).get("preamble", {}).items()
        if key_of(said) == key_of(key)
    ]
