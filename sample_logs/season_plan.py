"""Who ran what when in the demo season: dates, boards, jars, odd runs. No heat here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import numpy as np

from sample_logs.shop import (
    ANVIL,
    BEGAN,
    BENCHES,
    BOARDS,
    ENDED,
    HERON,
    LEAD_FREE_PASTE,
    PASTES,
    REFERENCE_BOARD,
    Bench,
    Board,
    Paste,
)

# Shares of all runs. A weekly reference run on the first oven, fortnightly on the second, at 420 runs.
REFERENCE_SHARE = {BENCHES[0].name: 0.185, BENCHES[1].name: 0.095}
DEVELOPMENT_SHARE = 0.02
ABORTED_SHARE = 0.015
WARM_SHARE = 0.05
WRONG_PROFILE_SHARE = 0.012  # the leaded profile left loaded under a lead-free board
NOT_INSPECTED_SHARE = 0.22
ORIENTATION_NOTED_SHARE = 0.85
ALTERNATED = (HERON, ANVIL)  # turned on alternate runs all season long; the small board always lies one way
SLOTS = (time(9, 40), time(12, 10), time(14, 30), time(16, 50))  # far enough apart for the oven to cool down


@dataclass(frozen=True)
class Jar:
    paste: Paste
    lot: str
    opened: date


@dataclass(frozen=True)
class PlannedRun:
    bench: Bench
    at: datetime
    season: float  # fraction of the season gone
    kind: str  # product | reference | development
    board: Board
    paste: Paste
    jar: Jar | None
    turned: bool
    orientation_noted: bool
    room_c: float
    start_c: float | None
    stop_at_s: float | None
    is_wrong_profile: bool
    is_inspected: bool

    @property
    def file(self) -> str:
        return f"{self.bench.name.split()[0].lower()}_{self.at:%Y-%m-%d_%H%M}.csv"

    @property
    def jar_days(self) -> int:
        return (self.at.date() - self.jar.opened).days if self.jar else 0


def plan_season(runs: int, rng: np.random.Generator) -> list[PlannedRun]:
    """`runs` planned runs in order of time, no two of one oven at once."""
    if runs < 60:
        raise ValueError(f"a season of {runs} runs is too short for its story; 60 at least")
    jars = {paste.name: _jars(paste, rng) for paste in PASTES}
    planned = []
    for bench in BENCHES:
        references = round(REFERENCE_SHARE[bench.name] * runs)
        whole = round(bench.share_of_runs * runs) if bench is BENCHES[0] else runs - len(planned)
        stamps = [(at, "reference") for at in _mondays(references)]
        stamps += [(at, "product") for at in _working_slots(whole - references, rng)]
        planned += _runs_of(bench, sorted(stamps), runs, jars, rng)
    return sorted(planned, key=lambda r: (r.at, r.bench.name))


def room_c(at: datetime, rng: np.random.Generator) -> float:
    """A workshop that follows the year: coldest in January, about 11 °C between the extremes."""
    day = at.timetuple().tm_yday
    return round(20.5 + 5.5 * math.sin(2 * math.pi * (day - 110) / 365) + float(rng.normal(0, 0.9)), 2)


def _runs_of(
    bench: Bench, stamps: list[tuple[datetime, str]], runs: int, jars: dict[str, list[Jar]], rng: np.random.Generator
) -> list[PlannedRun]:
    products = [i for i, (_, kind) in enumerate(stamps) if kind == "product"]
    picked = rng.permutation(products)
    half = bench.share_of_runs * runs
    shares = (DEVELOPMENT_SHARE, ABORTED_SHARE, WARM_SHARE, WRONG_PROFILE_SHARE)
    ends = np.cumsum([max(1, round(share * half)) for share in shares])
    development, aborted, warm, wrong = (set(part.tolist()) for part in np.split(picked, ends)[:4])
    turned = dict.fromkeys((b.name for b in BOARDS), False)
    length = (ENDED - BEGAN).days
    out = []
    for i, (stamp, kind) in enumerate(stamps):
        at = stamp + timedelta(minutes=int(rng.integers(0, 25)), seconds=int(rng.integers(0, 60)))
        season = ((at.date() - BEGAN).days + at.hour / 24) / length
        board = REFERENCE_BOARD if kind == "reference" else BOARDS[int(rng.choice(3, p=(0.34, 0.38, 0.28)))]
        if i in wrong and board.paste != LEAD_FREE_PASTE.name:
            board = HERON
        paste = next(p for p in PASTES if p.name == board.paste)
        if kind == "product" and board in ALTERNATED:
            turned[board.name] = not turned[board.name]
        room = room_c(at, rng)
        is_product = kind == "product" and i not in development
        out.append(
            PlannedRun(
                bench,
                at,
                season,
                "development" if i in development else kind,
                board,
                paste,
                _jar_at(jars[paste.name], at.date()) if is_product else None,
                turned.get(board.name, False),
                bool(rng.random() < ORIENTATION_NOTED_SHARE),
                room,
                room + float(rng.uniform(28, 55)) if i in warm else None,
                float(rng.integers(130, 300)) if i in aborted else None,
                i in wrong,
                is_product and i not in aborted and i not in wrong and bool(rng.random() > NOT_INSPECTED_SHARE),
            )
        )
    return out


def _mondays(count: int) -> list[datetime]:
    weeks = (ENDED - BEGAN).days // 7
    chosen = sorted({round(w) for w in np.linspace(0, weeks, count)})
    return [_utc(BEGAN + timedelta(weeks=int(w)), time(8, 20)) for w in chosen]


def _working_slots(count: int, rng: np.random.Generator) -> list[datetime]:
    """Distinct slots of working days, evenly spread over the season with some irregularity."""
    days = [BEGAN + timedelta(days=n) for n in range((ENDED - BEGAN).days + 1)]
    slots = [_utc(day, slot) for day in days if day.weekday() < 5 for slot in SLOTS]
    if count > len(slots):
        raise ValueError(f"{count} runs do not fit into the season's {len(slots)} slots")
    edges = np.linspace(0, len(slots), count + 1).astype(int)
    return [slots[int(rng.integers(low, max(high, low + 1)))] for low, high in pairwise(edges)]


def _jars(paste: Paste, rng: np.random.Generator) -> list[Jar]:
    jars, opened, turn = [], BEGAN - timedelta(days=int(rng.integers(3, 12))), 0
    while opened <= ENDED:
        # Two jars come from one delivery, so they share a lot.
        lot = f"{paste.alloy[:3].upper()}-{24 + turn // 6}{chr(65 + turn // 2)}"
        jars.append(Jar(paste, lot, opened))
        opened += timedelta(days=paste.days_a_jar_lasts[turn % len(paste.days_a_jar_lasts)])
        turn += 1
    return jars


def _jar_at(jars: list[Jar], day: date) -> Jar:
    return [jar for jar in jars if jar.opened <= day][-1]


def _utc(day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=UTC)
