"""Comparisons as the Compare page reads them: kept until the archive changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.page_data import Book, kept

if TYPE_CHECKING:
    from analysis.compare import Choice
    from analysis.store.comparing import Comparison


@kept
def last_good(book: Book, run: int) -> Choice:
    """The last good comparable run before `run`, or why there is none."""
    from analysis.store.comparing import last_good_before

    with book.one_opening():
        return last_good_before(book.archive, run)


@kept
def comparison(book: Book, first: int, second: int) -> Comparison:
    """What changed from `first` to `second`. Raises ArchiveError when a run is not there."""
    from analysis.store.comparing import compare_runs

    return compare_runs(book.archive, first, second, with_shape=True)
