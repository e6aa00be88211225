"""Archives for the tests of the pages, as fixtures: import those that a module uses."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_archives import empty_archive, full_archive

from ingest.archive import Archive, open_archive


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return full_archive(tmp_path_factory.mktemp("filled") / "archive.duckdb").path


@pytest.fixture
def full(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    """A full archive of the test's own. Copied while nothing has it open."""
    path = tmp_path / "archive.duckdb"
    shutil.copy(filled, path)
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return open_archive(path)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    path = tmp_path / "empty.duckdb"
    monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
    return empty_archive(path)


@pytest.fixture(autouse=True)
def forget_archives() -> Iterator[None]:
    yield
    from dashboard import page_data

    page_data.book._opened.cache_clear()
