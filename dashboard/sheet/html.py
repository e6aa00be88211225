"""A sheet as one HTML file: no script, nothing fetched, readable without style, paged when printed."""

from __future__ import annotations

import base64
from html import escape
from importlib.resources import files

from dashboard.sheet.blocks import Block, Facts, Heading, Paragraph, Picture, Sheet, Table


def as_html(sheet: Sheet) -> bytes:
    """The sheet as UTF-8 HTML. Its content policy forbids every request, also to a picture somewhere in a note."""
    style = (files("dashboard") / "static" / "sheet.css").read_text()
    head = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(sheet.title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n"
    )
    out = [head, f"<h1>{escape(sheet.title)}</h1>\n", f'<p class="quiet">{escape(made_line(sheet))}</p>\n']
    count = len(sheet.parts)
    for number, part in enumerate(sheet.parts, start=1):
        title = part.title if number > 1 else "The batch"
        out.append(f"<section>\n<h2>{escape(title)}</h2>\n")
        out.append(f'<p class="quiet">Part {number} of {count}</p>\n')
        out += [_block(block) for block in part.blocks]
        out.append("</section>\n")
    out.append("</main>\n</body>\n</html>\n")
    return "".join(out).encode("utf-8")


def made_line(sheet: Sheet) -> str:
    return f"Sheet {sheet.identity}, made {sheet.made} with Ovenbook {sheet.version}."


def _block(block: Block) -> str:
    match block:
        case Heading(text):
            return f"<h3>{escape(text)}</h3>\n"
        case Paragraph(text, strong):
            return f"<p><strong>{escape(text)}</strong></p>\n" if strong else f"<p>{escape(text)}</p>\n"
        case Facts(rows):
            cells = "".join(f'<tr><th scope="row">{escape(k)}</th><td>{escape(v)}</td></tr>\n' for k, v in rows)
            return f'<table class="facts">\n{cells}</table>\n'
        case Table(columns, rows, widths):
            cols = "".join(f'<col style="width:{100 * w:.0f}%">' for w in widths)
            head = "".join(f'<th scope="col">{escape(c)}</th>' for c in columns)
            body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>\n" for row in rows)
            table = f"<colgroup>{cols}</colgroup>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody>\n"
            label = escape(", ".join(columns), quote=True)
            return f'<div class="wide" tabindex="0" role="region" aria-label="{label}"><table>\n{table}</table></div>\n'
        case Picture(png, words):
            data = base64.b64encode(png).decode("ascii")
            said = escape(words, quote=True)
            return f'<figure><img src="data:image/png;base64,{data}" alt="{said}"><figcaption>{said}</figcaption></figure>\n'
