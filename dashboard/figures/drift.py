"""Charts of a watched series: against its baseline with limits and changes, its CUSUM, its groups, and the season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from analysis.drift.records import Call, Key, OvenDrift
from analysis.drift.series import BY_NAME
from analysis.drift.watch import EWMA_WEIGHT
from dashboard.figures.theme import BAND, CEILING, CHANNEL_COLOURS, INK, QUIET, channel_style, configured

RANGE_LIMIT = 3.267  # D4 of ranges of two
SHOWN_LIMITS = 3.0  # how far beyond its limit a CUSUM is drawn


@dataclass(frozen=True)
class Happened:
    """An event to draw: its date and its kind."""

    at: pd.Timestamp
    kind: str


def series_rows(found: OvenDrift, key: Key) -> pd.DataFrame:
    """One row a run that is charted: run, when, moved (against the baseline, percent or the series' unit), ewma, low and
    high (individuals limits), cusum_high, cusum_low, cusum_limit, group, ambient, epoch, baseline (True for its runs)."""
    kind, parts = BY_NAME[key[0]], []
    for number, epoch in enumerate(found.epochs):
        w = epoch.watched.get(key)
        if w is None or w.baseline is None:
            continue
        runs = found.runs.iloc[epoch.positions]
        residual = w.values - w.expected
        part = pd.DataFrame(
            {
                "run": runs["run"].to_numpy(),
                "started_at": runs["started_at"].to_numpy(),
                "moved": kind.shown(residual),
                "ewma": kind.shown(w.ewma * w.sigma),
                "low": kind.shown(-w.individuals_width * w.sigma),
                "high": kind.shown(w.individuals_width * w.sigma),
                "cusum_high": w.cusum_high,
                "cusum_low": -w.cusum_low,
                "cusum_limit": w.cusum_limit,
                "group": _short(runs["group"]),
                "ambient": runs["ambient"].to_numpy(),
                "epoch": number,
                "baseline": np.isin(np.arange(len(runs)), w.baseline.positions),
            }
        )
        parts.append(part[~np.isnan(residual)])
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return rows.assign(when=_axis_values(rows)) if len(rows) else rows


def series_chart(
    rows: pd.DataFrame, key: Key, calls: Sequence[Call], events: Sequence[Happened], height: int = 260
) -> Any:
    """Single runs against their baseline, the smoothed line, the individuals limits, when changes began, events."""
    unit = BY_NAME[key[0]].shown_unit
    x = _x(rows)
    y = alt.Y("moved:Q", title=f"against the baseline ({unit})")
    base = alt.Chart(rows)
    band = base.mark_area(color=BAND, interpolate="step").encode(
        x=x, y=alt.Y("low:Q", title=f"against the baseline ({unit})"), y2="high:Q", detail="epoch:N"
    )
    zero = alt.Chart(pd.DataFrame({"y": [0.0]})).mark_rule(color=QUIET, strokeDash=[5, 3]).encode(y="y:Q")
    dots = base.mark_point(size=34, filled=True, opacity=0.9, color=CHANNEL_COLOURS[0]).encode(
        x=x,
        y=y,
        shape=alt.Shape("baseline:N", scale=alt.Scale(domain=[True, False], range=["square", "circle"]), legend=None),
        tooltip=[
            alt.Tooltip("run:Q", title="run"),
            alt.Tooltip("group:N", title="group"),
            alt.Tooltip("moved:Q", title=f"against the baseline ({unit})", format="+.2f"),
            alt.Tooltip("ambient:Q", title="room (°C)", format=".1f"),
        ],
    )
    line = base.mark_line(color=INK, strokeWidth=1.6).encode(x=x, y="ewma:Q", detail="epoch:N")
    layers = [band, zero, dots, line, *_marks(rows, calls, events)]
    return configured(alt.layer(*layers).properties(width="container", height=height))


def cusum_chart(rows: pd.DataFrame, height: int = 150) -> Any:
    """Both sums of the CUSUM with the limit a call is made at."""
    x = _x(rows)
    base = alt.Chart(rows)
    # A sum that is far over its limit says no more by being farther; clipped, the limit stays in sight.
    most = SHOWN_LIMITS * float(rows["cusum_limit"].max())
    scale = alt.Scale(domain=[-most, most], nice=False)

    def y(field: str) -> Any:
        return alt.Y(f"{field}:Q", title="CUSUM (scatters)", scale=scale)

    up = base.mark_line(color=CHANNEL_COLOURS[0], clip=True).encode(x=x, y=y("cusum_high"), detail="epoch:N")
    down = base.mark_line(color=CHANNEL_COLOURS[1], strokeDash=[7, 3], clip=True).encode(
        x=x, y=y("cusum_low"), detail="epoch:N"
    )
    limit = base.transform_calculate(under="-datum.cusum_limit")
    style = {"color": QUIET, "strokeDash": [2, 2], "interpolate": "step"}
    high = limit.mark_line(**style).encode(x=x, y=y("cusum_limit"), detail="epoch:N")
    low = limit.mark_line(**style).encode(x=x, y=y("under"), detail="epoch:N")
    return configured(alt.layer(high, low, up, down).properties(width="container", height=height))


def moving_range_chart(rows: pd.DataFrame, key: Key, height: int = 110) -> tuple[Any, str]:
    """From each run to the one before it (of one baseline), and its upper limit in words: 3.267 times the mean range of the
    baseline's runs (the constant D4 of ranges of two, NIST/SEMATECH e-Handbook 6.3.2.2)."""
    unit = "%" if BY_NAME[key[0]].logarithm else BY_NAME[key[0]].unit
    ranges = rows.assign(range=rows.groupby("epoch")["moved"].diff().abs())
    usual = ranges.loc[ranges["baseline"]].groupby("epoch")["range"].mean() * RANGE_LIMIT
    ranges = ranges.assign(limit=ranges["epoch"].map(usual)).dropna(subset=["range"])
    ranges = ranges[["run", "when", "epoch", "range", "limit"]]
    x, title = _x(rows), f"moving range ({unit})"
    base = alt.Chart(ranges)
    line = base.mark_line(color=CHANNEL_COLOURS[0], strokeWidth=1.2).encode(
        x=x,
        y=alt.Y("range:Q", title=title),
        detail="epoch:N",
        tooltip=[alt.Tooltip("run:Q", title="run"), alt.Tooltip("range:Q", title=title, format=".2f")],
    )
    style = {"color": QUIET, "strokeDash": [2, 2], "interpolate": "step"}
    limit = base.mark_line(**style).encode(x=x, y="limit:Q", detail="epoch:N")
    newest = usual.dropna()
    said = f"{newest.iloc[-1]:.1f} {unit}" if len(newest) else "a limit that is not known yet"
    return configured(alt.layer(limit, line).properties(width="container", height=height)), said


def group_panel(rows: pd.DataFrame, group: str, key: Key, height: int = 120) -> Any:
    """The runs of one comparison group, on the same axes as the other groups: a mixture would show the mix, not the oven."""
    unit = BY_NAME[key[0]].shown_unit
    x, y = _x(rows, ticks=3), [float(rows["moved"].min()), float(rows["moved"].max())]
    x.scale = alt.Scale(domain=[_plain(rows["when"].min()), _plain(rows["when"].max())])
    dots = (
        alt.Chart(rows[rows["group"] == group])
        .mark_point(size=20, filled=True, color=CHANNEL_COLOURS[0], clip=True)
        .encode(
            x=x,
            y=alt.Y("moved:Q", title=unit, scale=alt.Scale(domain=y, nice=True, zero=False)),
            tooltip=[alt.Tooltip("run:Q", title="run"), alt.Tooltip("moved:Q", format="+.2f", title=unit)],
        )
    )
    return configured(dots.properties(width="container", height=height))


def groups_by_size(rows: pd.DataFrame, most: int = 9) -> list[str]:
    """The comparison groups with most runs, largest first."""
    return [str(g) for g in rows["group"].value_counts().index[:most]]


def season_chart(rows: pd.DataFrame, key: Key, height: int = 220) -> Any:
    """The same runs against the room's temperature: what leans here comes with the season."""
    unit = BY_NAME[key[0]].shown_unit
    known = rows.dropna(subset=["ambient"])
    half = known.assign(part=np.where(known["run"] <= known["run"].median(), "older half", "newer half"))
    names = ["older half", "newer half"]
    dots = (
        alt.Chart(half)
        .mark_point(size=28, filled=True, opacity=0.9)
        .encode(
            x=alt.X("ambient:Q", title="room (°C)", scale=alt.Scale(zero=False)),
            y=alt.Y("moved:Q", title=f"against the baseline ({unit})"),
            color=alt.Color(
                "part:N",
                scale=alt.Scale(domain=names, range=[channel_style(0)[0], channel_style(1)[0]]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            shape=alt.Shape(
                "part:N",
                scale=alt.Scale(domain=names, range=["circle", "triangle-up"]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            tooltip=[alt.Tooltip("run:Q", title="run"), alt.Tooltip("ambient:Q", format=".1f", title="room (°C)")],
        )
    )
    return configured(dots.properties(width="container", height=height))


def series_in_words(rows: pd.DataFrame, key: Key) -> str:
    """What the chart shows, for those who do not see it."""
    kind = BY_NAME[key[0]]
    unit = kind.shown_unit
    newest = rows["moved"].tail(10)
    return (
        f"{kind.label}: {len(rows)} runs against their baseline; the newest {len(newest)} lie at {newest.median():+.2f} {unit} "
        f"(median); line: smoothed (EWMA, weight {EWMA_WEIGHT:g}); squares are runs of the baseline; band: individuals limits."
    )


def _marks(rows: pd.DataFrame, calls: Sequence[Call], events: Sequence[Happened]) -> list[Any]:
    """Vertical lines: when called changes began with the interval of the date, and events with their kind."""
    layers = []
    spans, starts = [], []
    for call in calls:
        low, high = (_place(rows, run) for run in call.since_run_interval)
        spans.append({"from": low, "to": high})
        starts.append({"when": _place(rows, call.since_run), "text": "change began"})
    suffix = "T" if _dated(rows) else "Q"
    if spans:
        layers.append(
            alt.Chart(pd.DataFrame(spans))
            .mark_rect(color=CHANNEL_COLOURS[1], opacity=0.13)
            .encode(x=f"from:{suffix}", x2="to")
        )
        begun = alt.Chart(pd.DataFrame(starts))
        layers.append(begun.mark_rule(color=CHANNEL_COLOURS[1], strokeWidth=1.6).encode(x=f"when:{suffix}"))
        layers.append(
            begun.mark_text(align="left", dx=4, y=8, color=CHANNEL_COLOURS[1], baseline="top").encode(
                x=f"when:{suffix}", text="text:N"
            )
        )
    if events and _dated(rows):
        shown = pd.DataFrame({"when": [e.at for e in events], "text": [e.kind for e in events]})
        inside = shown[(shown["when"] >= rows["when"].min()) & (shown["when"] <= rows["when"].max())]
        if len(inside):
            marks = alt.Chart(inside)
            layers.append(marks.mark_rule(color=CEILING, strokeDash=[2, 2]).encode(x="when:T"))
            layers.append(
                marks.mark_text(align="left", dx=4, y="height", dy=-6, color=CEILING).encode(x="when:T", text="text:N")
            )
    return layers


def _x(rows: pd.DataFrame, ticks: int = 7) -> Any:
    if _dated(rows):
        return alt.X("when:T", title=None, axis=alt.Axis(format="%b %Y", tickCount=ticks, labelOverlap=True))
    return alt.X("when:Q", title="run", scale=alt.Scale(zero=False))


def _plain(value: Any) -> Any:
    """A place on the axis as Vega-Lite takes it in a domain."""
    return alt.DateTime(year=value.year, month=value.month, date=value.day) if hasattr(value, "year") else float(value)


def _dated(rows: pd.DataFrame) -> bool:
    return bool(rows["started_at"].notna().all())


def _axis_values(rows: pd.DataFrame) -> pd.Series:
    return pd.to_datetime(rows["started_at"], utc=True) if _dated(rows) else rows["run"]


def _place(rows: pd.DataFrame, run: int) -> Any:
    """Where a run lies on the axis: its own place, or that of the charted run nearest to it."""
    nearest = (rows["run"] - run).abs().idxmin()
    return rows.loc[nearest, "when"]


def _short(groups: pd.Series) -> list[str]:
    """Groups by what tells them apart: board and kind, with the profile where the board has several."""
    parts = [str(g).split(" | ") for g in groups]
    boards: dict[str, set[str]] = {}
    for p in parts:
        boards.setdefault(p[1], set()).add(p[0])
    out = []
    for p in parts:
        profile = f", profile {p[0][:6]}" if len(boards[p[1]]) > 1 else ""
        out.append(p[1] + (", reference" if p[2] == "reference" else "") + profile)
    return out
