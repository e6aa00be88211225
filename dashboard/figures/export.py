"""A chart as a file: PNG or SVG, drawn on this machine without a browser and without a network."""

from __future__ import annotations

import io
from typing import Any

import altair as alt

WIDTH = 960  # pixels; on the page a chart takes the width of its column, a file needs a width of its own


def chart_bytes(chart: Any, kind: str, *, title: str | None = None, width: int = WIDTH) -> bytes:
    """`chart` as "png" (twice the screen's resolution) or "svg", with `title` written above it."""
    if kind not in ("png", "svg"):
        raise ValueError(f"a chart is saved as png or svg, not as {kind}")
    fixed = chart.properties(width=width, **({"title": title} if title else {}))
    # Long curves are thinned where they are drawn; the limit of rows is meant for unthinned data.
    with alt.data_transformers.enable("default", max_rows=None):
        if kind == "svg":
            text = io.StringIO()
            fixed.save(text, format="svg")
            return text.getvalue().encode()
        target = io.BytesIO()
        fixed.save(target, format="png", ppi=144)
        return target.getvalue()
