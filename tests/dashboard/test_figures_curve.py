"""The curve and the margin bars: what must be in the chart that the browser gets, and the pictures made from it."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import altair as alt
import numpy as np
import pytest

from analysis.results import Limit, LimitResult, canonical_parameters
from dashboard.figures.curve import curve_in_words, curve_table, profile_curve, window_bands
from dashboard.figures.export import chart_bytes
from dashboard.figures.heater import heater_strip
from dashboard.figures.margins import MarginRow, margin_bars, margins_in_words, margins_table
from ingest.recording import Channel, Recording


def recording(n: int = 600) -> Recording:
    """A made-up bake: ramp, hold, ramp to the peak, cooling; two judged channels and an average, one gap."""
    elapsed = np.round(np.linspace(0, 360, n), 3)
    setpoint = np.interp(elapsed, [0, 90, 180, 240, 270, 360], [25, 150, 200, 248, 248, 90])
    left = np.interp(elapsed - 6, elapsed, setpoint)
    right = np.interp(elapsed - 12, elapsed, setpoint) - 4
    right[100:110] = np.nan
    mean = (left + np.nan_to_num(right, nan=150.0)) / 2
    return Recording(
        elapsed,
        (
            Channel("left", "temperature", "°C", left),
            Channel("right rear corner of the board", "temperature", "°C", right),
            Channel("mean", "temperature", "°C", mean, judged=False),
            Channel("set", "setpoint", "°C", setpoint),
            Channel("heater", "duty", "%", (np.gradient(setpoint) > 0).astype(float)),
            Channel("door", "state", "", (elapsed > 270).astype(float), labels=("closed", "open")),
        ),
    )


def limit(
    metric: str, low: float | None, high: float | None, unit: str, scope: str = "paste", **parameters: Any
) -> LimitResult:
    judged = Limit(metric, canonical_parameters(parameters), low, high, unit, scope, "invented sheet", "B", 1)
    return LimitResult(judged, 0, None, None, None, "not evaluated")


LIMITS = (
    limit("peak_c", 235, 250, "°C"),
    limit("peak_c", None, 260, "°C", "body"),
    limit("soak_time_s", 60, 120, "s", low_c=150, high_c=200),
    limit("time_above_liquidus_s", 40, 90, "s", liquidus_c=217),
)


def texts(spec: Any) -> set[str]:
    """Every label text in a chart's data."""
    return {row["label"] for rows in spec["datasets"].values() for row in rows if "label" in row}


def axis_titles(spec: Any) -> set[str]:
    found: set[str] = set()

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            for name in ("x", "y"):
                coded = node.get("encoding", {}).get(name)
                if isinstance(coded, dict) and coded.get("field") and coded.get("axis", "shown") is not None:
                    found.add(coded.get("title"))
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(spec)
    return found


def test_the_curve_has_units_on_its_axes_and_a_name_at_every_line() -> None:
    spec = profile_curve(recording(), liquidus_c=217, limits=LIMITS).to_dict()
    assert axis_titles(spec) == {"time since start (s)", "temperature (°C)"}
    said = texts(spec)
    assert {"left", "mean", "set", "right rear", "corner of", "the board"} <= said
    assert {"liquidus 217 °C", "peak 235 to 250 °C", "body ceiling 260 °C", "soak 150 to 200 °C"} <= said


def test_channels_differ_in_dash_as_well_as_in_colour() -> None:
    spec = profile_curve(recording()).to_dict()
    line = next(layer for layer in spec["layer"] if layer["mark"].get("type") == "line")
    names = line["encoding"]["color"]["scale"]["domain"]
    assert names == ["left", "right rear corner of the board", "mean", "set"]
    dashes = [tuple(d) for d in line["encoding"]["strokeDash"]["scale"]["range"]]
    assert len(set(dashes)) == len(names)


def test_the_tooltip_names_every_channel_with_its_unit_and_says_missing() -> None:
    spec = profile_curve(recording()).to_dict()
    rows = next(rows for rows in spec["datasets"].values() if rows and "v1" in rows[0])
    assert any(row["v1"] == "missing" for row in rows)
    assert all(row["v0"].endswith(" °C") for row in rows)
    assert all(row["time"].endswith(" s") for row in rows)


def test_a_gap_leaves_the_line_open() -> None:
    spec = profile_curve(recording()).to_dict()
    rows = next(rows for rows in spec["datasets"].values() if rows and "channel" in rows[0])
    assert any(row["channel"].startswith("right") and row["value"] is None for row in rows)


def test_a_long_curve_is_thinned_and_keeps_its_highest_value() -> None:
    long = recording(60_000)
    spike = long.channels[0].values.copy()
    spike[31_415] = 333.0
    long = replace(long, channels=(replace(long.channels[0], values=spike), *long.channels[1:]))
    with alt.data_transformers.enable("default", max_rows=None):
        spec = profile_curve(long).to_dict()
    rows = [r for rows in spec["datasets"].values() if rows and "channel" in rows[0] for r in rows]
    assert len(rows) <= 4 * 5 * 700
    assert max(r["value"] for r in rows if r["channel"] == "left" and r["value"] is not None) == 333.0


