"""A log becomes a recording, a recording becomes a run in the archive."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ingest.archive import open_archive

__all__ = ["open_archive"]


def __getattr__(name: str) -> Any:
    # on demand: who only reads logs needs no DuckDB
    if name == "open_archive":
        from ingest.archive import open_archive

        return open_archive
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
