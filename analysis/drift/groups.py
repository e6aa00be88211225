"""Which runs may be compared: order, comparison group, and who is left out by which rule.

Comparison group: oven (the caller gives one oven), set-point hash (or profile name when no set point is logged), board
and revision, load, kind of run (reference runs stand apart), and which channels exist and where they sit. Groups are
pooled by `baseline` with a level of their own each, so a change of mix moves nothing.

Left out by rule, listed with the reason, never deleted: development and bake-out runs, incomplete runs, warm starts,
runs marked by a person.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

COLD_BELOW_C = 45.0  # °C; above it some part of the oven still holds the last run's heat
NOT_COMPARED = {"development": "profile development", "bakeout": "bake-out"}


def comparable_runs(
    runs: pd.DataFrame, metrics: pd.DataFrame, left_out_by_hand: dict[int, str] | None = None
) -> pd.DataFrame:
    """One row a run of one oven, in order of time.

    `runs`: the columns of the view run_overview; `metrics`: rows of metric_long with `start_temperature_c` in it.
    Returns run, started_at, group, ambient [°C], start [°C], heating_h (hours at heat up to this run), left_out (reason
    or None). Runs without a date keep their number's place after the dated run before them.
    """
    frame = runs.sort_values("run", kind="stable").reset_index(drop=True)
    dates = pd.to_datetime(frame["started_at"], utc=True)
    frame = frame.assign(started_at=dates, _key=dates.ffill()).sort_values(
        ["_key", "run"], kind="stable", na_position="first"
    )
    start = _per_run(metrics, "start_temperature_c", "max")
    low_start = _per_run(metrics, "start_temperature_c", "median")
    channels = _channel_sets(metrics)
    out = pd.DataFrame(
        {
            "run": frame["run"].to_numpy(),
            "started_at": frame["started_at"].to_numpy(),
            "group": [
                _group(row, channels.get(run, ""))
                for row, run in zip(frame.itertuples(), frame["run"].tolist(), strict=True)
            ],
            "start": frame["run"].map(start).to_numpy(dtype=float),
        }
    )
    typed = pd.to_numeric(frame["ambient_c"], errors="coerce").to_numpy(dtype=float)
    cold = np.asarray(frame["run"].map(low_start).to_numpy(dtype=float))
    is_cold = np.asarray(out["start"] < COLD_BELOW_C)
    # A cold oven stands at the room's temperature; a warm one says nothing about the room.
    out["ambient"] = np.where(np.isnan(typed), np.where(is_cold, cold, np.nan), typed)
    out["heating_h"] = np.cumsum(frame["duration_s"].fillna(0).to_numpy(dtype=float)) / 3600.0
    by_hand = left_out_by_hand or {}
    out["left_out"] = [
        _left_out(row, by_hand, float(s)) for row, s in zip(frame.itertuples(), out["start"], strict=True)
    ]
    return out


def _left_out(row, by_hand: dict[int, str], start: float) -> str | None:
    if int(row.run) in by_hand:
        return by_hand[int(row.run)]
    if isinstance(row.kind, str) and row.kind in NOT_COMPARED:
        return NOT_COMPARED[row.kind]
    if row.complete is not None and not pd.isna(row.complete) and not bool(row.complete):
        return "incomplete run"
    if not np.isnan(start) and start >= COLD_BELOW_C:
        return f"warm start ({start:.0f} °C; cold is below {COLD_BELOW_C:.0f} °C)"
    return None


def _group(row, channels: str) -> str:
    profile = row.setpoint_hash if isinstance(row.setpoint_hash, str) else row.profile
    board = "no board" if not isinstance(row.board, str) else f"{row.board} {row.board_revision or ''}".strip()
    load = "" if pd.isna(row.load_count) else f" x{int(row.load_count)}"
    kind = "reference" if row.kind == "reference" else "product"
    return " | ".join([str(profile)[:12] if isinstance(profile, str) else "no profile", board + load, kind, channels])


def _channel_sets(metrics: pd.DataFrame) -> dict[int, str]:
    peaks = metrics[(metrics["metric"] == "peak_c") & metrics["channel"].notna()]
    named = peaks.groupby("run")["channel"].agg(lambda names: ",".join(sorted(map(str, names))))
    return dict(zip(named.index.tolist(), named.tolist(), strict=True))


def _per_run(metrics: pd.DataFrame, metric: str, how: str) -> pd.Series:
    rows = metrics[(metrics["metric"] == metric) & metrics["value"].notna()]
    return rows.groupby("run")["value"].agg(how)
