"""Pages opened headless, and what stands on them."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

import dashboard

MAIN = Path(dashboard.__file__).parent / "main.py"
PAGES = tuple(sorted(p.stem for p in (MAIN.parent / "pages").glob("[a-z]*.py")))


def opened(page: str, *, may_end_early: bool = False, **parameters: str) -> AppTest:
    at = AppTest.from_file(str(MAIN), default_timeout=60)
    at.run()
    for name, value in parameters.items():
        at.query_params[name] = value
    at.switch_page(f"pages/{page}.py").run()
    assert may_end_early or not ended_early(at), f"{page} {parameters} ended early; see the log"
    return at


def ended_early(at: AppTest) -> bool:
    """True where the page met something that nobody foresaw and said so."""
    return any("This page ends here" in error.value for error in at.error)


def said(at: AppTest) -> str:
    """Every word on the page."""
    kinds = ("title", "header", "subheader", "markdown", "caption", "info", "warning", "error", "success")
    text = [element.value for kind in kinds for element in getattr(at, kind)]
    text += [element.proto.body for element in at.get("html")]
    return "\n".join(text)


def charts(at: AppTest) -> int:
    return len(at.get("vega_lite_chart"))


def button(at: AppTest, label: str):
    return next(b for b in at.button if b.label == label)


def field(elements, label: str):
    return next(e for e in elements if e.label.startswith(label))
