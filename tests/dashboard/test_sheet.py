"""The batch sheet: what domain practice asks for is on it, nothing is fetched, nothing is claimed. All data is invented.

The fields are those asked for by customers and auditors of soldering as a special process (ISO 9001, 8.5.1 f; IPC-1782 for
traceability levels); the list is common practice, no single source.
"""

from __future__ import annotations

import io
import re
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from archive_helpers import Shop
from page_archives import full_archive
from page_fixtures import empty  # noqa: F401  (fixture)
from page_reading import button, opened, said

from dashboard import page_data
from dashboard.sheet import Sheet, SheetOptions, as_html, as_pdf, make_sheet
from ingest.archive import ArchiveError, open_archive
from ingest.archive.runs import set_run_field

NOW = datetime(2025, 3, 10, 12, 0, tzinfo=UTC)
OPTIONS = SheetOptions(order="4711", supplier="Invented shop", customer="Invented customer", released_by="Ada Example")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = full_archive(tmp_path_factory.mktemp("filled") / "archive.duckdb")
    with archive.transaction() as con:
        set_run_field(con, 1, "serials", "0401-0412", "typed", None, None)
        set_run_field(con, 1, "operator", "Ada Example", "typed", "Ada Example", "said so")
        set_run_field(con, 1, "note", "order 4711 <script>alert(1)</script>", "typed", None, None)
    return archive.path


@pytest.fixture(scope="module")
def book(filled: Path) -> page_data.Book:
    return page_data.current(str(filled))


@pytest.fixture(scope="module")
def sheet(book: page_data.Book) -> Sheet:
    """Run 1, inspected and with serials, and run 4, which was cut off."""
    return make_sheet(book, [1, 4], OPTIONS, chosen="runs 1, 4", now=NOW)


@pytest.fixture
def on_page(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(filled))


