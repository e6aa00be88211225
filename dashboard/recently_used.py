"""What was on the rack lately, so that it can be chosen by one tap."""

from __future__ import annotations

from dashboard.page_data import Book, kept

SHOWN = 4  # more buttons than this wrap into a second row on a phone, and are read rather than tapped
_COLUMNS = {"board": "board_id", "jar": "jar_id", "paste": "paste_id", "oven": "oven_id"}


@kept
def recently_used(book: Book, field: str) -> tuple[int, ...]:
    """Row numbers of the boards, jars, pastes or ovens of the latest runs, the last used first, at most SHOWN + 1."""
    column = _COLUMNS[field]
    rows = book.archive.read(
        f"SELECT {column} AS id FROM run WHERE {column} IS NOT NULL GROUP BY {column} "
        "ORDER BY max(started_at) DESC NULLS LAST, max(run_id) DESC LIMIT ?",
        (SHOWN + 1,),
    )
    return tuple(int(number) for number in rows["id"])
