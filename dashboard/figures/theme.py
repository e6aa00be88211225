"""How every chart of Ovenbook looks: one palette, one set of line styles, one configuration.

The hues start from the set of Okabe and Ito (Color Universal Design, 2008), which stays distinct under the common colour
vision deficiencies; the light ones are darkened so that lines and text keep a contrast of at least 3:1 on white. Colour is
never the only mark: each channel also has its own dash and a label at the end of its line.
"""

from __future__ import annotations

from typing import Any

INK = "#20242a"
QUIET = "#5b6169"
FAINT = "#d9dcdf"
PAPER = "#ffffff"
BAND = "#e9f0f4"
CEILING = "#7a2b00"

CHANNEL_COLOURS = ("#0072b2", "#c24f00", "#00795a", "#97508a", "#7f6200", "#1f6f8b", "#3c3f8f")
CHANNEL_DASHES = ([1, 0], [7, 3], [2, 2], [10, 3, 2, 3], [5, 2, 1, 2, 1, 2], [12, 4], [4, 4])

# Words carry the verdict; the hue only repeats them, and not as red, amber and green.
VERDICT_COLOURS = {
    "meets": "#0072b2",
    "fails": "#b03a00",
    "too close to call": "#6b4d00",
    "not evaluated": QUIET,
}
VERDICT_SHAPES = {"meets": "circle", "fails": "cross", "too close to call": "diamond", "not evaluated": "stroke"}

FONT = '"Source Sans", "Source Sans Pro", "DejaVu Sans", Arial, sans-serif'


def channel_style(position: int) -> tuple[str, list[int]]:
    """Colour and dash of the channel at `position` (from 0). The pair repeats only after 49 channels."""
    colours, dashes = len(CHANNEL_COLOURS), len(CHANNEL_DASHES)
    return CHANNEL_COLOURS[position % colours], CHANNEL_DASHES[(position + position // colours) % dashes]


def configured(chart: Any, *, padding: dict[str, int] | None = None) -> Any:
    """`chart` with the theme as its configuration; returns a new chart, ready to show or save."""
    return (
        chart.properties(
            background=PAPER,
            padding=padding or {"left": 4, "right": 8, "top": 6, "bottom": 4},
            autosize={"type": "fit", "contains": "padding"},
        )
        .configure(font=FONT)
        .configure_view(stroke=None)
        .configure_axis(
            domainColor=QUIET,
            tickColor=QUIET,
            gridColor="#eceef0",
            labelColor=INK,
            labelFontSize=12,
            titleColor=INK,
            titleFontSize=12,
            titleFontWeight="normal",
            titlePadding=8,
            labelOverlap=True,
        )
        .configure_title(color=INK, fontSize=14, anchor="start", fontWeight="normal")
        .configure_text(color=INK, fontSize=12)
    )
