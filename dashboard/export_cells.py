"""Tables as CSV that a spreadsheet program cannot take for anything but data."""

from __future__ import annotations

import csv

import pandas as pd

# A text cell that begins like this is taken for a formula by spreadsheet programs; the wide forms by some of them, and
# a line break or tab before the sign is skipped over.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def harmless(text: str) -> str:
    """`text` with an apostrophe before it where it could start a formula, also after spaces."""
    return "'" + text if text.lstrip(" \u00a0\u3000").startswith(FORMULA_STARTS) else text


def harmless_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """A copy whose texts, headings included, start no formula. Numbers and times stay what they are."""
    safe = frame.copy()
    safe.columns = [harmless(str(name)) for name in safe.columns]
    for position in range(safe.shape[1]):
        column = safe.iloc[:, position]
        if pd.api.types.is_string_dtype(column) or column.dtype == object:
            safe.isetitem(position, [harmless(v) if isinstance(v, str) else v for v in column])
    return safe


def csv_bytes(frame: pd.DataFrame, *, first: bool = True) -> bytes:
    """The table as UTF-8 CSV: with byte-order mark and heading when it is the `first` part of a file, else rows only.

    Every text is quoted: a lone carriage return inside an unquoted one would begin a new row, and a cell, after it.
    """
    return (
        harmless_frame(frame)
        .to_csv(index=False, header=first, quoting=csv.QUOTE_NONNUMERIC)
        .encode("utf-8-sig" if first else "utf-8")
    )
