"""The dashboard in a real browser (Chromium): add a log by drag and drop, read the verdict, on a wide and a narrow screen."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import SCREENS, chromium
from page_archives import bake, full_archive
from playwright.sync_api import Browser, Page
from test_service import free_port, start, wait_until_up

PAGES = {
    "latest": "fails its window",
    "add": "Drop the files",
    "held": "unclear.csv",
    "runs": "6 runs",
    "run?run=1": "Run 1 meets its window",
    "reference?list=pastes": "Windows in force",
    "about": "not a safety device",
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    path = full_archive(tmp_path_factory.mktemp("browser") / "archive.duckdb").path
    port = free_port()
    process = start(path, port)
    try:
        wait_until_up(port, process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(20)


class Watched:
    """A page that remembers what its console complained about and every address it asked."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda e: self.complaints.append(str(e)))
        page.on("request", lambda r: self.asked.append(r.url))


@pytest.fixture(params=list(SCREENS))
def watched(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Watched]:
    width, height = SCREENS[request.param]
    context = browser.new_context(viewport={"width": width, "height": height})
    yield Watched(context.new_page())
    context.close()


def overflow(page: Page) -> int:
    return page.evaluate(
        "() => { const m = document.querySelector('[data-testid=stMain]'); return m.scrollWidth - m.clientWidth }"
    )


@pytest.mark.parametrize("path", list(PAGES))
def test_every_page_opens_by_its_address_without_a_complaint(watched: Watched, address: str, path: str) -> None:
    page = watched.page
    page.goto(f"{address}/{path}")
    page.get_by_text(PAGES[path]).first.wait_for(timeout=30_000)
    page.locator("[data-testid=stStatusWidget]").wait_for(state="detached", timeout=30_000)
    assert watched.complaints == []
    assert overflow(page) == 0
    assert page.locator("[data-testid=stException]").count() == 0
    assert all(url.startswith((address, "data:", "blob:")) for url in watched.asked)


def test_charts_show_every_channels_name_within_the_screen(watched: Watched, address: str) -> None:
    page = watched.page
    page.goto(f"{address}/run?run=1")
    charts = page.locator("[data-testid=stVegaLiteChart]")
    charts.nth(2).locator("svg, canvas").first.wait_for(timeout=30_000)
    for name in ("left_c", "right_c", "setpoint_c"):
        label = charts.nth(0).get_by_text(name, exact=True).first
        label.wait_for(timeout=10_000)
        box = label.bounding_box()
        size = page.viewport_size
        assert box is not None
        assert size is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size["width"]


def test_pointing_at_the_curve_tells_values_with_units(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(f"{address}/run?run=1")
    chart = page.locator("[data-testid=stVegaLiteChart]").first
    chart.locator("svg, canvas").first.wait_for(timeout=30_000)
    page.wait_for_timeout(1000)
    box = chart.bounding_box()
    assert box is not None
    for step in range(3):  # the first move only wakes the chart
        page.mouse.move(box["x"] + box["width"] * 0.5 + step, box["y"] + box["height"] * 0.4)
        page.wait_for_timeout(200)
    tip = page.locator("#vg-tooltip-element")
    tip.wait_for(timeout=10_000)
    text = tip.inner_text()
    assert "left_c" in text
    assert "°C" in text
    assert " s" in text
    page.close()


def drop(page: Page, name: str, data: bytes) -> None:
    """Drop a file on the page's drop area, as a hand would."""
    transfer: Any = page.evaluate_handle(
        """([name, text]) => {
            const bytes = Uint8Array.from(atob(text), c => c.charCodeAt(0));
            const transfer = new DataTransfer();
            transfer.items.add(new File([bytes], name, { type: 'text/csv' }));
            return transfer;
        }""",
        [name, base64.b64encode(data).decode()],
    )
    zone = page.locator("[data-testid=stFileUploaderDropzone]")
    for event in ("dragenter", "dragover", "drop"):
        zone.dispatch_event(event, {"dataTransfer": transfer})


def test_a_log_dropped_on_the_page_is_understood_stored_and_judged(watched: Watched, address: str) -> None:
    page = watched.page
    number = 7000 + (page.viewport_size or {"width": 0})["width"]  # another start for each screen, so another log
    page.goto(f"{address}/add")
    page.locator("[data-testid=stFileUploaderDropzone]").wait_for(timeout=30_000)
    drop(page, f"dropped-{number}.csv", bake(minutes=number))
    page.get_by_text("Understood as one run").wait_for(timeout=30_000)
    page.get_by_role("button", name="Store").click()
    page.get_by_text("stored as run").wait_for(timeout=30_000)
    assert overflow(page) == 0
    page.get_by_role("link", name="Open run").first.click()
    page.wait_for_url("**/run?run=*", timeout=30_000)
    page.locator("p.ob-first").wait_for(timeout=30_000)
    run = page.url.split("run=")[1].split("&")[0]
    assert f"Run {run}" in page.locator("p.ob-first").inner_text()
    page.reload()  # the address alone brings it back
    page.locator("p.ob-first").wait_for(timeout=30_000)
    assert f"Run {run}" in page.locator("p.ob-first").inner_text()
    assert watched.complaints == []


def test_a_log_from_another_process_shows_on_the_next_load(browser: Browser, address: str, tmp_path: Path) -> None:
    import subprocess
    import sys

    page = browser.new_page()
    page.goto(f"{address}/about")
    archive = page.get_by_text("archive.duckdb").first
    archive.wait_for(timeout=30_000)
    log = tmp_path / "terminal.csv"
    log.write_bytes(bake(minutes=50_000))
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", "import", str(log), "--archive", archive.inner_text()],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    page.goto(f"{address}/latest")
    page.get_by_text("terminal.csv").first.wait_for(timeout=30_000)
    page.close()


def test_a_curve_downloads_as_picture_drawing_and_numbers(browser: Browser, address: str, tmp_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1440, "height": 900}, accept_downloads=True)
    page.goto(f"{address}/run?run=1")
    page.locator("[data-testid=stPopover] button").first.click(timeout=30_000)
    starts = {
        "Picture, PNG": b"\x89PNG",
        "Drawing, SVG": b"<svg",
        "Numbers, CSV": b'\xef\xbb\xbf"time since start (s)"',
    }
    for label, start_of_file in starts.items():
        with page.expect_download(timeout=30_000) as download:
            page.get_by_role("button", name=label).first.click()
        target = tmp_path / download.value.suggested_filename
        download.value.save_as(target)
        assert target.read_bytes().startswith(start_of_file)
    page.close()


def test_a_tap_on_a_row_opens_its_run(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(f"{address}/runs?sort=oldest+first")
    table = page.locator("[data-testid=stDataFrame] canvas").first
    table.wait_for(timeout=30_000)
    page.wait_for_timeout(1000)
    # The first row, below the head; the grid lays its scroller over the canvas, and that takes the tap.
    table.click(position={"x": 250, "y": 52}, force=True)
    page.wait_for_url("**/run?run=1", timeout=30_000)
    page.close()
