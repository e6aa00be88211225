"""Publishing: what lies in the data set is what the archive holds, read here with pyarrow and hashlib, not with our reader.

All logs are invented. Kills are real: a child process and SIGKILL.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pyarrow.parquet as pq
import pytest
from archive_bakes import ROOT, START, child, entry, evaluation, recording

from ingest import open_archive
from ingest.archive import READING_ONLY, Archive, ArchiveError, reference
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import LogEntry, store_log
from ingest.archive.quality import add_inspection
from ingest.archive.runs import load_recording, set_run_field
from ingest.archive.verify import verify
from ingest.dataset import manifest_name, place_of, read_manifests
from ingest.dataset_archive import build_archive
from ingest.publishing import publish, publisher_of

VIEWS = ("run_overview", "channel_overview", "sample", "metric_long", "finding", "defect_long", "oven_event")


def put(archive: Archive, number: int, oven: int | None, start: datetime | None) -> int:
    with archive.transaction() as con:
        fields = {"oven": RunField(oven)} if oven else {}
        (run,) = store_log(con, entry(number), [recording(number, started_at=start)], [fields])
        write_evaluation(con, run, evaluation())
    return run


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = open_archive(tmp_path_factory.mktemp("shop") / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        north = reference.add_oven(con, "Bench / north")  # a name that a path could not hold as it is
        south = reference.add_oven(con, "South")
        reference.add_window(con, "house", "house rule", "1", [("peak_c", "{}", None, 250.0, "°C")])
        reference.add_event(con, south, "fan", START)
    for number in range(1, 5):
        put(archive, number, north, START + timedelta(days=20 * number))
    put(archive, 5, south, START)
    put(archive, 6, None, None)
    with archive.transaction() as con:
        two = [recording(7), recording(8, started_at=START + timedelta(days=40))]
        store_log(con, entry(7), two, [{"oven": RunField(south)}] * 2)
        add_inspection(con, 2, "loupe", joints_looked=40, at=START, defects=[{"term": "bridging", "count": 3}])
        add_inspection(con, 3, "loupe", joints_looked=40, at=START)
    return archive.path


@pytest.fixture
def archive(made: Path, tmp_path: Path) -> Archive:
    shutil.copy(made, tmp_path / "a.duckdb")
    return open_archive(tmp_path / "a.duckdb")


def rows(place: Path, table: str) -> list[dict]:
    return [
        row for file in sorted((place / table).rglob("*.parquet")) for row in pq.ParquetFile(file).read().to_pylist()
    ]


def state(place: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(file.relative_to(place)): (file.stat().st_mtime_ns, file.read_bytes())
        for file in place.rglob("*")
        if file.is_file()
    }


def test_the_parquet_files_hold_what_came_in(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    done = publish(archive, place)
    assert done.runs == 8
    names = {f"{entry(n).sha256}-1" for n in range(1, 8)} | {f"{entry(7).sha256}-2"}
    assert {row["run"] for row in rows(place, "runs")} == names
    for number in range(1, 8):  # byte for byte
        (kept,) = [r for r in rows(place, "originals") if r["run"] == f"{entry(number).sha256}-1"]
        assert hashlib.sha256(gzip.decompress(kept["gzip"])).hexdigest() == entry(number).sha256
    first = recording(1)
    values = [r for r in rows(place, "samples") if r["run"] == f"{entry(1).sha256}-1" and r["channel_no"] == 1]
    assert [r["elapsed_ms"] / 1000 for r in values] == first.elapsed_s.tolist()
    read = np.array([np.nan if r["value"] is None else r["value"] for r in values])
    np.testing.assert_array_equal(read, first.channels[1].values)
    folders = {
        tuple(unquote(part.partition("=")[2]) for part in file.relative_to(place / "runs").parts[:2])
        for file in (place / "runs").rglob("*.parquet")
    }
    unknown = "__HIVE_DEFAULT_PARTITION__"
    assert folders == {
        *(("Bench / north", f"2026-{month}") for month in ("03", "04", "05")),
        *(("South", f"2026-{month}") for month in ("03", "04")),
        (unknown, unknown),
    }
    (defect,) = rows(place, "defects")
    assert (defect["term"], defect["count"], defect["run"]) == ("bridging", 3, f"{entry(2).sha256}-1")
    assert len(rows(place, "inspections")) == 2


def test_a_second_time_changes_no_file(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    publish(archive, place)
    before = state(place)
    with archive.transaction() as con:
        write_evaluation(con, 1, evaluation())  # judged again, to the same result
    done = publish(archive, place)
    assert (done.written, done.removed) == (0, 0)
    assert state(place) == before


def test_a_corrected_run_goes_out_again_and_the_others_stay(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    publish(archive, place)
    before = state(place)
    with archive.transaction() as con:
        set_run_field(con, 5, "operator", "Kim", "typed", "Kim")
        write_evaluation(con, 1, evaluation(rules="2"))
    publish(archive, place)
    after = state(place)
    written = {tuple(name.split("/")[:3]) for name in set(after) - set(before)}
    north, south = "oven=Bench%20%2F%20north", "oven=South"
    assert written == {
        ("runs", south, "month=2026-03"),
        ("origins", south, "month=2026-03"),
        ("evaluations", north, "month=2026-03"),
        ("metrics", north, "month=2026-03"),
        ("findings", north, "month=2026-03"),
    }
    assert {r["rules_version"] for r in rows(place, "metrics") if r["run"].startswith(entry(1).sha256)} == {"2"}
    assert [r["operator"] for r in rows(place, "runs") if r["run"].startswith(entry(5).sha256)] == ["Kim"]
    unchanged = set(before) & set(after) - {manifest_name(_publisher(archive))}
    assert {name: after[name] for name in unchanged} == {name: before[name] for name in unchanged}


def test_a_run_that_moves_to_another_oven_is_in_one_place(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    publish(archive, place)
    with archive.transaction() as con:
        set_run_field(con, 6, "oven", 2, "typed")
    publish(archive, place)
    held = [r for r in rows(place, "runs") if r["run"].startswith(entry(6).sha256)]
    assert [r["oven"] for r in held] == ["South"]
    assert len(rows(place, "originals")) == 7


def _publisher(archive: Archive) -> str:
    with archive.connect() as con:
        return publisher_of(con)


PUBLISH = """
import sys
from ingest import open_archive
from ingest.publishing import publish
archive = open_archive(sys.argv[1])
print("go", flush=True)
publish(archive, sys.argv[2])
"""


def test_killed_half_way_the_old_state_counts_and_the_next_call_completes(archive: Archive, tmp_path: Path) -> None:
    place, whole = tmp_path / "ovens", tmp_path / "whole"
    publish(archive, place)
    before = build_archive(place_of(place), tmp_path / "before.duckdb").read("FROM run_overview ORDER BY run")
    with archive.transaction() as con:
        for run in range(1, 9):
            set_run_field(con, run, "operator", "Kim", "typed", "Kim")
    kept = set(state(place))
    running = child(PUBLISH, archive.path, place)
    while not set(state(place)) - kept:
        assert running.poll() is None, running.stderr.read() if running.stderr else ""
        time.sleep(0.002)
    running.send_signal(signal.SIGKILL)
    running.wait()
    shown = build_archive(place_of(place), tmp_path / "shown.duckdb").read("FROM run_overview ORDER BY run")
    if not (shown["operator"] == "Kim").all():  # it was caught before its last file, the manifest
        assert shown.equals(before)
    publish(archive, place)
    publish(archive, whole)
    listed = {name for manifest in read_manifests(place_of(place)) for name in manifest.files()}
    assert listed == {name for manifest in read_manifests(place_of(whole)) for name in manifest.files()}
    assert all((place / name).read_bytes() == (whole / name).read_bytes() for name in listed)


def test_opened_as_an_archive_it_says_the_same_and_takes_nothing(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish(archive, tmp_path / "ovens")
    opened = build_archive(place_of(tmp_path / "ovens"), tmp_path / "opened.duckdb")
    assert verify(opened) == []
    for view in VIEWS:
        assert opened.read(f"FROM {view} ORDER BY ALL").equals(archive.read(f"FROM {view} ORDER BY ALL")), view
    with opened.connect() as con, archive.connect() as here:
        assert repr(load_recording(con, 3)) == repr(load_recording(here, 3))
    monkeypatch.setenv(READING_ONLY, "this is a published data set, open for reading only")
    with pytest.raises(ArchiveError, match=r"^this is a published data set"), open_archive(opened.path).transaction():
        pass


def test_archives_publish_side_by_side_and_a_run_of_both_counts_once(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    other = open_archive(tmp_path / "b.duckdb", zone="UTC")
    with other.transaction() as con:
        reference.add_oven(con, "South")
        reference.add_window(con, "house", "house rule", "1", [("peak_c", "{}", None, 250.0, "°C")])
    put(other, 50, 1, START)
    put(other, 2, 1, START + timedelta(days=40))  # the very log that the first archive has as run 2
    publish(archive, place)
    publish(other, place, site="Leeds")
    assert publish(other, place).written == 0  # the site is remembered
    assert publish(archive, place).written == 0
    opened = build_archive(place_of(place), tmp_path / "both.duckdb")
    assert verify(opened) == []
    runs = opened.read("SELECT sha256, part, oven FROM run_overview")
    assert len(runs) == 9
    assert set(runs.loc[runs["sha256"] == entry(50).sha256, "oven"]) == {"Leeds: South"}


def test_an_older_copy_does_not_take_runs_out_unasked(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    shutil.copy(archive.path, tmp_path / "older.duckdb")
    put(archive, 60, 1, START)
    publish(archive, place)
    older = open_archive(tmp_path / "older.duckdb")
    with pytest.raises(ArchiveError, match="1 runs by this archive that it does not have"):
        publish(older, place)
    assert publish(older, place, remove_missing=True).runs == 8


def test_damage_and_newer_formats_are_one_clear_line(archive: Archive, tmp_path: Path) -> None:
    place = tmp_path / "ovens"
    with pytest.raises(ArchiveError, match="holds no published data set: make one with"):
        read_manifests(place_of(place))
    publish(archive, place)
    file = place / manifest_name(_publisher(archive))
    text = file.read_text()
    file.write_text(text[: len(text) // 2])
    with pytest.raises(ArchiveError, match="is damaged: delete it and publish again"):
        publish(archive, place)
    file.write_text(text.replace('"format": 1', '"format": 99'))
    with pytest.raises(ArchiveError, match="newer Ovenbook"):
        read_manifests(place_of(place))
    file.write_text(text)
    next((place / "runs").rglob("*.parquet")).unlink()
    with pytest.raises(ArchiveError, match="is gone: somebody published meanwhile"):
        build_archive(place_of(place), tmp_path / "x.duckdb")
    with pytest.raises(ArchiveError, match="cannot be written"):
        publish(archive, file)  # a file stands where the folder should be


def test_to_an_object_store(archive: Archive, tmp_path: Path) -> None:
    """fsspec's in-memory store has no folders and no renames, as object stores have none."""
    if not os.environ.get("CI"):
        pytest.importorskip("fsspec", reason="the extra `fleet` is not installed: pip install 'ovenbook[fleet]'")
    url = f"memory://{tmp_path.name}/ovens"
    assert publish(archive, url).runs == 8
    assert publish(archive, url).written == 0
    with archive.transaction() as con:
        set_run_field(con, 5, "operator", "Kim", "typed", "Kim")
    again = publish(archive, url)
    assert (again.written, again.removed) == (2, 2)
    opened = build_archive(place_of(url), tmp_path / "opened.duckdb")
    assert opened.read("FROM sample ORDER BY ALL").equals(archive.read("FROM sample ORDER BY ALL"))


