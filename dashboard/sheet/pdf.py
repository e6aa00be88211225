"""A sheet as PDF, by fpdf2: no browser, fonts embedded, page x of y on every page."""

from __future__ import annotations

import io
import logging
from importlib.resources import files
from typing import Any

from dashboard.sheet.blocks import Block, Facts, Heading, Paragraph, Picture, Sheet, Table
from dashboard.sheet.html import made_line

_FONT = "sheet"
_INK, _QUIET, _LINE = (32, 36, 42), (91, 97, 105), (201, 205, 209)


def as_pdf(sheet: Sheet) -> bytes:
    """The sheet as PDF (A4). A character the embedded font lacks is written as its code point, [U+6C34]; HTML keeps it."""
    from fontTools.ttLib import TTFont
    from fpdf import FPDF

    class Paper(FPDF):
        def footer(self) -> None:
            self.set_y(-13)
            self.set_font(_FONT, size=8)
            self.set_text_color(*_QUIET)
            width = self.epw / 2
            self.cell(width, 5, written(f"Sheet {sheet.identity}"))
            self.cell(width, 5, f"page {self.page_no()} of {{nb}}", align="R")

    logging.getLogger("fontTools").setLevel(logging.ERROR)
    pdf = Paper(format="A4")
    pdf.set_auto_page_break(True, margin=16)
    pdf.set_margins(14, 14, 14)
    pdf.set_title(sheet.title)
    pdf.set_creator(f"Ovenbook {sheet.version}")
    pdf.set_lang("en")
    known: set[int] | None = None
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        path = str(files("dashboard") / "static" / name)
        pdf.add_font(_FONT, style, path)
        with TTFont(path) as font:
            present = set(font.getBestCmap() or ())
            known = present if known is None else known & present
    glyphs = frozenset(known or ())

    def written(text: str) -> str:
        return "".join(c if ord(c) in glyphs or c == "\n" else f"[U+{ord(c):04X}]" for c in text)

    for number, part in enumerate(sheet.parts):
        pdf.add_page()
        pdf.start_section(written(part.title))
        _text(pdf, written(part.title), 15, bold=True)
        if number == 0:
            _text(pdf, written(made_line(sheet)), 8, colour=_QUIET)
        pdf.ln(2)
        for block in part.blocks:
            _draw(pdf, block, written)
    return bytes(pdf.output())


def _draw(pdf: Any, block: Block, written: Any) -> None:
    match block:
        case Heading(text):
            pdf.ln(2)
            if pdf.will_page_break(22):
                pdf.add_page()
            _text(pdf, written(text), 11, bold=True)
        case Paragraph(text, strong):
            _text(pdf, written(text), 10 if strong else 9, bold=strong)
            pdf.ln(1)
        case Facts(rows):
            _table(pdf, None, [(written(k), written(v)) for k, v in rows], (0.22, 0.78))
        case Table(columns, rows, widths):
            _table(pdf, [written(c) for c in columns], [[written(c) for c in row] for row in rows], widths)
        case Picture(png, words):
            pdf.image(io.BytesIO(png), w=pdf.epw, alt_text=written(words))
            _text(pdf, written(words), 8, colour=_QUIET)
            pdf.ln(1)


def _text(pdf: Any, text: str, size: float, *, bold: bool = False, colour: tuple[int, int, int] = _INK) -> None:
    pdf.set_font(_FONT, style="B" if bold else "", size=size)
    pdf.set_text_color(*colour)
    pdf.multi_cell(0, size * 0.48, text, align="L", new_x="LMARGIN", new_y="NEXT")


def _table(pdf: Any, head: Any, rows: Any, widths: Any) -> None:
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    pdf.set_font(_FONT, size=8)
    pdf.set_text_color(*_INK)
    pdf.set_draw_color(*_LINE)
    with pdf.table(
        width=pdf.epw,
        col_widths=[round(100 * w) for w in widths],
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        headings_style=FontFace(emphasis="BOLD"),
        first_row_as_headings=head is not None,
        line_height=4,
        padding=(0.6, 1.5, 0.6, 0),
        text_align="LEFT",
    ) as table:
        for cells in ([head] if head is not None else []) + list(rows):
            row = table.row()
            for cell in cells:
                row.cell(cell)
    pdf.ln(2)
