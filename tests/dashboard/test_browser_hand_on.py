"""Comparing, tracing and handing out a sheet in a real browser, as a hand would do it. All data is invented."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from browsing import SCREENS, chromium, settled
from page_archives import full_archive
from playwright.sync_api import Browser, Page
from service_process import serving


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with serving(full_archive(tmp_path_factory.mktemp("hand-on") / "archive.duckdb").path) as service:
        yield f"http://127.0.0.1:{service.port}"


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    width, height = SCREENS["narrow"]
    opened = browser.new_page(viewport={"width": width, "height": height}, accept_downloads=True)
    complaints: list[str] = []
    opened.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    opened.on("pageerror", lambda e: complaints.append(str(e)))
    yield opened
    assert complaints == []
    wide = "() => { const m = document.querySelector('[data-testid=stMain]'); return m.scrollWidth - m.clientWidth }"
    assert opened.evaluate(wide) == 0
    opened.close()


def test_two_runs_are_compared_from_the_page_of_one(page: Page, address: str) -> None:
    page.goto(f"{address}/run?run=6")
    settled(page)
    page.get_by_role("link", name="What changed since the last good run").click()
    page.get_by_text("no good run to compare run 6 with").wait_for(timeout=60_000)
    page.get_by_role("spinbutton", name="Compare it with run").fill("1")
    page.get_by_role("spinbutton", name="Compare it with run").press("Enter")
    page.get_by_text("Curves of run 1 and run 6").first.wait_for(timeout=60_000)
    settled(page)
    assert "run=6" in page.url
    assert "with=1" in page.url
    page.reload()  # the address alone brings it back
    page.get_by_text("Curves of run 1 and run 6").first.wait_for(timeout=60_000)
    settled(page)


def test_a_sheet_is_made_and_taken_away_as_html_and_pdf(page: Page, address: str, tmp_path: Path) -> None:
    page.goto(f"{address}/sheets?runs=1&order=4711")
    settled(page)
    page.get_by_role("button", name="Make the sheet").click()
    for label, start in (("Sheet as HTML", b"<!DOCTYPE html>"), ("Sheet as PDF", b"%PDF-")):
        button = page.get_by_role("button", name=label)
        button.wait_for(timeout=120_000)
        with page.expect_download(timeout=60_000) as download:
            button.click()
        target = tmp_path / download.value.suggested_filename
        download.value.save_as(target)
        assert target.read_bytes().startswith(start)
    assert "order 4711" in pypdf.PdfReader(io.BytesIO(target.read_bytes())).pages[0].extract_text()
    settled(page)


def test_the_sheet_opens_from_disk_and_prints_with_page_numbers(browser: Browser, address: str, tmp_path: Path) -> None:
    """Chromium's own printing, as a second opinion beside our PDF: every page says which one of how many it is."""
    opened = browser.new_page(accept_downloads=True)
    opened.goto(f"{address}/sheets?runs=2")
    settled(opened)
    opened.get_by_role("button", name="Make the sheet").click()
    with opened.expect_download(timeout=120_000) as download:
        opened.get_by_role("button", name="Sheet as HTML").click()
    target = tmp_path / "sheet.html"
    download.value.save_as(target)
    asked: list[str] = []
    opened.on("request", lambda r: asked.append(r.url))
    opened.goto(target.as_uri())
    assert all(url.startswith(("file:", "data:")) for url in asked)
    assert opened.locator("img").evaluate_all("all => all.every(i => i.naturalWidth > 0)")
    pages = pypdf.PdfReader(io.BytesIO(opened.pdf(prefer_css_page_size=True))).pages
    for number, one in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in one.extract_text()
    opened.close()
