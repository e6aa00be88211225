"""Putting a sheet together: the batch as a whole first, then each run, then what was not measured and the hashes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from dashboard import page_data
from dashboard.page_data import Book, RunDetail
from dashboard.sheet import batch, gaps, run_part
from dashboard.sheet.blocks import Facts, Heading, Paragraph, Part, Sheet, Table
from dashboard.sheet.options import LEFT_OUT, REDACTIONS, SheetOptions
from ingest.archive.errors import ArchiveError

# A run takes one to two pages; a batch of more runs is better handed over in several sheets.
MOST_RUNS = 200


def make_sheet(
    book: Book,
    runs: Sequence[int],
    options: SheetOptions | None = None,
    *,
    chosen: str = "",
    now: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Sheet:
    """The sheet about `runs`, in the order given; `chosen` says in words how they were picked.

    Raises ArchiveError: no run, too many, one that is not there.
    """
    options = options or SheetOptions()
    unknown = options.redact - set(REDACTIONS)
    if unknown:
        raise ArchiveError(f"cannot leave out {', '.join(sorted(unknown))}: there are {', '.join(REDACTIONS)}")
    if not runs:
        raise ArchiveError("no run matches, so there is no sheet to make: choose others")
    if len(runs) > MOST_RUNS:
        raise ArchiveError(f"{len(runs)} runs are too many for one sheet: choose at most {MOST_RUNS}")
    details: list[RunDetail] = []
    run_parts: list[Part] = []
    for done, run in enumerate(runs, start=1):
        detail = page_data.run_detail(book, run)
        if detail is None:
            raise ArchiveError(f"there is no run {run}")
        details.append(detail)
        run_parts.append(run_part.part(book, detail, options))
        if progress is not None:
            progress(done, len(runs))
    moment = (now or datetime.now(UTC)).astimezone(ZoneInfo(book.zone))
    order = f", order {options.order}" if options.order else ""
    first = Part(f"Batch sheet{order}", batch.blocks(book, details, options, chosen))
    last = Part("What was not measured, and where this comes from", [*gaps.blocks(details), *_origin(details, options)])
    return Sheet(
        title=f"Batch sheet{order}",
        identity=_identity(details),
        made=f"{moment.day} {moment:%B %Y, %H:%M} ({batch.zone_words(book.zone)})",
        version=_version(),
        parts=[first, *run_parts, last],
    )


def _origin(details: Sequence[RunDetail], options: SheetOptions) -> list[Any]:
    """Versions and hashes: with them the sheet can be made again, and the original logs be told from others."""
    rules = sorted({str(d.overview["rules_version"] or "not evaluated") for d in details})
    readers = sorted({str(d.log["reader_version"]) for d in details})
    blocks: list[Any] = [
        Heading("Software and files"),
        Facts(
            [
                ("Software", f"Ovenbook {_version()}"),
                ("Rules of evaluation", ", ".join(rules)),
                ("Log reader", ", ".join(readers)),
                ("Original logs", "kept unchanged; each is told by the SHA-256 of its bytes"),
            ]
        ),
        Table(
            ("Run", "Log file", "SHA-256 of the original log"),
            [(str(d.run), options.kept("files", d.log["file_name"]), str(d.log["sha256"])) for d in details],
            (0.08, 0.32, 0.60),
        ),
    ]
    if options.redact:
        said = "; ".join(words for key, words in REDACTIONS.items() if key in options.redact)
        blocks.append(Paragraph(f"On this sheet {said}. Such places read “{LEFT_OUT}”."))
    blocks.append(
        Paragraph(
            "This sheet reports measurements and what was recorded. It states no conformity beyond the limits named in it, "
            "and is no substitute for inspection."
        )
    )
    return blocks


def _identity(details: Sequence[RunDetail]) -> str:
    facts = [[d.run, d.log["sha256"], d.overview["rules_version"], d.summary["verdict"]] for d in details]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()[:12]


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("ovenbook")
    except PackageNotFoundError:
        return "run from its source folder"
