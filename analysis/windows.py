"""What a run may be judged by: defaults of the alloy families, body ceilings after J-STD-020, and the rows of a window.

A window is rows of (metric, parameters, low, high, unit). Limits at the joint come from the paste's own sheet; where none
is recorded, the default of its alloy family stands in, marked as a default. J-STD-020 is a profile for classifying
component bodies, not a recipe for boards: of it only the ceilings that a user must not exceed are used, on the revision
named. Revisions are kept apart because their figures differ.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

from analysis.metrics.plan import parameters
from analysis.results import Limit
from ingest.alloys import Alloy, alloy_in

LimitRow = tuple[str, str, float | None, float | None, str]
Family = Literal["SnPb", "PbFree", "BiSn"]
Revision = Literal["D/E", "C"]

DEFAULT_SOURCE = "alloy-family default: the paste's own sheet wins"
DEFAULT_REVISION = "1"
BUILT_IN = 0  # window_id of limits worked out from the J-STD-020 tables: there is no row of limit_window behind them
# Families without a default of their own alloy fall back on the most used one.
_FALLBACK = {"SnPb": "Sn63Pb37", "PbFree": "SAC305", "BiSn": "BiSn"}


def _text(name: str) -> str:
    return (files("analysis") / "reference" / name).read_text(encoding="utf-8")


@dataclass(frozen=True)
class DefaultPaste:
    """An alloy as a paste nobody has named yet, with its family's window and where each limit comes from."""

    name: str
    alloy: Alloy
    limits: tuple[LimitRow, ...]
    sources: tuple[str, ...]


@lru_cache(maxsize=1)
def default_pastes() -> tuple[DefaultPaste, ...]:
    """Every default paste; temperatures of the alloys from ingest.alloys, limits from reference/default_windows.csv."""
    rows = list(csv.DictReader(_text("default_windows.csv").splitlines()))
    found = []
    for paste in csv.DictReader(_text("default_pastes.csv").splitlines()):
        alloy = alloy_in(paste["alloy"])
        if alloy is None:
            raise ValueError(f"default_pastes.csv names an unknown alloy: {paste['alloy']}")
        mine = [row for row in rows if row["group"] == paste["group"]]
        found.append(
            DefaultPaste(
                paste["name"],
                alloy,
                tuple(_limit_row(row, alloy.liquidus_c) for row in mine),
                tuple(row["source"] for row in mine),
            )
        )
    return tuple(found)


def _limit_row(row: dict[str, str], liquidus_c: float) -> LimitRow:
    named = {k: liquidus_c if v == "liquidus" else v for k, v in json.loads(row["parameters"]).items()}
    low, high = (float(row[side]) if row[side] else None for side in ("low", "high"))
    return row["metric"], parameters(**named), low, high, row["unit"]


def default_for(alloy: str, family: str) -> DefaultPaste | None:
    """The default that stands in for a paste without a window of its own: same alloy, else the family's usual one."""
    wanted = alloy_in(alloy)
    name = wanted.name if wanted is not None else _FALLBACK.get(family)
    by_alloy = {p.alloy.name: p for p in default_pastes()}
    return by_alloy.get(name or "") or by_alloy.get(_FALLBACK.get(family, ""))


@lru_cache(maxsize=1)
def _classification() -> tuple[dict[str, str], ...]:
    return tuple(csv.DictReader(_text("jstd020_classification_temperatures.csv").splitlines()))


