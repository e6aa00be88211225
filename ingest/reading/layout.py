"""The layout of a log: its fingerprint, the decisions taken, and remembered answers.

The fingerprint hashes what two logs of one controller share and two controllers seldom do: kind of table, delimiter,
decimal mark, names and unit texts of the columns, form of the clock, and, where there are no names, how many decimals
each column has. Values never enter it. A remembered layout is used only on equal fingerprints, and only its answers; the
checks against what a run can be are made again, so that a changed controller is asked about anew.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ingest.reading.table import Table
from ingest.recording import LayoutFound


def fingerprint(table: Table, clock_form: str) -> str:
    parts = [table.kind, table.delimiter, table.decimal, clock_form]
    for column in table.columns:
        kind = "number" if column.numbers is not None else "text"
        if table.named:
            parts.append(f"{column.name.strip().casefold()}|{column.unit.strip().casefold()}|{kind}")
        else:
            parts.append(f"{kind}|{_decimals(column.cells, table.decimal)}")
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:32]


def _decimals(cells: Sequence[str], decimal: str) -> int:
    return max((len(c.strip().partition(decimal)[2]) for c in cells[:200]), default=0)


def remembered_answers(fingerprint_: str, layouts: Sequence[LayoutFound]) -> dict[str, str]:
    for layout in layouts:
        if layout.fingerprint == fingerprint_:
            answers = layout.decisions.get("answers", {})
            return {str(k): str(v) for k, v in answers.items()} if isinstance(answers, Mapping) else {}
    return {}


class Answers(dict[str, str]):
    """Answers by question id. `given`: ids answered for this very log; the rest is remembered from the layout and holds
    only while the values allow it."""

    def __init__(self, remembered: Mapping[str, str], given: Mapping[str, str]):
        super().__init__({**remembered, **given})
        self.given = frozenset(given)


def plain(value: Any) -> Any:
    """Values that can be stored as JSON."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return value.item()
    return value
