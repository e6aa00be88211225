"""No serious finding of axe-core (the accessibility rules of Deque, WCAG 2.x levels A and AA) on any page.

axe-core is an npm package: it is installed into a temporary folder. Without npm or Chromium the test is skipped.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import SCREENS, chromium, lacking, settled
from page_archives import empty_archive, full_archive
from playwright.sync_api import Browser, Page
from service_process import serving

AXE = "axe-core@4"
# The list of pages is drawn by Streamlit, which puts groups between the list and its items (axe: list, listitem). Its
# links carry their names; nothing in it is ours.
NAVIGATION = "[data-testid=stSidebarNavItems]"
PAGES = (
    *("latest", "add", "held", "inspect?run=1", "runs", "run?run=1", "compare?run=6&with=1", "trace?by=jar&jar=jar+14"),
    *("ovens", "drift", "reference-runs", "defects", "sheets?runs=1-2", "reference", "access", "about"),
)


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The text of axe.min.js."""
    npm = shutil.which("npm")
    if not npm:
        lacking("this test needs npm, which fetches axe-core: apt-get install npm")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [str(npm), "install", "--no-audit", "--no-fund", "--prefix", str(folder), AXE],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        lacking(f"axe-core could not be installed: {done.stderr.strip()[-200:]}")
    return script.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    folder = tmp_path_factory.mktemp("accessible")
    full = full_archive(folder / "full.duckdb").path
    empty = empty_archive(folder / "empty.duckdb").path
    with serving(full) as one, serving(empty) as other:
        yield {"full": f"http://127.0.0.1:{one.port}", "empty": f"http://127.0.0.1:{other.port}"}


def serious(page: Page, address: str, axe: str) -> list[str]:
    """The findings on one address, on a page of the browser that serves many: its files are fetched once."""
    page.goto(address)
    settled(page)
    page.evaluate(axe)
    found: list[dict[str, Any]] = page.evaluate(
        "async (left) => (await axe.run({exclude: [[left]]}, {resultTypes: ['violations']})).violations", NAVIGATION
    )
    return [
        f"{address.rsplit('/', 1)[1]}: {one['id']} ({one['impact']}): {one['help']}; {node['target']}: {node['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


@pytest.mark.parametrize("screen", list(SCREENS))
def test_no_page_has_a_serious_finding(browser: Browser, addresses: dict[str, str], axe: str, screen: str) -> None:
    wide, high = SCREENS[screen]
    page = browser.new_page(viewport={"width": wide, "height": high})
    wrong = [line for name in PAGES for line in serious(page, f"{addresses['full']}/{name}", axe)]
    page.close()
    assert not wrong, "\n".join(wrong)


def test_no_page_of_an_empty_archive_has_a_serious_finding(
    browser: Browser, addresses: dict[str, str], axe: str
) -> None:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    names = dict.fromkeys(name.split("?")[0] for name in PAGES)
    wrong = [line for name in names for line in serious(page, f"{addresses['empty']}/{name}", axe)]
    page.close()
    assert not wrong, "\n".join(wrong)


def test_the_rules_do_find_what_is_wrong(browser: Browser, axe: str, tmp_path: Path) -> None:
    """A picture without a text alternative and grey on grey (WCAG 1.1.1 and 1.4.3): both must be named."""
    bad = tmp_path / "bad.html"
    bad.write_text(
        "<!DOCTYPE html><html lang='en'><title>x</title><h1 class='ob-first'>x</h1>"
        "<img src='data:image/png;base64,AA'><p style='color:#bbb;background:#ccc'>hardly seen</p></html>"
    )
    page = browser.new_page()
    page.goto(bad.as_uri())
    page.evaluate(axe)
    found = page.evaluate("async () => (await axe.run()).violations.map(v => v.id)")
    page.close()
    assert {"image-alt", "color-contrast"} <= set(found)