def classification_temperature(
    family: str, thickness_mm: float, volume_mm3: float, revision: Revision = "D/E"
) -> float:
    """Classification temperature Tc [°C] of a package body, J-STD-020 tables 4-1 (SnPb) and 4-2 (Pb-free).

    `thickness_mm` and `volume_mm3` of the package; bismuth-tin pastes are soldered on Pb-free parts. Raises ValueError
    for a size that is not positive or a revision that is not in the table.
    """
    if not (thickness_mm > 0 and volume_mm3 > 0):
        raise ValueError(f"a package of {thickness_mm:g} mm and {volume_mm3:g} mm³ has no classification temperature")
    process = "SnPb" if family == "SnPb" else "PbFree"
    for row in _classification():
        if (
            row["revision"] == revision
            and row["process"] == process
            and _within(thickness_mm, row["package_thickness"].removesuffix(" mm"))
            and _within(volume_mm3, row["package_volume_mm3"])
        ):
            return float(row["classification_temp_C"])
    raise ValueError(f"J-STD-020 revision {revision} is not in the table of classification temperatures")


def _within(value: float, cell: str) -> bool:
    """A cell of the table: "<350", ">=350", ">2000", "350-2000" (both ends included)."""
    if cell.startswith(">="):
        return value >= float(cell[2:])
    if cell.startswith(">"):
        return value > float(cell[1:])
    if cell.startswith("<"):
        return value < float(cell[1:])
    low, high = cell.split("-")
    return float(low) <= value <= float(high)


@lru_cache(maxsize=8)
def jstd020(family: str, revision: Revision = "D/E") -> dict[str, Any]:
    """The classification profile of a revision as published: the clauses by their symbols (Tsmin_C, ts_s, ...)."""
    table = json.loads(_text("jstd020_profile_limits.json"))["revisions"]
    return table["C" if revision == "C" else "D_D1_E"]["SnPb" if family == "SnPb" else "PbFree"]


def body_limits(family: str, tc_c: float, revision: Revision = "D/E") -> tuple[LimitRow, ...]:
    """Ceilings at the component body for a user (not the supplier's minima), J-STD-020 table 5-2.

    Peak at most Tc; time near the reference at most tp; ramp up and down; time above liquidus and 25 °C to peak at most.
    Revision C counts tp below the actual peak and the ramp from Tsmax; D/E count tp below Tc and the ramp from TL.
    """
    p = jstd020(family, revision)
    tl = float(p["TL_C"])
    if revision == "C":
        near = parameters(reference="peak", below_k=p["tp_window_C_below_actual_peak"])
        near_max = float(p["tp_s"][1])
        ramp_from = float(p["Tsmax_C"])
    else:
        near = parameters(reference=tc_c, below_k=p["tp_window_C_below_Tc"])
        near_max = float(p["tp_s"])
        ramp_from = tl
    return (
        ("peak_c", parameters(), None, float(tc_c), "°C"),
        ("time_near_peak_s", near, None, near_max, "s"),
        ("time_above_liquidus_s", parameters(liquidus_c=tl), None, float(p["tL_s"][1]), "s"),
        (
            "ramp_up_mean_c_per_s",
            parameters(from_c=ramp_from, to_c="peak"),
            None,
            float(p["ramp_up_max_C_per_s"]),
            "°C/s",
        ),
        ("cooling_rate_mean_c_per_s", parameters(to_c=tl), None, float(p["ramp_down_max_C_per_s"]), "°C/s"),
        ("time_to_peak_s", parameters(from_c=25), None, float(p["time_25C_to_peak_max_s"]), "s"),
    )


@lru_cache(maxsize=256)
def built_in_body_limits(
    family: str, thickness_mm: float, volume_mm3: float, revision: Revision = "D/E"
) -> tuple[Limit, ...]:
    """The body ceiling of a board whose most sensitive package is known, as limits with their source."""
    tc = classification_temperature(family, thickness_mm, volume_mm3, revision)
    process = "SnPb" if family == "SnPb" else "Pb-free"
    source = f"J-STD-020 tables 4 and 5-2, {process}, package {thickness_mm:g} mm, {volume_mm3:g} mm³, Tc {tc:g} °C"
    return tuple(
        Limit(metric, text, low, high, unit, "body", source, revision, BUILT_IN, True)
        for metric, text, low, high, unit in body_limits(family, tc, revision)
    )
