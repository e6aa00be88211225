"""A real browser for tests that need one. Without Chromium they are skipped with a line that says so, but fail under CI."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SCREENS = {"wide": (1440, 900), "narrow": (390, 844)}


def lacking(what: str) -> None:
    """Skip, saying what is missing; under CI that is a failure."""
    if os.environ.get("CI") == "true":
        pytest.fail(what)
    pytest.skip(what)


@contextmanager
def chromium() -> Iterator[Browser]:
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        lacking("this test drives Chromium: apt-get install chromium, or set CHROMIUM to its path")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=FLAGS)
        try:
            yield opened
        finally:
            opened.close()


def settled(page: Page) -> None:
    """Wait until the page has drawn itself: its heading or verdict is there, and nothing runs any more."""
    page.locator("[data-testid=stMain] h1, [data-testid=stMain] .ob-first").first.wait_for(timeout=60_000)
    page.locator("[data-testid=stStatusWidget]").wait_for(state="detached", timeout=60_000)
    page.wait_for_timeout(1_000)  # what was drawn before fades out for a moment
