"""A run's profile, recognised by its set points; the name comes from a person, from the log's preamble, or later."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np

from ingest.archive import Connection
from ingest.known_names import key_of
from ingest.recording import Notice, Recording
from ingest.setpoints import Table, describe, same_profile, setpoint_table, stopped_early, table_hash

UNNAMED = "unnamed, "  # a profile made from set points alone, until somebody names it


@dataclass
class ProfileSeen:
    """`setpoint_hash` of the run; `by_setpoints`: the set points were known, whatever the name given."""

    profile_id: int | None = None
    setpoint_hash: str | None = None
    by_setpoints: bool = False
    notices: list[Notice] = field(default_factory=list[Notice])


@dataclass(frozen=True)
class _Known:
    profile_id: int
    name: str
    setpoint_hash: str | None
    table: Table


class Profiles:
    """The profiles that are known, read once for several runs of one transaction."""

    def __init__(self) -> None:
        self._known: list[_Known] | None = None

    def known(self, con: Connection) -> list[_Known]:
        if self._known is None:
            rows = con.execute(
                "SELECT profile_id, name, setpoint_hash, setpoint_table FROM profile ORDER BY profile_id"
            ).fetchall()
            self._known = [
                _Known(number, name, known_hash, tuple((int(a), int(b)) for a, b in json.loads(points or "[]")))
                for number, name, known_hash, points in rows
            ]
        return self._known

    def changed(self) -> None:
        self._known = None


def recognise_profile(
    con: Connection,
    recording: Recording,
    name: str | None,
    profiles: Profiles | None = None,
    table: Table | None = None,
) -> ProfileSeen:
    """The profile of a run, added to the archive when its set points or its name are new.

    Set points decide; `name` (given, or said by the preamble) names them. New set points under a known name are a new
    version of that profile: same name, other hash, and a notice. Without set points the name alone decides, and without
    both the profile is unknown. A run that stopped early keeps its own hash and is given to the one profile whose
    beginning it is. `table`: its set points, if they are known already.
    """
    table = setpoint_table(recording) if table is None else table
    profiles = profiles or Profiles()
    known = profiles.known(con)
    if not table:
        return _by_name(con, profiles, name)
    own_hash = table_hash(table)
    match = next((k for k in known if k.setpoint_hash == own_hash), None)
    if match is not None:
        return _named(con, profiles, match, name)
    interval = float(np.median(np.diff(recording.elapsed_s))) if len(recording.elapsed_s) > 1 else 1.0
    match = next((k for k in known if k.table and same_profile(table, k.table, interval)), None)
    if match is not None:
        return _named(con, profiles, match, name)
    whole = [k for k in known if k.table and stopped_early(table, k.table, interval)]
    if name:  # the same name says the rest: two corners are enough, and other profiles may begin alike
        alike = [k for k in known if k.table and key_of(k.name) == key_of(name)]
        whole = [k for k in alike if stopped_early(table, k.table, interval, least=2)]
    if len(whole) == 1:
        said = f"the set points stop early: they are the beginning of profile {whole[0].name!r}"
        return ProfileSeen(whole[0].profile_id, own_hash, True, [Notice("stopped_early", said)])
    if whole and not name:
        names = ", ".join(repr(k.name) for k in whole)
        said = f"the set points stop early: they begin as those of several profiles ({names}); which one is not told"
        return ProfileSeen(None, own_hash, True, [Notice("stopped_early", said)])
    return _new(con, profiles, table, own_hash, name)


def _by_name(con: Connection, profiles: Profiles, name: str | None) -> ProfileSeen:
    if not name:
        return ProfileSeen()
    alike = [k for k in profiles.known(con) if key_of(k.name) == key_of(name)]
    bare = next((k for k in alike if k.setpoint_hash is None), None)
    if bare is not None:
        return ProfileSeen(bare.profile_id)
    if len(alike) == 1:
        return ProfileSeen(alike[0].profile_id)
    from ingest.archive.reference import add_profile

    profiles.changed()
    return ProfileSeen(add_profile(con, name.strip()))


def _named(con: Connection, profiles: Profiles, match: _Known, name: str | None) -> ProfileSeen:
    """Set points known: the run is of that profile. A name that comes now names a profile that had none."""
    seen = ProfileSeen(match.profile_id, match.setpoint_hash, True)
    if name and key_of(name) != key_of(match.name):
        if match.name.startswith(UNNAMED):
            from ingest.archive.reference import correct

            profiles.changed()
            correct(con, "profile", match.profile_id, "name", name.strip(), None, "named by a later log")
        else:
            said = f"the log is of profile {match.name!r} by its set points, though it was called {name.strip()!r}"
            seen.notices.append(Notice("profile_name_differs", said))
    return seen


def _new(con: Connection, profiles: Profiles, table: Table, own_hash: str | None, name: str | None) -> ProfileSeen:
    from ingest.archive.reference import add_profile

    known = profiles.known(con)
    profiles.changed()
    points = [list(corner) for corner in table]
    if not name:
        name = f"{UNNAMED}{describe(table)} ({(own_hash or '')[:6]})"
        added = add_profile(con, name, setpoint_hash=own_hash, setpoint_table=points)
        said = f"these set points are new: kept as profile {name!r} until it is named"
        return ProfileSeen(added, own_hash, False, [Notice("profile_unnamed", said)])
    seen = ProfileSeen(add_profile(con, name.strip(), setpoint_hash=own_hash, setpoint_table=points), own_hash)
    if any(key_of(k.name) == key_of(name) and k.setpoint_hash for k in known):
        said = f"profile {name.strip()!r} has other set points than before: kept as a version of its own"
        seen.notices.append(Notice("profile_changed", said))
    return seen
