"""The batch sheet: what a customer or auditor asks for about chosen runs, as one HTML file and the same as PDF.

Both are made from the same blocks, so that they cannot say different things. Nothing is fetched when they are opened:
pictures are inside, no script, no font from elsewhere.
"""

from dashboard.sheet.blocks import Sheet
from dashboard.sheet.html import as_html
from dashboard.sheet.making import MOST_RUNS, make_sheet
from dashboard.sheet.options import REDACTIONS, SheetOptions
from dashboard.sheet.pdf import as_pdf

__all__ = ["MOST_RUNS", "REDACTIONS", "Sheet", "SheetOptions", "as_html", "as_pdf", "make_sheet"]
