"""What is typed for one sheet, and what is left out of it on purpose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

# What can be left out, and how the sheet says so.
REDACTIONS: Mapping[str, str] = {
    "people": "people are shown by their initials",
    "serials": "serials are left out, their number is kept",
    "notes": "notes and reasons of corrections are left out",
    "files": "names of log files are left out, their SHA-256 is kept",
}
LEFT_OUT = "left out on purpose"
NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class SheetOptions:
    """Texts typed for this sheet (None: not recorded), and `redact`, keys of REDACTIONS."""

    order: str | None = None
    supplier: str | None = None
    customer: str | None = None
    stencil: str | None = None
    finish: str | None = None
    decision: str | None = None
    released_by: str | None = None
    redact: frozenset[str] = field(default_factory=frozenset[str])

    def person(self, name: Any) -> str:
        """A name, or its initials, or that it is not recorded."""
        if not name:
            return NOT_RECORDED
        if "people" not in self.redact:
            return str(name)
        words = [word for word in str(name).replace(".", " ").replace("-", " ").split() if word]
        return ". ".join(word[0].upper() for word in words) + "."

    def kept(self, what: str, text: Any) -> str:
        """`text` unless `what` is left out."""
        if not text:
            return NOT_RECORDED
        return LEFT_OUT if what in self.redact else str(text)
