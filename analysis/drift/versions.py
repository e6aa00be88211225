"""A profile whose set points changed under its name: read off the logs, so it needs no statistics.

Runs before and after are not compared with each other (other set points are another comparison group), which would let a
change of firmware or of the stored profile go by without a word. It is called once, for all profiles that changed at
about the same time, unless an event noted at that time says why.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.drift import causes as cause_table
from analysis.drift.causes import Cause
from analysis.drift.describe import BESIDE_RUNS, CHECK_KELVIN, Happening
from analysis.drift.records import CHECK, NOTE, OPEN, Call

Table = Sequence[Sequence[float]]  # corner points (elapsed s, set point °C)

SERIES = "setpoint_c"
FEWEST_BEFORE = 3  # runs of the old version: a profile still being tried out changes at every run
FEWEST_AFTER = 2  # runs of the new one: a single other version may be a trial
LEAST_K = 1.0  # K; the tables hold whole degrees
ALIKE_K = 15.0  # K; an unnamed profile whose set points differ by more from the one before it is another profile
UNNAMED = "unnamed, "  # how the archive begins the name of a profile that was made from its set points alone


@dataclass(frozen=True)
class Version:
    """A new version of a profile. `last`, `first`: places in the usable runs of the last old and the first new one; `sure`:
    of the new run that made it more than a trial.

    `size`: largest difference of the set points, new less old [K], at `at_s` of a run; `top`: highest set point before
    and after [°C].
    """

    profile: str
    last: int
    first: int
    sure: int
    size: float
    at_s: float
    top: tuple[float, float]
    runs_after: int

    @property
    def text(self) -> str:
        return (
            f"set point of {self.profile} {self.size:+.0f} K where it differs most, {self.at_s:.0f} s into the run; top "
            f"{self.top[0]:.0f} → {self.top[1]:.0f} °C, {self.runs_after} runs since"
        )


def new_versions(
    profiles: Sequence[str | None], hashes: Sequence[str | None], tables: Mapping[str, Table]
) -> list[Version]:
    """Profiles whose set points changed for good, in order; one entry a run in order of time.

    A version that comes and goes with another (a profile stored in two places) is no change. Runs without a profile or
    set points are passed over, and so is a version whose table is not known.
    """
    places: dict[str, list[int]] = {}
    name_of: dict[str, str] = {}
    for i, (profile, version) in enumerate(zip(profiles, hashes, strict=True)):
        if profile and version and version in tables:
            places.setdefault(version, []).append(i)
            name_of[version] = profile
    order = sorted(places, key=lambda version: places[version][0])
    out = []
    for k, new in enumerate(order):
        if len(places[new]) < FEWEST_AFTER:
            continue
        for old in reversed(order[:k]):
            found = _difference(tables[old], tables[new])
            if not _follows(name_of[old], name_of[new], found[0]):
                continue
            if places[old][-1] < places[new][0] and len(places[old]) >= FEWEST_BEFORE and abs(found[0]) >= LEAST_K:
                last, first, sure = places[old][-1], places[new][0], places[new][FEWEST_AFTER - 1]
                out.append(Version(_name(name_of[new]), last, first, sure, *found, len(places[new])))
            break
    return sorted(out, key=lambda v: v.first)


def version_calls(
    oven: str,
    frame: pd.DataFrame,
    runs: pd.DataFrame,
    tables: Mapping[str, Table],
    happenings: Sequence[Happening],
) -> list[Call]:
    """Calls about new versions that no event explains. `frame`: comparable_runs; `runs`: their rows of run_overview;
    `happenings`: positions in `frame`. Their id holds the first run of the new version."""
    usable = np.flatnonzero(frame["left_out"].isna().to_numpy())
    rows = runs.set_index("run").loc[frame["run"].to_numpy()[usable]]
    found = new_versions([_text(p) for p in rows["profile"]], [_text(h) for h in rows["setpoint_hash"]], tables)
    calls: list[Call] = []
    while found:
        together = [v for v in found if v.last <= found[0].first + BESIDE_RUNS]
        found = [v for v in found if v not in together]
        high = min(v.first for v in together)
        low = min(max(v.last for v in together) + 1, high)
        at = usable[low] - BESIDE_RUNS, usable[high] + BESIDE_RUNS
        if not any(at[0] <= h.position <= at[1] for h in happenings):
            calls.append(_call(oven, frame, usable, together, low, high))
    return calls


def _call(oven: str, frame: pd.DataFrame, usable: np.ndarray, versions: Sequence[Version], low: int, high: int) -> Call:
    run, dates = frame["run"].to_numpy()[usable], pd.to_datetime(frame["started_at"], utc=True).iloc[usable]
    largest = max(versions, key=lambda v: abs(v.size))
    cause = Cause("setpoint_or_firmware", tuple(v.text for v in versions), (), 0.0, len(versions))
    day = [None if pd.isna(dates.iloc[i]) else dates.iloc[i].isoformat() for i in (low, high)]
    return Call(
        id=hashlib.sha256(f"{oven}|{SERIES}|{run[high]}".encode()).hexdigest()[:12],
        oven=oven,
        series=SERIES,
        channel=None,
        kind="step",
        since_run=int(run[high]),
        since_run_interval=(int(run[low]), int(run[high])),
        since=day[1],
        since_interval=None if day[0] is None or day[1] is None else (day[0], day[1]),
        size=largest.size,
        size_interval=(largest.size, largest.size),
        unit="K",
        size_text=f"set point of {', '.join(v.profile for v in versions)} {largest.size:+.0f} K",
        rate_per_100_runs=None,
        rate_interval=None,
        n=high + sum(v.runs_after for v in versions),
        tier=CHECK if abs(largest.size) >= CHECK_KELVIN else NOTE,
        causes=(cause,),
        check_first=cause_table.check_first("setpoint_or_firmware"),
        alarm_run=int(run[min(v.sure for v in versions)]),
        chart="set points",
        level=1.0,
        method="read from the set points of the logs; between the last run of the old version and the first of the new",
        left_out=int(frame["left_out"].notna().sum()),
        effects=(),
        moved=(SERIES,),
        state=OPEN,
    )


def _follows(old: str, new: str, size: float) -> bool:
    if new.startswith(UNNAMED) or old.startswith(UNNAMED):
        return new.startswith(UNNAMED) and old.startswith(UNNAMED) and abs(size) <= ALIKE_K
    return old == new


def _name(profile: str) -> str:
    return "a profile without a name" if profile.startswith(UNNAMED) else profile


def _difference(old: Table, new: Table) -> tuple[float, float, tuple[float, float]]:
    """Largest difference new less old [K] while both heat, its moment [s], and both tops [°C].

    Compared up to the moment at which the first of them leaves its top: a hold that only lasts longer is not seen here.
    """
    a, b = (np.asarray(table, dtype=float) for table in (old, new))
    tops = float(a[:, 1].max()), float(b[:, 1].max())
    until = min(float(x[x[:, 1] >= top - 1.0, 0].max()) for x, top in ((a, tops[0]), (b, tops[1])))
    at = np.arange(0.0, until + 1.0)
    gap = np.interp(at, b[:, 0], b[:, 1]) - np.interp(at, a[:, 0], a[:, 1])
    place = int(np.abs(gap).argmax())
    return float(gap[place]), float(at[place]), tops


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
