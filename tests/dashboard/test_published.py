"""`serve --data`: the pages over a published data set show what the archive shows, and say that nothing can be entered."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_archives import full_archive
from page_reading import opened, said
from streamlit.testing.v1 import AppTest

from dashboard import page_data
from dashboard.commands.output import Refusal
from dashboard.commands.published import serve_data
from dashboard.panels import inspect_data
from ingest.archive import READING_ONLY, ArchiveError
from ingest.publishing import publish

READ = ("latest", "runs", "run", "held", "compare", "inspect", "defects", "reference_data", "about")


def words(at: AppTest) -> str:
    return said(at).replace("\\", "")  # Markdown's escapes


def test_pages_over_a_data_set_say_that_it_is_read_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    archive = full_archive(tmp_path / "archive.duckdb")
    runs = archive.read("SELECT run FROM run_overview ORDER BY run")["run"].tolist()
    publish(archive, tmp_path / "ovens")
    seen: list[Path] = []
    monkeypatch.setenv(READING_ONLY, "")  # so that what serve_data sets is put back
    monkeypatch.delenv(READING_ONLY)

    def look(path: Path) -> None:
        seen.append(path)
        monkeypatch.setenv("OVENBOOK_ARCHIVE", str(path))
        for page in READ:
            at = opened(page)
            assert not at.exception, (page, at.exception)
            assert f"This is the published data set at {tmp_path / 'ovens'}, open for reading only" in words(at), page
        at = opened("run", run=str(runs[-1]))
        next(button for button in at.button if button.label == "Looked, none found").click()
        at.run()
        assert not at.exception
        assert "enter and correct in the archive it came from" in at.error[0].value
        book = page_data.current(str(path))
        assert book.archive.read("SELECT run FROM run_overview ORDER BY run")["run"].tolist() == runs
        with pytest.raises(ArchiveError, match="open for reading only: enter and correct in the archive it came from"):
            inspect_data.store(book, runs[0], inspect_data.scope_for(book, runs[0]), (), "Kim")

    serve_data(str(tmp_path / "ovens"), look)
    assert seen
    assert not seen[0].exists()


def test_watching_a_folder_and_showing_a_data_set_do_not_go_together(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from dashboard import cli

    said = CliRunner().invoke(cli.app, ["serve", "--data", str(tmp_path), "--watch", str(tmp_path)])
    assert isinstance(said.exception, Refusal) or said.exit_code == 2
    assert "read-only" in (said.stderr or str(said.exception))
