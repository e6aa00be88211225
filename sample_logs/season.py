"""A season of an invented shop, written as the files a real one would have: logs, a sheet about the runs, a sheet of
inspections, a list of maintenance. INVENTED throughout; what is hidden in it is returned as `SeasonTruth`.

Two ovens with different controllers (`shop`), leaded and lead-free paste, three boards, jars opened and kept too long,
eighteen months of summers and winters, reference runs, trials, aborted runs, warm starts, a few
boards under the wrong profile. Layout of the folder:

    logs/*.csv          one file a run
    metadata.csv        a row a file: file, oven, started_at, profile, board, paste, lot, opened, kind, orientation,
                        joints, note
    serials.csv         file, serials; one bench began to note them in the course of the season
    inspections.csv     file, defect, count, inspected, side, ref_des; count 0 and no defect = looked, none found;
                        a run without a row was not inspected
    events.csv          oven, kind, happened_at, at_precision, note, expected, restarts_baseline
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from sample_logs.oven_model import simulate_many
from sample_logs.season_bakes import bake_of, melt_lag_s
from sample_logs.season_logs import log_text
from sample_logs.season_plan import PlannedRun, plan_season
from sample_logs.shop import (
    BEGAN,
    DEFECT_RULES,
    ENDED,
    MAINTENANCE,
    PLACE_NOTED_SHARE,
    PLACES,
    PLANTED,
    SERIALS_AT,
    SERIALS_SINCE,
    SHOP,
    DefectRule,
    Maintenance,
    Planted,
)


@dataclass(frozen=True)
class PlantedTruth:
    """One hidden change with its place in this season. `since_run` counts the oven's own runs from 1, in order of
    time; `since_file` is the first log it touches."""

    what: str
    oven: str
    gradual: bool
    since: date
    until: date
    since_run: int
    since_file: str
    size: float
    unit: str
    moves: tuple[str, ...]
    stays: tuple[str, ...]


@dataclass(frozen=True)
class DefectTruth:
    """What makes a defect: `driver` melt_lag_s (thermal), jar_days (paste) or none. `runs`: inspected runs with it."""

    term: str
    driver: str
    runs: int
    inspected: int


@dataclass(frozen=True)
class SeasonTruth:
    """What was written and what is hidden in it. `drivers`: file -> (true melt lag [s], days the jar was open)."""

    seed: int
    runs: int
    began: date
    ended: date
    logs: Path
    metadata: Path
    inspections: Path
    serials: Path
    events: Path
    planted: tuple[PlantedTruth, ...]
    defects: tuple[DefectTruth, ...]
    maintenance: tuple[Maintenance, ...]
    runs_by_oven: dict[str, int]
    kinds: dict[str, int]
    aborted: tuple[str, ...]
    warm_starts: tuple[str, ...]
    wrong_profiles: tuple[str, ...]
    drivers: dict[str, tuple[float, int]]


def write_season(folder: str | Path, seed: int = 1, runs: int = 420) -> SeasonTruth:
    """Write a season of `runs` runs (60 at least) into `folder` and give what is hidden in it.

    The same seed writes the same files. Existing files of the same names are overwritten; others are left alone.
    """
    folder = Path(folder)
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    planned = plan_season(runs, rng)
    bakes = [bake_of(run, rng) for run in planned]
    lags: dict[str, float] = {}
    for run, bake, trace in zip(planned, bakes, simulate_many(bakes), strict=True):
        (logs / run.file).write_text(log_text(run, trace, bake.profile.name), encoding="utf-8", newline="\n")
        lags[run.file] = melt_lag_s(trace, run.paste.liquidus_c)
    profiles = [bake.profile.name for bake in bakes]
    metadata = _write(folder / "metadata.csv", _METADATA, map(_metadata_row, planned, profiles))
    rows, defects = _inspect(planned, lags, rng)
    # Drawn beside the season's own luck, so that noting a place moves nothing else.
    rows = _with_places(rows, np.random.default_rng([seed, 1]))
    inspections = _write(folder / "inspections.csv", _INSPECTIONS, rows)
    serials = _write(folder / "serials.csv", ("file", "serials"), serials_of(planned).items())
    events = _write(folder / "events.csv", _EVENTS, [_event_row(event) for event in MAINTENANCE])
    return SeasonTruth(
        seed=seed,
        runs=len(planned),
        began=BEGAN,
        ended=ENDED,
        logs=logs,
        metadata=metadata,
        inspections=inspections,
        serials=serials,
        events=events,
        planted=tuple(_place(p, planned) for p in PLANTED),
        defects=defects,
        maintenance=MAINTENANCE,
        runs_by_oven=_count(run.bench.name for run in planned),
        kinds=_count(run.kind for run in planned),
        aborted=tuple(run.file for run in planned if run.stop_at_s is not None),
        warm_starts=tuple(run.file for run in planned if run.start_c is not None),
        wrong_profiles=tuple(run.file for run in planned if run.is_wrong_profile),
        drivers={run.file: (lags[run.file], run.jar_days) for run in planned},
    )


_METADATA = (
    "file",
    "oven",
    "started_at",
    "profile",
    "board",
    "paste",
    "lot",
    "opened",
    "kind",
    "orientation",
    "joints",
    "note",
)
_INSPECTIONS = ("file", "defect", "count", "inspected", "side", "ref_des")
_EVENTS = ("oven", "kind", "happened_at", "at_precision", "note", "expected", "restarts_baseline")


def _metadata_row(run: PlannedRun, profile: str) -> Sequence[str]:
    says = ["invented data"]
    if run.stop_at_s is not None:
        says.append("stopped by hand")
    if run.start_c is not None:
        says.append("oven still warm")
    if run.is_wrong_profile:
        says.append("leaded profile was still loaded; board set aside")
    return (
        run.file,
        run.bench.name,
        run.at.isoformat(),
        profile,
        run.board.name,
        run.paste.name,
        run.jar.lot if run.jar else "",
        run.jar.opened.isoformat() if run.jar else "",
        run.kind,
        ("180" if run.turned else "0") if run.orientation_noted and run.kind == "product" else "",
        str(run.board.joints) if run.board.joints else "",
        "; ".join(says),
    )


def _inspect(
    planned: Sequence[PlannedRun], lags: dict[str, float], rng: np.random.Generator
) -> tuple[list[Sequence[str]], tuple[DefectTruth, ...]]:
    rows: list[Sequence[str]] = []
    found = dict.fromkeys((rule.term for rule in DEFECT_RULES), 0)
    looked = [run for run in planned if run.is_inspected]
    for run in looked:
        joints = str(run.board.joints)
        before = len(rows)
        for rule in DEFECT_RULES:
            # Drawn in any case, so that one rule's figures never shift another's luck.
            luck, more = rng.random(), int(rng.poisson(0.8))
            if luck < _probability(rule, run, lags[run.file]):
                rows.append((run.file, rule.term, str(1 + more), joints, rule.side))
                found[rule.term] += 1
        if len(rows) == before:
            rows.append((run.file, "", "0", joints, ""))
    return rows, tuple(DefectTruth(r.term, r.driver, found[r.term], len(looked)) for r in DEFECT_RULES)


def _with_places(rows: list[Sequence[str]], rng: np.random.Generator) -> list[Sequence[str]]:
    """The rows with the place on the board, where whoever looked noted it; some places are worse than others."""
    out: list[Sequence[str]] = []
    for row in rows:
        places = PLACES.get(row[1])
        noted = rng.random() < PLACE_NOTED_SHARE
        picked = str(rng.choice(places[0], p=places[1])) if places else ""
        out.append((*row, picked if noted else ""))
    return out


def serials_of(planned: Sequence[PlannedRun]) -> dict[str, str]:
    """File -> serial of the board on the rack, of the runs of whose boards it was noted: a number a board type, in order."""
    count: dict[str, int] = {}
    out: dict[str, str] = {}
    for run in planned:
        if run.kind != "product" or run.bench.name != SERIALS_AT or run.season < SERIALS_SINCE:
            continue
        count[run.board.name] = count.get(run.board.name, 100) + 1
        out[run.file] = f"{run.board.name[0]}{count[run.board.name]:04d}"
    return out


def _probability(rule: DefectRule, run: PlannedRun, lag_s: float) -> float:
    # A third that never melted has waited longer than any lag seen.
    driver = {"melt_lag_s": 20.0 if math.isnan(lag_s) else lag_s, "jar_days": run.jar_days, "none": 0.0}[rule.driver]
    return 1 / (1 + math.exp(-(rule.base + rule.slope * (driver - rule.middle))))


def _place(planted: Planted, planned: Sequence[PlannedRun]) -> PlantedTruth:
    own = [run for run in planned if run.bench.name == planted.oven]
    first = next(i for i, run in enumerate(own) if run.season >= planted.since)
    return PlantedTruth(
        planted.what,
        planted.oven,
        planted.gradual,
        own[first].at.date(),
        _day(planted.until),
        first + 1,
        own[first].file,
        planted.size,
        planted.unit,
        planted.moves,
        planted.stays,
    )


def _event_row(event: Maintenance) -> Sequence[str]:
    restarts = "yes" if event.restarts_baseline else "no"
    note = f"{event.note}; {SHOP}"
    return (event.oven, event.kind, _day(event.at).isoformat(), "day", note, event.expected, restarts)


def _day(season: float) -> date:
    return BEGAN + timedelta(days=math.floor(season * (ENDED - BEGAN).days))


def _count(words: Iterable[str]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for word in words:
        counts[word] = counts.get(word, 0) + 1
    return counts


def _write(path: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
    return path
