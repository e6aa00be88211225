"""What leaves the archive: every row, no formula, the original bytes, and nothing half-written. Logs are invented."""

from __future__ import annotations

import csv
import hashlib
import io
import shutil
from datetime import date
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet
import pytest
from archive_helpers import Shop
from page_archives import bake, full_archive

from dashboard.export import VIEWS, export, export_log
from dashboard.export_cells import csv_bytes
from dashboard.export_selection import Selection, selected_runs
from ingest.archive import Archive, ArchiveError, open_archive


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return full_archive(tmp_path_factory.mktemp("filled") / "archive.duckdb").path


@pytest.fixture
def archive(filled: Path, tmp_path: Path) -> Archive:
    path = tmp_path / "archive.duckdb"
    shutil.copy(filled, path)
    return open_archive(path)


# The ways of the "CSV injection" page of OWASP: = + - @ tab, carriage return and line feed, and their wide forms.
DANGEROUS = ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1", " =1"]


def test_no_cell_of_a_csv_can_start_a_formula() -> None:
    frame = pd.DataFrame({"=head": DANGEROUS, "number": [-1.5] * len(DANGEROUS)})
    rows = list(csv.reader(io.StringIO(csv_bytes(frame).decode("utf-8-sig"), newline="")))
    assert rows[0][0] == "'=head"
    assert [row[0] for row in rows[1:]] == ["'" + text for text in DANGEROUS]
    assert {row[1] for row in rows[1:]} == {"-1.5"}  # a number stays a number


def test_a_csv_holds_the_view_and_gives_names_from_logs_no_power(archive: Archive, tmp_path: Path) -> None:
    from ingest.importing import ImportOptions, import_bytes

    options = ImportOptions(source="page", oven="Invented oven", note="=HYPERLINK(1)")
    assert import_bytes(archive, bake(minutes=900), "=cmd.csv", options)[0].status == "stored"
    done = export(archive, "runs", tmp_path / "runs.csv")
    assert done.rows == {"runs": 7}
    rows = list(csv.DictReader((tmp_path / "runs.csv").open(encoding="utf-8-sig", newline="")))
    assert list(rows[0]) == list(archive.read("SELECT * FROM run_overview LIMIT 0").columns)
    assert rows[6]["log_file"] == "'=cmd.csv"
    assert rows[6]["note"] == "'=HYPERLINK(1)"
    assert [row["run"] for row in rows] == [str(n) for n in range(1, 8)]


@pytest.mark.parametrize("what", list(VIEWS))
def test_parquet_and_duckdb_hold_exactly_what_the_view_holds(archive: Archive, tmp_path: Path, what: str) -> None:
    view = VIEWS[what][0]
    expected = archive.read(f"SELECT * FROM {view} ORDER BY ALL")
    export(archive, what, tmp_path / "out.parquet")
    pyarrow.parquet.read_table(tmp_path / "out.parquet")  # readable without DuckDB
    export(archive, what, tmp_path / "out.duckdb")
    with duckdb.connect() as con:
        path = str(tmp_path / "out.parquet")
        assert con.execute("SELECT * FROM read_parquet(?) ORDER BY ALL", [path]).df().equals(expected)
    with duckdb.connect(str(tmp_path / "out.duckdb"), read_only=True) as con:
        assert con.execute(f"SELECT * FROM {view} ORDER BY ALL").df().equals(expected)


def test_one_file_answers_the_same_query_as_the_archive(archive: Archive, tmp_path: Path) -> None:
    query = "SELECT run, channel, max(value) AS peak FROM sample GROUP BY ALL ORDER BY ALL"
    done = export(archive, "all", tmp_path / "all.duckdb", Selection(runs=(2, 4)))
    assert done.rows["runs"] == 2
    with duckdb.connect(str(tmp_path / "all.duckdb"), read_only=True) as con:
        mine = con.execute(query).df()
    theirs = archive.read(query)
    assert mine.equals(theirs[theirs["run"].isin([2, 4])].reset_index(drop=True))


def test_an_empty_choice_still_has_its_columns(archive: Archive, tmp_path: Path) -> None:
    assert export(archive, "metrics", tmp_path / "none.csv", Selection(board="nothing")).rows == {"metrics": 0}
    assert (tmp_path / "none.csv").read_text("utf-8-sig").startswith('"run","channel","metric","parameters","value"')


def test_the_original_log_comes_out_byte_for_byte(archive: Archive, tmp_path: Path) -> None:
    row = archive.read("SELECT log_id, sha256 FROM log WHERE file_name = 'bake-2.csv'").iloc[0]
    assert export_log(archive, int(row["log_id"]), tmp_path / "original.csv") == len(bake(minutes=120, peak_c=239.0))
    data = (tmp_path / "original.csv").read_bytes()
    assert data == bake(minutes=120, peak_c=239.0)
    assert hashlib.sha256(data).hexdigest() == row["sha256"]


def test_the_archive_is_never_written_over_and_nothing_half_done_is_left(archive: Archive, tmp_path: Path) -> None:
    (tmp_path / "there.csv").write_text("mine")
    (tmp_path / "link.duckdb").symlink_to(archive.path)
    for target, line in (
        (archive.path, "is the archive itself"),
        (tmp_path / "link.duckdb", "is the archive itself"),
        (tmp_path / "there.csv", "is there already"),
        (tmp_path / "nowhere" / "x.csv", "is not there: make it first"),
        (tmp_path / "x.pdf", "names no format"),
    ):
        with pytest.raises(ArchiveError, match=line):
            export(archive, "runs", target, replace=target == archive.path)
    with pytest.raises(ArchiveError, match=r"\.duckdb"):
        export(archive, "all", tmp_path / "x.csv")
    assert (tmp_path / "there.csv").read_text() == "mine"
    assert not list(tmp_path.glob(".*unfinished"))
    assert archive.read("SELECT count(*) AS n FROM run")["n"].iloc[0] == 6


def test_days_are_calendar_days_of_the_archives_zone(archive: Archive) -> None:
    from ingest.importing import ImportOptions, import_bytes

    assert archive.zone == "Europe/Berlin"
    late = import_bytes(archive, bake(minutes=14 * 60 + 30), "late.csv", ImportOptions(source="page"))[0]
    assert late.status == "stored"  # started 23:30 UTC on 4 March, half past midnight on the 5th in Berlin (UTC+1)
    assert selected_runs(archive, Selection(first_day=date(2025, 3, 5))) == [7]
    assert selected_runs(archive, Selection(last_day=date(2025, 3, 4))) == [1, 2, 3, 4, 5, 6]


def test_the_command_writes_files_and_refuses_in_one_line(archive: Archive, tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    assert shop.archive == archive.path
    done = shop.quick("export", "samples", "--to", str(tmp_path / "s.parquet"), "--runs", "2-3")
    assert done.status == 0
    assert "runs 2-3" in done.out
    assert shop("export", "log", "2", "--to", "-").out.encode() == bake(minutes=60, peak_c=242.0)
    refused = shop("export", "runs", "--to", str(tmp_path / "x.csv"), "--board", "Nope")
    assert (refused.status, refused.err.count("\n")) == (1, 1)
    assert "Recorded: Heron" in refused.err
    assert shop("export", "runs", "--to", str(tmp_path / "x.csv"), "--from", "March").status == 2
