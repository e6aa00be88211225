"""`ovenbook serve --data`: a published data set in a browser, read-only."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from dashboard.commands.output import progress_bar, say


def serve_data(data: str, start: Callable[[Path], None]) -> None:
    """Build an archive from the data set in a temporary folder, and show it until stopped.

    The pages are then those of any archive. It is as the data set was at this moment, and needs about as much room as
    the data set; nothing can be entered.
    """
    from ingest.archive import READING_ONLY
    from ingest.dataset import place_of
    from ingest.dataset_archive import build_archive

    place = place_of(data)
    # Also when it is told to end, the temporary folder goes.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    with tempfile.TemporaryDirectory(prefix="ovenbook-data-") as folder:
        with progress_bar(1) as step:
            archive = build_archive(
                place,
                Path(folder) / "published.duckdb",
                progress=lambda so_far, of: step("Reading the data set", so_far, of),
            )
        runs = int(archive.read("SELECT count(*) AS n FROM run")["n"].iloc[0])
        os.environ[READING_ONLY] = (
            f"this is the published data set at {place}, open for reading only: enter and correct in the archive it came from"
        )
        say(f"{runs} runs read from {place}. Read-only: what you see is as it was published up to now.")
        start(archive.path)
