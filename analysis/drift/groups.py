"""Which runs may be compared: order, comparison group, and who is left out by which rule.

Comparison group: oven (the caller gives one oven), set-point hash (or profile name when no set point is logged), board
and revision, load, kind of run (reference runs stand apart), which channels exist and where they sit, and a board laid
across. Groups are pooled by `baseline` with a level of their own each, so a change of mix moves nothing. A board turned
end for end stays in its group: what turning does to the difference of two channels is a covariate.

Left out by rule, listed with the reason, never deleted: development and bake-out runs, incomplete runs, warm starts,
runs marked by a person. A person can also take a run back in.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift.baseline import GROUP_RUNS

COLD_BELOW_C = 40.0  # °C; above it some part of the oven still holds the last run's heat
RESTED_H = 3.0  # hours: insulation lets go of its heat over most of an hour; three of these leave a kelvin of fifty
SAME_DAY_H = 12.0  # hours for which a room keeps its temperature within a few kelvin
ROOM_BELOW_C = 35.0  # °C; warmer than any workshop: such a start says nothing about the room
NOT_COMPARED = {"development": "profile development", "bakeout": "bake-out"}
TURNED_RUNS = 3  # runs each way before turning a board is taken as a covariate
ACROSS = ("90", "270")


def comparable_runs(
    runs: pd.DataFrame,
    metrics: pd.DataFrame,
    left_out_by_hand: Mapping[int, str] | None = None,
    taken_in_by_hand: Mapping[int, str] | None = None,
) -> pd.DataFrame:
    """One row a run of one oven, in order of time.

    `runs`: the columns of the view run_overview, and `placements` if known (channel and place of each, as text);
    `metrics`: rows of metric_long with `start_temperature_c` and `peak_c` in it. By hand: run -> reason.
    Returns run, started_at, group, board, orientation, ambient [°C], start [°C], heating_h (hours at heat up to this
    run), left_out (reason or None), rule (the rule's reason, also where a person took the run back in). Runs without a
    date keep their number's place after the dated run before them. `attrs["notes"]`: what was assumed, in words.
    """
    frame = runs.sort_values("run", kind="stable").reset_index(drop=True)
    dates = pd.to_datetime(frame["started_at"], utc=True)
    frame = frame.assign(started_at=dates, _key=dates.ffill()).sort_values(
        ["_key", "run"], kind="stable", na_position="first"
    )
    numbers = frame["run"].tolist()
    start = frame["run"].map(_per_run(metrics, "start_temperature_c", "median")).to_numpy(dtype=float)
    channels = _channel_sets(metrics)
    rules = [_rule(row, float(s)) for row, s in zip(frame.itertuples(), start, strict=True)]
    profiles, note = _profile_keys(frame, np.array([rule is None for rule in rules]))
    notes = [note] if note else []
    places, note = _placement_keys(frame, [channels.get(run, "") for run in numbers])
    notes += [note] if note else []
    rows = list(frame.itertuples())
    groups = [_group(row, profile, place) for row, profile, place in zip(rows, profiles, places, strict=True)]
    typed = pd.to_numeric(frame["ambient_c"], errors="coerce").to_numpy(dtype=float)
    by_hand, taken_in = left_out_by_hand or {}, taken_in_by_hand or {}
    left_out = [by_hand.get(run, None if run in taken_in else rule) for run, rule in zip(numbers, rules, strict=True)]
    out = pd.DataFrame(
        {
            "run": numbers,
            "started_at": frame["started_at"].to_numpy(),
            "group": groups,
            "board": [_text(row.board) for row in rows],
            "orientation": [_orientation(row) for row in rows],
            "ambient": _room(frame, typed, start),
            "start": start,
            "heating_h": np.cumsum(frame["duration_s"].fillna(0).to_numpy(dtype=float)) / 3600.0,
            "left_out": pd.Series(left_out, dtype=object),
            "rule": pd.Series(rules, dtype=object),
        }
    )
    out.attrs["notes"] = notes
    return out


def _room(frame: pd.DataFrame, noted: NDArray[np.floating[Any]], start: NDArray[np.floating[Any]]):
    """Room temperature [°C] of each run: noted with it, or the start of a cold and rested oven, or the newest such word
    of the hours before; NaN where there is none.

    A cold oven stands at the room's temperature. One that baked shortly before stands above it, however little, and its
    start taken for the room would hide its own heat in the room's.
    """
    begun, lasted = frame["started_at"], pd.to_timedelta(frame["duration_s"].fillna(0).astype(float), unit="s")
    rest = begun - (begun + lasted).cummax().shift()
    rested = (rest.isna() | (rest >= pd.Timedelta(hours=RESTED_H))).to_numpy()
    room = pd.Series(np.where(np.isnan(noted) & rested & (start < ROOM_BELOW_C), start, noted))
    known = begun.where(room.notna().to_numpy()).ffill()
    recent = (begun - known <= pd.Timedelta(hours=SAME_DAY_H)).to_numpy()
    return np.where(room.isna() & recent, room.ffill(), room)


def turned_boards(frame: pd.DataFrame) -> dict[str, NDArray[np.floating[Any]]]:
    """Board -> +1 for 0 degrees, -1 for 180, 0 for other boards and where nobody noted it; boards seen both ways only."""
    out = {}
    board, way = frame["board"].to_numpy(dtype=object), frame["orientation"].to_numpy(dtype=object)
    sign = np.where(way == "0", 1.0, np.where(way == "180", -1.0, 0.0))
    for name in dict.fromkeys(b for b in board if b is not None):
        column = np.where(board == name, sign, 0.0)
        if min((column > 0).sum(), (column < 0).sum()) >= TURNED_RUNS:
            out[str(name)] = column
    return out


def _rule(row, start: float) -> str | None:
    if isinstance(row.kind, str) and row.kind in NOT_COMPARED:
        return NOT_COMPARED[row.kind]
    if row.complete is not None and not pd.isna(row.complete) and not bool(row.complete):
        return "incomplete run"
    if not np.isnan(start) and start >= COLD_BELOW_C:
        return f"warm start ({start:.0f} °C; cold is below {COLD_BELOW_C:.0f} °C)"
    return None


def _profile_keys(frame: pd.DataFrame, usable: NDArray[np.bool_]) -> tuple[list[str], str | None]:
    """What stands for the profile: the set-point hash; the name where there is none, or where the hashes scatter.

    A controller that logs the set point it reaches, not the one it was told, gives each run a hash of its own. When most
    comparable runs have a hash that fewer than five of them share, the hash is no name of a profile.
    """
    names = [_text(name) or "no profile" for name in frame["profile"]]
    hashes = [_text(text) for text in frame["setpoint_hash"]]
    kept = pd.Series([h for h, u in zip(hashes, usable, strict=True) if u and h is not None], dtype=object)
    if len(kept) >= 2 * GROUP_RUNS:
        shared = kept.map(kept.value_counts()).astype(int)
        if float((shared < GROUP_RUNS).mean()) > 0.5:
            return names, "nearly every run has a set point of its own: runs are grouped by the profile's name instead"
    return [h[:12] if h else n for h, n in zip(hashes, names, strict=True)], None


def _placement_keys(frame: pd.DataFrame, channels: list[str]) -> tuple[list[str], str | None]:
    """Channels with their places. A run that notes no places counts as having the usual ones of its channels."""
    if "placements" not in frame:
        return channels, None
    noted = [_text(text) for text in frame["placements"]]
    usual: dict[str, str] = {}
    known = pd.DataFrame({"channels": channels, "noted": noted}).dropna()
    if len(known):
        usual = {str(c): str(part.mode().iloc[0]) for c, part in known.groupby("channels")["noted"]}
    missing = sum(n is None and c in usual for n, c in zip(noted, channels, strict=True))
    note = f"{missing} runs note no sensor places: taken as the usual ones" if missing else None
    return [n or usual.get(c, c) for n, c in zip(noted, channels, strict=True)], note


def _group(row, profile: str, channels: str) -> str:
    board = "no board" if not isinstance(row.board, str) else f"{row.board} {_text(row.board_revision) or ''}".strip()
    load = "" if pd.isna(row.load_count) else f" x{int(row.load_count)}"
    kind = "reference" if row.kind == "reference" else "product"
    across = " across" if _orientation(row) in ACROSS else ""
    return " | ".join([profile, board + load + across, kind, channels])


def _orientation(row) -> str | None:
    text = _text(getattr(row, "orientation", None))
    return text.removesuffix("°").removesuffix(".0") if text else None


def _text(value) -> str | None:
    return value if isinstance(value, str) and value else None


def _channel_sets(metrics: pd.DataFrame) -> dict[int, str]:
    peaks = metrics[(metrics["metric"] == "peak_c") & metrics["channel"].notna()]
    pairs = sorted({(int(r), str(c)) for r, c in zip(peaks["run"].tolist(), peaks["channel"].tolist(), strict=True)})
    sets: dict[int, list[str]] = {}
    for run, channel in pairs:
        sets.setdefault(run, []).append(channel)
    return {run: ",".join(names) for run, names in sets.items()}


def _per_run(metrics: pd.DataFrame, metric: str, how: str) -> pd.Series:
    rows = metrics[(metrics["metric"] == metric) & metrics["value"].notna()]
    return rows.groupby("run")["value"].agg(how)
