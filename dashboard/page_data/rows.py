"""Rows of a data frame as plain dictionaries."""

from __future__ import annotations

from typing import Any

import pandas as pd


def records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries in which everything missing (NaN, NaT, NA) is None."""
    return [{str(k): (None if _missing(v) else v) for k, v in row.items()} for row in rows.to_dict("records")]


def record(rows: pd.DataFrame) -> dict[str, Any]:
    return records(rows.iloc[:1])[0]


def _missing(value: Any) -> bool:
    return value is None or (not isinstance(value, (list, dict, tuple)) and bool(pd.isna(value)))
