"""The day's path on the bench tablet: from the page after a bake to everything noted, counted in taps."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import chromium, settled
from page_archives import bake, full_archive
from playwright.sync_api import Browser, Page
from service_process import serving

from analysis.store import evaluate_and_write
from ingest.archive import Archive, open_archive
from ingest.importing import ImportOptions, import_bytes

MOST_TAPS = 6

A_LOOK_MS = 1_200  # nobody taps within a second of the page drawing itself anew


class Hand:
    """Taps on the page, counted."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps = page, 0

    def choose(self, name: str) -> None:
        """Tap one of the choices that lie open, once the page is at rest."""
        settled(self.page)
        self.page.wait_for_timeout(A_LOOK_MS)
        self.page.locator("[data-testid=stButtonGroup]").get_by_text(name, exact=True).first.click()
        self.taps += 1

    def press(self, name: str) -> None:
        settled(self.page)
        self.page.wait_for_timeout(A_LOOK_MS)
        self.page.get_by_role("button", name=name, exact=True).first.click()
        self.taps += 1


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """After five runs of one board a log comes in by itself; the last run before it used another board and jar."""
    archive = full_archive(tmp_path / "archive.duckdb")
    from ingest.archive.reference import add_jar

    with archive.transaction() as con:
        paste = con.execute("SELECT paste_id FROM jar WHERE label = 'jar 14'").fetchone()
        assert paste is not None
        add_jar(con, "jar 15", int(paste[0]), lot="L-2240")
    options = ImportOptions(source="page", oven="Invented oven", jar="jar 15", board="Lantern A", kind="product")
    import_bytes(archive, bake(minutes=900), "other.csv", options, after_store=evaluate_and_write)
    import_bytes(
        archive,
        bake(minutes=1000),
        "new.csv",
        ImportOptions(source="watch", oven="Invented oven"),
        after_store=evaluate_and_write,
    )
    return archive


def test_the_usual_run_is_noted_in_six_taps(browser: Browser, archive: Archive) -> None:
    with serving(archive.path) as service:
        page = browser.new_page(viewport={"width": 820, "height": 1180})  # a tablet, upright
        page.goto(f"http://127.0.0.1:{service.port}/")
        settled(page)
        assert "Run 8" in page.locator("p.ob-first").inner_text()
        # What was carried over from the run before is shown as such, not as known.
        page.get_by_text("Board (carried over)").first.wait_for(timeout=60_000)
        hand = Hand(page)
        hand.choose("Heron, revision C")
        page.get_by_text("Board is now Heron").wait_for(timeout=60_000)
        hand.choose("jar 14")
        page.get_by_text("Paste jar is now jar 14").wait_for(timeout=60_000)
        hand.choose("180°")
        page.get_by_text("Turned on the rack by: 180°").wait_for(timeout=60_000)
        hand.choose("reference run")
        page.get_by_text("Kind of run: reference run").wait_for(timeout=60_000)
        hand.press("Looked, none found")
        page.get_by_text("looked with naked eye, none found").wait_for(timeout=60_000)
        assert hand.taps <= MOST_TAPS
        page.close()
    copied = open_archive(shutil.copy(archive.path, archive.path.with_name("after.duckdb")))
    row = copied.read("SELECT board, jar, orientation, kind FROM run_overview WHERE run = 8").iloc[0]
    assert tuple(row) == ("Heron", "jar 14", "180", "reference")
    origins = copied.read("SELECT field, origin FROM run_origin WHERE run_id = 8").set_index("field")["origin"]
    assert {origins[f] for f in ("board", "jar", "orientation", "kind")} == {"typed"}
    assert len(copied.read("SELECT * FROM defect_long WHERE run = 8 AND defect IS NULL")) == 1


def test_when_nothing_changed_since_the_last_run_one_tap_is_enough(browser: Browser, archive: Archive) -> None:
    with serving(archive.path) as service:
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"http://127.0.0.1:{service.port}/")
        settled(page)
        hand = Hand(page)
        hand.press("Looked, none found")
        page.get_by_text("looked with naked eye, none found").wait_for(timeout=60_000)
        assert hand.taps == 1
        page.close()
    copied = open_archive(shutil.copy(archive.path, archive.path.with_name("after.duckdb")))
    row = copied.read("SELECT board, jar FROM run_overview WHERE run = 8").iloc[0]
    assert tuple(row) == ("Lantern", "jar 15")  # carried over, and it stands as that
    origins = copied.read("SELECT field, origin FROM run_origin WHERE run_id = 8").set_index("field")["origin"]
    assert (origins["board"], origins["jar"]) == ("carried over", "carried over")
