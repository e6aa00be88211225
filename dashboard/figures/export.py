"""A chart as a file: PNG or SVG, drawn on this machine without a browser and without a network."""

from __future__ import annotations

import io
from typing import Any

WIDTH = 960  # pixels; on the page a chart takes the width of its column, a file needs a width of its own


def chart_bytes(chart: Any, kind: str, *, title: str | None = None, width: int = WIDTH) -> bytes:
    """`chart` as "png" (twice the screen's resolution) or "svg", with `title` written above it."""
    if kind not in ("png", "svg"):
        raise ValueError(f"a chart is saved as png or svg, not as {kind}")
    fixed = chart.properties(width=width, **({"title": title} if title else {}))
    target = io.BytesIO()
    text = io.StringIO()
    if kind == "svg":
        fixed.save(text, format="svg")
        return text.getvalue().encode()
    fixed.save(target, format="png", ppi=144)
    return target.getvalue()