class Seen(HTMLParser):
    """Text and addresses of an HTML page, by the standard library's parser."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.alternatives: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        named = dict(attrs)
        self.addresses += [str(named[key]) for key in ("src", "href") if named.get(key)]
        if tag == "img":
            self.alternatives.append(named.get("alt") or "")

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def seen(html: bytes) -> Seen:
    parser = Seen()
    parser.feed(html.decode("utf-8"))
    return parser


def pdf_text(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def plain(text: str) -> str:
    return re.sub(r"\s+", "", text)


def test_the_sheet_holds_what_an_auditor_asks_for_in_html_and_pdf(book: page_data.Book, sheet: Sheet) -> None:
    html, pdf = seen(as_html(sheet)), as_pdf(sheet)
    for text in ("".join(html.text), pdf_text(pdf)):
        words = plain(text)
        for part in (
            "Order 4711",
            "Invented customer",
            "Heron, revision C",
            "0401-0412",
            "Invented oven",
            "Invented SAC paste",
            "L-2231",
            "1 Mar 2025",  # the jar opened
            "invented sheet, revision B",  # limits with source and revision
            "235 to 250 °C",
            "1 tombstone at C14",
            "Not inspected: 4 (1 of 2 runs)",
            "no reference run is recorded",
            "Released by Ada Example",
            "not measured",
            "SHA-256",
            "stopped early",
            "10 March 2025, 13:00 (Europe/Berlin)",  # 12:00 UTC, one hour ahead in winter
            sheet.identity,
        ):
            assert plain(part) in words, part
        for sha in book.archive.read("SELECT sha256 FROM run_overview WHERE run IN (1, 4)")["sha256"]:
            assert plain(sha) in words
    assert len(html.alternatives) == 2
    assert all("temperature channels over" in words for words in html.alternatives)


def test_it_opens_offline_without_script_and_shows_names_as_text(sheet: Sheet) -> None:
    html = as_html(sheet)
    page = seen(html)
    assert all(address.startswith("data:image/png;base64,") for address in page.addresses)
    assert "script" not in page.tags
    assert "order 4711 <script>alert(1)</script>" in "".join(page.text)
    assert b"http://" not in html
    assert b"https://" not in html
    assert b"@import" not in html


def test_every_page_of_the_pdf_bears_its_number_of_all(sheet: Sheet) -> None:
    pages = pypdf.PdfReader(io.BytesIO(as_pdf(sheet))).pages
    assert len(pages) >= 4  # the batch, a run each, the end
    for number, page in enumerate(pages, start=1):
        assert plain(f"page {number} of {len(pages)}") in plain(page.extract_text())


def test_it_claims_nothing(sheet: Sheet) -> None:
    text = ("".join(seen(as_html(sheet)).text) + pdf_text(as_pdf(sheet))).lower()
    assert not re.search(r"certif|complian|guarant|zero defects|conforms", text)


def test_what_is_left_out_is_left_out_everywhere_and_said(book: page_data.Book) -> None:
    options = SheetOptions(redact=frozenset({"people", "serials", "notes", "files"}))
    sheet = make_sheet(book, [1], options, now=NOW)
    for text in (as_html(sheet).decode(), pdf_text(as_pdf(sheet))):
        for secret in ("Ada Example", "0401-0412", "order 4711", "bake-0.csv"):
            assert plain(secret) not in plain(text), secret
        assert "A. E." in text
        assert plain("left out on purpose") in plain(text)
        assert plain("12 serials") in plain(text)


def test_a_second_making_is_the_same_sheet_and_another_choice_is_not(book: page_data.Book, sheet: Sheet) -> None:
    again = make_sheet(book, [1, 4], OPTIONS, chosen="runs 1, 4", now=NOW)
    assert as_html(again) == as_html(sheet)
    assert make_sheet(book, [4], OPTIONS, now=NOW).identity != sheet.identity


def test_a_character_the_pdf_cannot_draw_is_named_not_dropped(book: page_data.Book) -> None:
    sheet = make_sheet(book, [2], SheetOptions(order="水"), now=NOW)
    assert "[U+6C34]" in pdf_text(as_pdf(sheet))
    assert "水" in "".join(seen(as_html(sheet)).text)


@pytest.mark.parametrize(
    ("runs", "options", "line"),
    [
        ([], SheetOptions(), "no run matches"),
        ([99], SheetOptions(), "there is no run 99"),
        ([1] * 201, SheetOptions(), "at most 200"),
        ([1], SheetOptions(redact=frozenset({"all"})), "cannot leave out all"),
    ],
)
def test_what_cannot_be_made_is_refused_in_one_line(
    book: page_data.Book, runs: list[int], options: SheetOptions, line: str
) -> None:
    with pytest.raises(ArchiveError, match=line):
        make_sheet(book, runs, options)


def test_a_run_of_which_nothing_is_known_makes_a_sheet_full_of_gaps(tmp_path: Path) -> None:
    from ingest.importing import ImportOptions, import_bytes

    archive = open_archive(tmp_path / "bare.duckdb", zone="UTC")
    bare = b"seconds,temp_c\n" + b"".join(b"%d,%.1f\n" % (s, 25 + min(s, 700 - s) * 0.6) for s in range(0, 700, 2))
    assert import_bytes(archive, bare, "bare.csv", ImportOptions(source="page"))[0].status == "stored"
    sheet = make_sheet(page_data.current(str(archive.path)), [1], now=NOW)
    text = "".join(seen(as_html(sheet)).text)
    assert "No limit was judged" in text
    assert "Dates" in text
    assert as_pdf(sheet).startswith(b"%PDF-")


def test_the_command_writes_both_forms(filled: Path, tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    shutil.copy(filled, shop.archive)
    html, pdf = tmp_path / "s.html", tmp_path / "s.pdf"
    done = shop("sheet", "2", "--order", "4711", "--to", html, "--to", pdf)
    assert done.status == 0, done.err
    assert html.read_bytes().startswith(b"<!DOCTYPE html>")
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert shop.quick("sheet", "1", "--to", str(tmp_path / "s.doc")).status == 2
    assert "is there already" in shop.quick("sheet", "1", "--to", str(html)).err


@pytest.mark.usefixtures("on_page")
def test_the_page_makes_a_sheet_of_what_its_address_says() -> None:
    at = opened("sheets", runs="1-2", order="4711")
    assert "2 runs: 1-2." in said(at)
    button(at, "Make the sheet").click().run()
    assert not at.exception
    assert any("is ready" in e.value for e in at.success)


@pytest.mark.usefixtures("on_page")
@pytest.mark.parametrize(
    ("parameters", "line"),
    [
        ({}, "Choose runs above"),
        ({"runs": "900"}, "No run 900"),
        ({"runs": "x"}, "not a run number"),
        ({"words": "nowhere"}, "No run matches"),
    ],
)
def test_the_page_says_what_to_choose(parameters: dict[str, str], line: str) -> None:
    at = opened("sheets", **parameters)
    assert not at.exception
    assert any(line in e.value for e in [*at.info, *at.error])


def test_an_empty_archive_says_what_comes_next(empty: object) -> None:  # noqa: F811
    assert empty
    assert "No run is in this archive yet" in said(opened("sheets"))
