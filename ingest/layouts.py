"""Layouts: how one controller's logs are laid out, remembered from an answer so that the next log needs no question.

A layout is found again by the fingerprint of its logs (header words, delimiter, decimal mark, units, column count): one
that merely looks alike has another fingerprint and is asked about anew. Correcting a layout reads all its logs again
from the original bytes; what people typed, inspections and run numbers stay.
"""

from __future__ import annotations

from ingest.answering import correct_layout
from ingest.archive import Archive, layouts
from ingest.archive.reference import correct
from ingest.layout_memory import Layout, all_layouts, find_layout

__all__ = ["Layout", "correct_layout", "find_layout", "forget_layout", "list_layouts", "rename_layout"]


def list_layouts(archive: Archive) -> list[Layout]:
    """The layouts in use, in the order they were learned."""
    with archive.connect() as con:
        return all_layouts(con)


def rename_layout(archive: Archive, layout: str | int, name: str, who: str | None = None) -> None:
    """Call a layout by another name. ArchiveError when that name is taken."""
    with archive.transaction() as con:
        correct(con, "layout", find_layout(con, layout).layout_id, "name", name, who, "renamed")


def forget_layout(archive: Archive, layout: str | int) -> Layout:
    """Stop applying a layout: the next log of the kind is asked about again. Stored runs stay as they are."""
    with archive.transaction() as con:
        one = find_layout(con, layout)
        layouts.forget_layout(con, one.layout_id)
    return one
