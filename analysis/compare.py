"""What changed between two runs: metadata, metrics and aligned curves, the most unusual difference first.

Pure functions on data frames and recordings; the frames are those of the views `run_overview` and `metric_long`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.alignment import UNDER_WAY_C, under_way_s
from analysis.quantities import QUANTITIES
from ingest.recording import FloatArray, Recording

# Below this many runs a group's scatter is not known well enough to call a difference unusual.
MINIMUM_GROUP = 5
# A difference of two runs of a group has sqrt(2) times the scatter of one; 3 such deviations are called unusual.
UNUSUAL = 3.0
# Fields that never say why a run came out differently.
_NOT_COMPARED = {
    *("run", "log_file", "sha256", "part", "received_at", "rules_version", "reason", "verdict", "complete", "danger"),
    *("oven_id", "profile_id", "paste_id", "jar_id", "board_id"),
    *("limiting_metric", "limiting_channel", "limiting_margin", "limiting_unit", "started_at", "duration_s", "zone"),
}
LIKE_WITH_LIKE = ("oven", "setpoint_hash", "board", "board_revision")


@dataclass(frozen=True)
class Group:
    """Runs that may be compared with one run. `words` says what is equal and what could not be compared."""

    runs: tuple[int, ...]
    words: str


@dataclass(frozen=True)
class Choice:
    """A run picked by rule, or None with the reason."""

    run: int | None
    rule: str


def comparable_runs(runs: pd.DataFrame, run: int, same: Sequence[str] = LIKE_WITH_LIKE) -> Group:
    """Other runs equal to `run` in every field of `same` that is known for it.

    `runs`: rows of `run_overview`. Without a known oven nothing is comparable. Reference and product runs are never
    mixed. Raises KeyError when the run is not in the frame.
    """
    own = _row(runs, run)
    known = [field for field in (*same, "kind") if field in runs.columns and pd.notna(own[field])]
    unknown = [field for field in same if field not in known]
    if "oven" not in known:
        return Group((), "the oven of this run is not recorded, so no run is comparable")
    mask = runs["run"] != run
    for field in known:
        mask &= runs[field] == own[field]
    words = "same " + ", ".join(_plain(field) for field in known)
    if unknown:
        words += "; not recorded for this run: " + ", ".join(_plain(field) for field in unknown)
    return Group(tuple(int(r) for r in runs.loc[mask, "run"]), words)


def last_good_run(runs: pd.DataFrame, run: int) -> Choice:
    """The latest run before `run` that was good, by rule.

    Good: comparable (same oven, profile, board), complete, verdict "meets", nothing dangerous found and, where the
    frame has a column `defects`, not inspected with defects. Before: by start time, by run number where a start is not
    known. Columns of `run_overview`; `sensor_failures` (count of findings in state fail) is used when present.
    """
    own = _row(runs, run)
    group = comparable_runs(runs, run)
    if not group.runs:
        return Choice(None, f"no comparable run ({group.words})")
    part = runs[runs["run"].isin(group.runs)]
    earlier = part["run"] < run
    if pd.notna(own["started_at"]):
        known = part["started_at"].notna()
        earlier = (known & (part["started_at"] < own["started_at"])) | (~known & earlier)
    part = part[earlier]
    if part.empty:
        return Choice(None, f"no earlier comparable run ({group.words})")
    good = (part["verdict"] == "meets") & part["complete"].eq(True) & ~part["danger"].eq(True)
    for column in ("defects", "sensor_failures"):
        if column in part.columns:
            good &= ~(part[column].fillna(0) > 0)
    part = part[good]
    if part.empty:
        return Choice(
            None, f"none of the earlier comparable runs meets its window with believable sensors ({group.words})"
        )
    latest = part.sort_values(["started_at", "run"], na_position="first").iloc[-1]
    return Choice(
        int(latest["run"]), f"the latest earlier run that meets its window, complete, without danger; {group.words}"
    )


def compare_metadata(runs: pd.DataFrame, first: int, second: int) -> pd.DataFrame:
    """Fields of two runs side by side, those that differ first.

    Returns columns field, first, second, state: "differs", "unknown" (not recorded for at least one) or "same".
    Unknown in both is left out: it tells nothing.
    """
    a, b = _row(runs, first), _row(runs, second)
    rows: list[tuple[str, Any, Any, str]] = []
    for field in runs.columns:
        if field in _NOT_COMPARED or (pd.isna(a[field]) and pd.isna(b[field])):
            continue
        known = pd.notna(a[field]) and pd.notna(b[field])
        state = "unknown" if not known else "same" if a[field] == b[field] else "differs"
        value_a, value_b = (None if pd.isna(x[field]) else x[field] for x in (a, b))
        rows.append((field, value_a, value_b, state))
    table = pd.DataFrame(rows, columns=["field", "first", "second", "state"])
    order = table["state"].map({"differs": 0, "unknown": 1, "same": 2})
    return table.iloc[order.argsort(kind="stable")].reset_index(drop=True)


def compare_metrics(metrics: pd.DataFrame, first: int, second: int, group: Sequence[int] = ()) -> pd.DataFrame:
    """Every metric of two runs, the most unusual difference first.

    `metrics`: rows of `metric_long` (a column `reason` may be absent) for the two runs and the runs of `group` (comparable
    runs). Returns columns metric,
    channel, parameters, unit, first, second, difference (second less first), scatter (robust standard deviation of the
    group, both runs left out), n (group runs with the value), unusual (difference in units of sqrt(2) * scatter; missing
    where fewer than MINIMUM_GROUP runs tell the scatter), is_unusual, note. The scatter is never taken smaller than half
    the last decimal the quantity is shown with. Metrics that only one run has come last, with the reason of the other.
    """
    keys = ["metric", "channel", "parameters"]
    used = metrics.assign(channel=metrics["channel"].astype(object).where(metrics["channel"].notna(), ""))
    of_first, of_second = (_by_key(used[used["run"] == run], keys) for run in (first, second))
    others = used[used["run"].isin([r for r in group if r not in (first, second)]) & (used["status"] == "ok")]
    scatter = {key: _scatter(part["value"].to_numpy(dtype=float)) for key, part in others.groupby(keys)}
    rows: list[dict[str, Any]] = []
    for key in dict.fromkeys((*of_first, *of_second)):
        a, a_note, unit = _one(of_first, key)
        b, b_note, unit_b = _one(of_second, key)
        if a is None and b is None:
            continue
        metric, channel, parameters = key
        usual, n = scatter.get(key, (np.nan, 0))
        row: dict[str, Any] = {
            "metric": metric,
            "channel": channel or None,
            "parameters": parameters,
            "unit": unit or unit_b,
            "first": a,
            "second": b,
            "difference": None if a is None or b is None else b - a,
            "scatter": None if n < MINIMUM_GROUP else usual,
            "n": n,
            "unusual": None,
            "note": "; ".join(note for note in (a_note, b_note) if note),
        }
        if a is not None and b is not None:
            if n >= MINIMUM_GROUP:
                decimals = QUANTITIES[metric].decimals if metric in QUANTITIES else 1
                row["unusual"] = abs(b - a) / (np.sqrt(2.0) * max(usual, 0.5 * 10.0**-decimals))
            else:
                row["note"] = (
                    row["note"]
                    or f"usual scatter not known: {n} comparable {'run' if n == 1 else 'runs'}, {MINIMUM_GROUP} needed"
                )
        rows.append(row)
    columns = [
        "metric",
        "channel",
        "parameters",
        "unit",
        "first",
        "second",
        "difference",
        "scatter",
        "n",
        "unusual",
        "note",
    ]
    table = pd.DataFrame(rows, columns=columns)
    for column in ("first", "second", "difference", "scatter", "unusual"):
        table[column] = table[column].astype(float)
    table["is_unusual"] = table["unusual"] >= UNUSUAL
    order = pd.DataFrame(
        {"known": table["unusual"].isna(), "both": table["difference"].isna(), "rank": -table["unusual"]}
    )
    return table.iloc[order.sort_values(["both", "known", "rank"], kind="stable").index].reset_index(drop=True)


@dataclass(frozen=True)
class CurveComparison:
    """Curves of two runs on one time axis.

    `curves`: columns elapsed_s (of the first run), channel, first, second [°C], difference [K, second less first].
    `shift_s` was added to the second run's time. `stretches`: where each channel differs most, channel -> (from s, to s,
    mean difference K), the longest stretch above half of its largest difference.
    """

    curves: pd.DataFrame
    shift_s: float
    aligned: str
    stretches: Mapping[str, tuple[float, float, float]]
    left_out: tuple[str, ...]  # channels that only one of the runs has


def align_curves(
    first: Recording, second: Recording, *, at_c: float = UNDER_WAY_C, step_s: float = 1.0
) -> CurveComparison:
    """Put two runs on one time axis, aligned where the middle of their common channels first passes `at_c` [°C].

    Starting a log late or early then makes no difference. Where one of them never passes it (starts above, ends below)
    they are aligned at their starts, and `aligned` says so. Missing samples stay missing: no value is made up across a
    gap longer than 5 s or three sample intervals.
    """
    a = {c.name: c for c in first.of_role("temperature") if np.isfinite(c.values).any()}
    b = {c.name: c for c in second.of_role("temperature") if np.isfinite(c.values).any()}
    names = [name for name in a if name in b]
    left_out = tuple(sorted(set(a) ^ set(b)))
    frame = pd.DataFrame(columns=["elapsed_s", "channel", "first", "second", "difference"])
    if not names:
        return CurveComparison(frame, 0.0, "no channel of the same name in both runs", {}, left_out)
    passes = [under_way_s(recording, names, at_c) for recording in (first, second)]
    shift, aligned = 0.0, "at the first sample (one of the runs does not pass the temperature on the way up)"
    if passes[0] is not None and passes[1] is not None:
        shift, aligned = passes[0] - passes[1], f"where the middle of the channels passes {at_c:g} °C"
    start, end = max(0.0, shift), min(first.duration_s, second.duration_s + shift)
    grid = np.arange(np.ceil(start / step_s) * step_s, end + 1e-9, step_s)
    parts: list[pd.DataFrame] = []
    stretches: dict[str, tuple[float, float, float]] = {}
    for name in names:
        values_a = _resampled(first.elapsed_s, a[name].values, grid)
        values_b = _resampled(second.elapsed_s + shift, b[name].values, grid)
        difference = values_b - values_a
        columns = {"elapsed_s": grid, "channel": name, "first": values_a, "second": values_b, "difference": difference}
        parts.append(pd.DataFrame(columns))
        stretch = _largest_stretch(grid, difference)
        if stretch is not None:
            stretches[name] = stretch
    return CurveComparison(pd.concat(parts, ignore_index=True), float(shift), aligned, stretches, left_out)


def _row(runs: pd.DataFrame, run: int) -> pd.Series:
    found = runs[runs["run"] == run]
    if found.empty:
        raise KeyError(f"run {run} is not in the table of runs")
    return found.iloc[0]


def _plain(field: str) -> str:
    return {"setpoint_hash": "set points"}.get(field, field.replace("_", " "))


def _scatter(values: FloatArray) -> tuple[float, int]:
    finite = values[np.isfinite(values)]
    if len(finite) == 0:
        return np.nan, 0
    # Counts and shares repeat values; there the quartiles see a scatter that the median deviation does not.
    deviation = 1.4826 * float(np.median(np.abs(finite - np.median(finite))))
    quartiles = float(np.ptp(np.quantile(finite, (0.25, 0.75)))) / 1.349
    return max(deviation, quartiles), len(finite)


def _by_key(rows: pd.DataFrame, keys: list[str]) -> dict[tuple[str, ...], dict[str, Any]]:
    """The rows of one run by metric, channel and parameters; of two rows with the same, the first."""
    found: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in rows.to_dict("records"):
        found.setdefault(tuple(row[key] for key in keys), {str(k): v for k, v in row.items()})
    return found


def _one(rows: Mapping[tuple[str, ...], dict[str, Any]], key: tuple[str, ...]) -> tuple[float | None, str, str]:
    """(value, note, unit) of one metric of one run."""
    if key not in rows:
        return None, "not measured in one of the runs", ""
    row = rows[key]
    value = None if pd.isna(row["value"]) else float(row["value"])
    reason = row.get("reason")
    parts = [] if row["status"] == "ok" else [str(row["status"]), *([str(reason)] if pd.notna(reason) else [])]
    return value, ": ".join(parts), str(row["unit"])


def _resampled(elapsed_s: FloatArray, values: FloatArray, grid: FloatArray) -> FloatArray:
    present = np.isfinite(values)
    t, v = elapsed_s[present], values[present]
    out = np.interp(grid, t, v, left=np.nan, right=np.nan)
    if len(t) > 1:
        widest = max(5.0, 3.0 * float(np.median(np.diff(elapsed_s))))
        after = np.clip(np.searchsorted(t, grid), 1, len(t) - 1)
        inside = (t[after] - t[after - 1] > widest) & (grid > t[after - 1]) & (grid < t[after])
        out[inside] = np.nan
    return out


def _largest_stretch(grid: FloatArray, difference: FloatArray) -> tuple[float, float, float] | None:
    size = np.abs(np.nan_to_num(difference))
    if not size.any():
        return None
    k = int(np.argmax(size))
    same = (size >= 0.5 * size[k]) & (np.sign(np.nan_to_num(difference)) == np.sign(difference[k]))
    first = last = k
    while first > 0 and same[first - 1]:
        first -= 1
    while last < len(grid) - 1 and same[last + 1]:
        last += 1
    return float(grid[first]), float(grid[last]), float(np.nanmean(difference[first : last + 1]))
