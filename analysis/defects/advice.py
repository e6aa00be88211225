"""What can be said from these runs, what cannot, and what to record next: useful from the first inspected run on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.defects.counting import proportion
from analysis.defects.evidence import FEWEST_RUNS
from analysis.defects.linking import FEWEST_DEFECTIVE, Link
from analysis.defects.power import exact_power
from analysis.defects.records import DefectRecords

PLENTY = 600  # runs a side: 5 % against 10 % shows with a power of 0.90, and more runs only add to it
MOSTLY = 0.8  # a field filled in on fewer runs than this is worth asking for

# Column, its name, what it would answer.
FIELDS = (
    ("lot", "the paste lot", "whether a lot or the heat is to blame"),
    ("jar_age_days", "when the jar was opened", "whether old paste is to blame"),
    ("board", "the board", "whether the trouble belongs to one board"),
    ("orientation", "which way the board lay", "whether it follows the oven or the board"),
    ("joints_looked", "how many joints were looked at", "how many defects there are in a million joints"),
    ("operator", "who ran it", "whether it hangs on the hand"),
    ("ambient_c", "the room temperature", "whether the season matters"),
    ("melt_lag_s", "a second thermocouple on the board", "whether the board melts unevenly"),
)


@dataclass(frozen=True)
class Advice:
    can: tuple[str, ...]
    cannot: tuple[str, ...]
    record_next: tuple[str, ...]


def advise(records: DefectRecords, links: Sequence[Link]) -> Advice:
    """Plain sentences. Needs nothing; with no inspection at all it says how to begin."""
    n = len(records.runs)
    if n == 0:
        return Advice(
            (f"{records.all_runs} runs are in the archive, none of them inspected.",) if records.all_runs else (),
            ("Not inspected is not the same as clean: nothing can be said about defects.",),
            (
                "After the next bake look at the boards and record it, also when nothing is found: one tap under Inspect.",
            ),
        )
    return Advice(tuple(_can(records)), tuple(_cannot(records, links)), tuple(_next(records)))


def _can(records: DefectRecords) -> list[str]:
    runs = records.runs
    n, clean = len(runs), int(runs["clean"].sum())
    share = proportion(n - clean, n, exact=True)
    said = [
        f"{n - clean} of {n} inspected runs had a defect; the share in the long run lies between "
        f"{share.low:.0%} and {share.high:.0%} (exact, 95 %)."
    ]
    if clean == n:
        upper = proportion(0, n, level=0.90, exact=True).high or 0.0
        said.append(f"None found in {n} runs still allows a true share of up to {upper:.0%}.")
    if n >= 6:
        said.append(_visible(n))
    return said


def _visible(n: int) -> str:
    """The smallest difference that half the runs against the other half could show, four times in five."""
    half = n // 2
    base = 0.05
    few = [min(side, PLENTY) for side in (half, n - half)]
    for rate in np.arange(0.10, 1.0, 0.05):
        if exact_power(base, float(rate), *few) >= 0.8:
            return (
                f"With {n} runs only large effects can show: {base:.0%} of runs against {rate:.0%} would be seen four times "
                "in five, a smaller difference mostly not."
            )
    return f"With {n} runs not even {base:.0%} against 95% of runs would be seen four times in five."


def _cannot(records: DefectRecords, links: Sequence[Link]) -> list[str]:
    runs = records.runs
    n = len(runs)
    out = []
    if n < FEWEST_RUNS:
        out.append(f"Links with heat, paste or oven: {FEWEST_RUNS} inspected runs are needed, there are {n}.")
    few = [t for t in records.terms if int((records.hits(t) > 0).sum()) < FEWEST_DEFECTIVE]
    if few and n >= FEWEST_RUNS:
        out.append(
            f"What causes {_listed(few)}: {FEWEST_DEFECTIVE} runs with it are needed before a link can be worth a trial."
        )
    if n >= FEWEST_RUNS and records.terms and not links:
        out.append("No factor varies enough inside one board and lot to be compared.")
    for term, blind in records.not_looked.items():
        if blind:
            out.append(
                f"{len(blind)} runs were looked at by a method that cannot show {term}; they are left out for it."
            )
    if runs["joints_looked"].isna().all():
        out.append("Defects per million joints: no inspection says how many joints were looked at.")
    if not records.sides.empty and records.sides["side"].isna().all():
        out.append("Left against right: no defect has its side of the oven.")
    return out


def _next(records: DefectRecords) -> list[str]:
    """What to record, the most wanted first."""
    runs = records.runs
    n = len(runs)
    out = []
    if records.not_inspected:
        out.append(
            f"Look at the boards of every product run: {records.not_inspected} were not inspected. "
            "One tap records that nothing was found."
        )
    for column, name, answers in FIELDS:
        known = int(runs[column].notna().sum())
        if known < MOSTLY * n:
            out.append(f"Record {name} (known on {known} of {n} inspected runs); it would tell {answers}.")
    sides = records.sides
    if not sides.empty and sides["side"].isna().mean() > 1 - MOSTLY:
        out.append(
            "Note the side of the oven with each defect: left against right in one run is the best comparison there is."
        )
    turned = runs["orientation"].dropna().astype(str)
    if len(turned) >= MOSTLY * n and turned.nunique() == 1:
        out.append(
            "Turn the board by 180° on alternate runs: it tells a cold side of the oven from a corner of the board."
        )
    return out[:5]


def _listed(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"
