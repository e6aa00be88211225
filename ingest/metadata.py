"""Metadata nearly free: what a run's record can know without being told, and where each value comes from.

Order of belief for each field: given with the import (typed, or imported from a sheet), said by the log's preamble
(imported), seen in the log itself (derived: profile by its set points, ambient by a cold start), taken over from an
earlier run of the same oven (carried over). What none of these tells stays unknown: no row of origin is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ingest import carry
from ingest.archive import Connection
from ingest.archive.fields import Origin, RunField
from ingest.archive.reference import add_oven, find_paste
from ingest.earlier_runs import EarlierRuns
from ingest.import_result import ImportOptions
from ingest.known_names import Given, boards, key_of
from ingest.profiles import Profiles, ProfileSeen, recognise_profile
from ingest.recording import Notice, Recording
from ingest.setpoints import Table, setpoint_hash, setpoint_table

__all__ = ["RunMetadata", "ambient_from_cold_start", "resolve", "setpoint_hash", "setpoint_table"]

COLD_AGREEMENT_K = 1.0  # channels of an oven at room temperature agree within their reading error
ROOM_C = (5.0, 40.0)  # a workshop; outside, the start was warm or the reading is not to be believed
STILL_WARM_MIN = 180.0  # insulation lets go of its heat over most of an hour; three of these leave a kelvin of fifty
START_SAMPLES = 3  # the median of the first three keeps one odd sample out


@dataclass
class RunMetadata:
    """The fields of one run, each with its origin, and what is to be said about them."""

    who: str | None = None
    fields: dict[str, RunField] = field(default_factory=dict[str, RunField])
    notices: list[Notice] = field(default_factory=list[Notice])

    def put(self, name: str, value: Any, origin: Origin) -> None:
        """Set a field unless a better believed value is there already. None is nothing."""
        if value is not None and name not in self.fields:
            self.fields[name] = RunField(value, origin, self.who if origin in ("typed", "imported") else None)

    def value(self, name: str) -> Any:
        return self.fields[name].value if name in self.fields else None

    def say(self, code: str, text: str) -> None:
        self.notices.append(Notice(code, text))


def resolve(
    con: Connection,
    recording: Recording,
    preamble: Mapping[str, str],
    options: ImportOptions,
    given: Given,
    *,
    layout_id: int | None,
    received_at: datetime,
    carry_over: bool = True,
    was_cold: bool = True,
    profiles: Profiles | None = None,
    set_points: Table | None = None,
    runs: EarlierRuns | None = None,
) -> RunMetadata:
    """Everything known about one run, before it is stored. May add a profile, or an oven that the preamble names.

    `received_at` is naive UTC. `carry_over` False: nothing from earlier runs (a sheet row, or a log of unknown start
    that came among others, where "before" has no meaning). `was_cold` False: another run of the log went before it.
    `profiles` those known, when several runs of one transaction are resolved; `set_points` the run's, if known already;
    `runs` those before it, by default asked of the archive.
    """
    found = RunMetadata(options.who)
    start = recording.started_at.replace(tzinfo=None) if recording.started_at else None
    at = start or received_at
    _given(found, recording, options, given)
    found.put("firmware", preamble.get("firmware"), "imported")
    found.put("operator", preamble.get("operator"), "imported")
    _rack(con, found, preamble)
    runs = runs or EarlierRuns(con)
    _oven(con, found, preamble, layout_id, at, runs if carry_over else None)
    called = given.profile or preamble.get("profile")
    _profile(found, recognise_profile(con, recording, called, profiles, set_points), options, given)
    if carry_over:
        _carried(con, found, at, runs)
    if was_cold:
        _ambient(found, recording, start, runs)
    return found


def seen_in_log(
    con: Connection, recording: Recording, preamble: Mapping[str, str], was_cold: bool = True
) -> RunMetadata:
    """Only what the log itself tells about a run: set points and profile, firmware, ambient. For reading it again."""
    found = RunMetadata()
    found.put("firmware", preamble.get("firmware"), "imported")
    seen = recognise_profile(con, recording, preamble.get("profile"))
    found.put("setpoint_hash", seen.setpoint_hash, "derived")
    found.put("profile", seen.profile_id, "derived" if seen.by_setpoints else "imported")
    if was_cold:
        found.put("ambient_c", ambient_from_cold_start(recording), "derived")
    return found


def may_be_cold(recordings: Sequence[Recording], part: int) -> bool:
    """True unless another run of the same log ended within three hours before this one, or an unknown time before it."""
    if part == 0:
        return True
    before, start = recordings[part - 1], recordings[part].started_at
    if before.started_at is None or start is None:
        return False
    rest_s = (start - before.started_at).total_seconds() - before.duration_s
    return rest_s >= 60 * STILL_WARM_MIN


def _given(found: RunMetadata, recording: Recording, options: ImportOptions, given: Given) -> None:
    for name, value in (
        ("oven", given.oven_id),
        ("jar", given.jar_id),
        ("paste", given.paste_id),
        ("board", given.board_id),
        ("kind", options.kind),
        ("orientation", options.orientation),
        ("load_count", options.load_count),
        ("operator", options.operator),
        ("note", options.note),
    ):
        found.put(name, value, options.origin)
    if given.started_at is not None and recording.started_at == given.started_at:
        origin = options.started_at_origin or options.origin
        found.put("started_at", recording.started_at, origin)
        found.put("zone", recording.zone, origin)


def _rack(con: Connection, found: RunMetadata, preamble: Mapping[str, str]) -> None:
    """Board, paste and lot that the preamble names, where the archive knows them; a name it does not know stays a name."""
    if "board" in preamble and "board" not in found.fields:
        alike = [
            b
            for b, name, revision in boards(con)
            if key_of(preamble["board"]) in (key_of(name), key_of(name + revision))
        ]
        found.put("board", alike[0] if len(alike) == 1 else None, "imported")
    if "paste" in found.fields or "jar" in found.fields:
        return
    if "lot" in preamble:
        jars = con.execute("SELECT jar_id FROM jar WHERE lower(lot) = lower(?)", [preamble["lot"].strip()]).fetchall()
        found.put("jar", jars[0][0] if len(jars) == 1 else None, "imported")
    if "paste" in preamble and "jar" not in found.fields:
        found.put("paste", find_paste(con, preamble["paste"]), "imported")


def _oven(
    con: Connection,
    found: RunMetadata,
    preamble: Mapping[str, str],
    layout_id: int | None,
    at: datetime,
    runs: EarlierRuns | None,
) -> None:
    named = preamble.get("oven", "").strip()
    if "oven" in found.fields:
        given = carry.oven_name(con, found.value("oven")) if named else ""
        if given and key_of(given) != key_of(named):
            found.say("oven_differs", f"the log names the oven {named!r}; {given!r} was given and is recorded")
        return
    if named:
        ovens = con.execute("SELECT oven_id, name FROM oven ORDER BY oven_id").fetchall()
        oven_id = next((number for number, name in ovens if key_of(name) == key_of(named)), None)
        if oven_id is None:
            oven_id = add_oven(con, named)
            found.say("oven_added", f"the log names the oven {named!r}, which was not known; it was added")
        found.put("oven", oven_id, "imported")
    elif layout_id is not None and runs is not None:
        ovens = runs.ovens_of_layout(layout_id, at)
        if len(ovens) == 1:
            found.put("oven", ovens[0][0], "carried over")
        elif ovens:
            names = ", ".join(name for _, name in ovens)
            found.say("oven_unknown", f"logs of this layout came from several ovens ({names}); which one is not told")


def _profile(found: RunMetadata, seen: ProfileSeen, options: ImportOptions, given: Given) -> None:
    found.put("setpoint_hash", seen.setpoint_hash, "derived")
    by_name: Origin = options.origin if given.profile else "imported"
    found.put("profile", seen.profile_id, "derived" if seen.by_setpoints and not given.profile else by_name)
    found.notices += seen.notices


def _carried(con: Connection, found: RunMetadata, at: datetime, runs: EarlierRuns) -> None:
    oven_id = found.value("oven")
    if oven_id is None:
        opened = carry.open_jars(con, at, found.value("paste")) if "paste" in found.fields else []
        if "jar" not in found.fields and len(opened) == 1:
            found.put("jar", opened[0].jar_id, "carried over")
        return
    last = runs.earlier(oven_id, at)
    set_points = found.value("setpoint_hash")
    same = runs.earlier(oven_id, at, set_points) if set_points else None
    base = same or last
    _inherit_jar(runs, found, oven_id, base, at)
    if base is None:
        return
    if "paste" not in found.fields and "jar" not in found.fields:
        found.put("paste", base.paste_id, "carried over")
    if set_points and same is None and "paste" in found.fields and found.fields["paste"].origin == "carried over":
        found.say(
            "paste_carried_other_profile",
            f"the paste is carried over from run {base.run_id}, which had other set points; check that it is the same",
        )
    found.put("board", base.board_id, "carried over")
    found.put("orientation", base.orientation, "carried over")
    found.put("kind", base.kind, "carried over")
    found.put("operator", (last or base).operator, "carried over")


def _inherit_jar(runs: EarlierRuns, found: RunMetadata, oven_id: int, base: carry.Earlier | None, at: datetime) -> None:
    if "jar" in found.fields:
        return
    jar = runs.inherited_jar(oven_id, base, at, found.value("paste"))
    if jar is None:
        return
    found.put("jar", jar.jar_id, "carried over")
    found.put("paste", jar.paste_id, "carried over")
    if base is not None and base.jar_id is not None and base.jar_id != jar.jar_id:
        found.say("jar_changed", f"the jar {jar.label} is taken, opened since run {base.run_id} on this oven")


def _ambient(found: RunMetadata, recording: Recording, start: datetime | None, runs: EarlierRuns) -> None:
    ambient = ambient_from_cold_start(recording)
    oven_id = found.value("oven")
    if ambient is not None and oven_id is not None and start is not None:
        since = runs.minutes_since_heat(oven_id, start)
        if since is not None and since < STILL_WARM_MIN:
            return
    found.put("ambient_c", ambient, "derived")


def ambient_from_cold_start(recording: Recording) -> float | None:
    """Room temperature [°C] from a cold start, or None.

    Mean of all judged temperature channels at the start (median of each channel's first three samples), if there are
    at least two, none is missing, they agree within 1 °C and the mean lies in 5 to 40 °C. One channel cannot tell a
    cold oven from a warm one.
    """
    starts: list[float] = []
    for channel in recording.of_role("temperature"):
        if channel.judged:
            first = sorted(value for value in channel.values[:START_SAMPLES].tolist() if math.isfinite(value))
            if not first:
                return None
            starts.append((first[(len(first) - 1) // 2] + first[len(first) // 2]) / 2)
    if len(starts) < 2 or max(starts) - min(starts) > COLD_AGREEMENT_K:
        return None
    mean = sum(starts) / len(starts)
    return round(mean, 2) if ROOM_C[0] <= mean <= ROOM_C[1] else None