def test_without_fsspec_a_url_is_refused_with_the_way_out(archive: Archive) -> None:
    code = (
        "import sys; sys.modules['fsspec'] = None\n"
        "from dashboard.cli import main\n"
        "sys.argv = ['ovenbook', 'publish', 's3://bucket/ovens']\n"
        "main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env={**os.environ, "OVENBOOK_ARCHIVE": str(archive.path)},
    )
    assert done.returncode == 1
    assert done.stderr == (
        "ovenbook: s3://bucket/ovens needs fsspec, which is not installed: pip install 'ovenbook[fleet]'\n"
    )


def test_a_log_with_awkward_text_comes_back_whole(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb", zone="UTC")
    data = "Temp °C;\x00;'\"\n".encode("cp1252") * 500
    with archive.transaction() as con:
        oven = reference.add_oven(con, "Öfen = 100% 'neu'")
        store_log(con, LogEntry(data, "é'.csv"), [recording(1)], [{"oven": RunField(oven)}])
    publish(archive, tmp_path / "ovens")
    (kept,) = rows(tmp_path / "ovens", "originals")
    assert gzip.decompress(kept["gzip"]) == data
    opened = build_archive(place_of(tmp_path / "ovens"), tmp_path / "opened.duckdb")
    assert verify(opened) == []
    assert opened.read("SELECT oven FROM run_overview")["oven"].tolist() == ["Öfen = 100% 'neu'"]


def test_start_times_are_filed_under_their_month_in_utc(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")
    late = datetime(2026, 5, 31, 23, 59, 59, tzinfo=UTC)
    with archive.transaction() as con:
        store_log(con, entry(1), [recording(1, started_at=late)])
    publish(archive, tmp_path / "ovens")
    assert [m.parts[0].month for m in read_manifests(place_of(tmp_path / "ovens"))] == ["2026-05"]