def test_limits_in_seconds_draw_no_band() -> None:
    assert {b.kind for b in window_bands(LIMITS)} == {"peak", "ceiling", "soak"}


def test_a_stretch_shows_only_itself() -> None:
    spec = profile_curve(recording(), span=(100.0, 200.0)).to_dict()
    rows = next(rows for rows in spec["datasets"].values() if rows and "channel" in rows[0])
    assert min(r["elapsed_s"] for r in rows) >= 100
    assert max(r["elapsed_s"] for r in rows) <= 200


def test_without_temperatures_there_is_no_chart_but_a_sentence() -> None:
    bare = Recording(np.array([0.0, 1.0]), (Channel("heater", "duty", "%", np.array([0.0, 1.0])),))
    with pytest.raises(ValueError, match="no temperature channel"):
        profile_curve(bare)
    assert curve_in_words(bare) == "No temperature channel with values: there is no curve to draw."


def test_one_sample_draws() -> None:
    single = Recording(np.array([0.0]), (Channel("a", "temperature", "°C", np.array([25.0])),))
    assert chart_bytes(profile_curve(single), "svg").startswith(b"<svg")


def test_the_words_say_what_the_picture_shows() -> None:
    said = curve_in_words(recording(), 217.0)
    assert "2 temperature channels over 360 s" in said
    assert "left reaches the highest value, 248 °C" in said
    assert "2 of 2 reached the liquidus, 217 °C" in said


def test_the_table_names_units_and_states_in_words() -> None:
    table = curve_table(recording())
    assert list(table.columns)[:2] == ["time since start (s)", "left (°C)"]
    assert "heater (fraction 0 to 1)" in table.columns
    assert set(table["door"]) == {"closed", "open"}
    assert len(table) == 600


def test_the_heater_strip_is_there_only_with_a_heater_channel() -> None:
    spec = heater_strip(recording()).to_dict()  # type: ignore[union-attr]
    assert axis_titles(spec) == {"time since start (s)", "heater on (%)"}
    without = replace(recording(), channels=recording().channels[:4])
    assert heater_strip(without) is None


def row(value: float | None, low: float | None, high: float | None, verdict: str, u: float | None = 2.0) -> MarginRow:
    return MarginRow(
        heading="peak",
        where="left",
        verdict=verdict,
        low=low,
        high=high,
        value=value,
        uncertainty=u,
        value_text="" if value is None else f"{value} ± {u} °C",
        low_text="" if low is None else f"at least {low} °C",
        high_text="" if high is None else f"at most {high} °C",
        margin_text="1 K inside",
        source="invented sheet, revision B",
        note="" if value is not None else "200 °C was not reached",
    )


@pytest.mark.parametrize(
    ("value", "low", "high", "inside"),
    [
        (240, 235, 250, True),
        (235, 235, 250, True),
        (252, 235, 250, False),
        (900, 235, 250, False),
        (2.4, None, 3, True),
        (3.4, None, 3, False),
        (300, None, 3, False),
        (260, 235, None, True),
        (230, 235, None, False),
    ],
)
def test_a_mark_stands_in_the_band_exactly_when_the_value_is_allowed(
    value: float, low: float | None, high: float | None, inside: bool
) -> None:
    spec = margin_bars([row(value, low, high, "meets" if inside else "fails")]).to_dict()
    placed = next(iter(spec["datasets"].values()))[0]
    assert (placed["from"] - 1e-9 <= placed["at"] <= placed["to"] + 1e-9) is inside
    assert 0 <= placed["least"] <= placed["at"] <= placed["most"] <= 1


def test_a_limit_without_a_value_says_why_instead_of_drawing_a_bar() -> None:
    rows = [row(None, 60, 120, "not evaluated", None)]
    placed = next(iter(margin_bars(rows).to_dict()["datasets"].values()))[0]
    assert placed["at"] is None
    assert placed["said"] == "not evaluated: 200 °C was not reached"
    assert margins_in_words(rows) == "peak, left: not evaluated, 200 °C was not reached."
    assert margins_table(rows)["value"].tolist() == ["200 °C was not reached"]


@pytest.mark.parametrize(
    "chart", [profile_curve(recording(), liquidus_c=217, limits=LIMITS), margin_bars([row(240, 235, 250, "meets")])]
)
def test_pictures_are_drawn_without_a_browser(chart: Any) -> None:
    png = chart_bytes(chart, "png", title="Run 1")
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    assert int.from_bytes(png[16:20], "big") == 2 * 960  # width in the header chunk, PNG specification 11.2.2
    svg = chart_bytes(chart, "svg", title="Run 1").decode()
    assert "Run 1" in svg
    assert "left" in svg
    with pytest.raises(ValueError, match="png or svg"):
        chart_bytes(chart, "gif")


def test_charts_are_plain_json_without_not_a_number() -> None:
    json.dumps(profile_curve(recording(), limits=LIMITS).to_dict(), allow_nan=False)
