"""The pipeline from bytes to runs, on a real archive and real files. Truth: the logs are written here, piecewise exact."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import threading
import time
import zipfile
from pathlib import Path

import pytest
from import_bakes import LEADED, bake

from ingest.archive import Archive, open_archive
from ingest.archive.logs import original_bytes
from ingest.importing import ImportOptions, OptionsError, import_bytes, import_paths
from ingest.spool import spool_folder


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "book.duckdb", zone="UTC")


def count(archive: Archive, table: str) -> int:
    return int(archive.read(f"SELECT count(*) AS n FROM {table}")["n"][0])


def test_json_item_is_the_documented_one(archive: Archive) -> None:
    data = bake()
    item = import_bytes(archive, data, "bake.csv")[0].to_json()
    assert list(item) == ["file", "sha256", "status", "reason", "questions", "warnings", "runs"]
    assert json.loads(json.dumps(item)) == item
    assert (item["file"], item["status"], item["reason"]) == ("bake.csv", "stored", None)
    assert item["sha256"] == hashlib.sha256(data).hexdigest()
    run = item["runs"][0]
    assert list(run) == ["run", "started_at", "zone", "duration_s", "verdict", "channels"]
    assert (run["run"], run["started_at"], run["duration_s"]) == (1, "2025-03-03T09:00:00+00:00", 420.0)
    assert [list(c) for c in run["channels"]] == [
        ["name", "role", "unit_original", "samples", "peak_c", "peak_at_s"]
    ] * 3
    by_name = {c["name"]: c for c in run["channels"]}
    roles = {c["role"] for c in run["channels"]}
    assert roles == {"temperature", "setpoint"}
    hottest = max((c for c in by_name.values() if c["role"] == "temperature"), key=lambda c: c["peak_c"])
    # Worked by hand: the board follows 2 s late and 3 °C low, so 242 °C is held from 232 s on.
    assert hottest["peak_c"] == pytest.approx(242.0, abs=0.01)
    assert hottest["peak_at_s"] == pytest.approx(233.0, abs=1.0)
    assert hottest["samples"] == 421
    assert next(c for c in by_name.values() if c["role"] == "setpoint")["peak_c"] is None


def test_the_bytes_come_back_unchanged(archive: Archive) -> None:
    data = bake().replace(b"\n", b"\r\n")
    result = import_bytes(archive, data, "bake.csv")[0]
    with archive.connect() as con:
        assert original_bytes(con, result.log or 0) == data


def test_the_same_bytes_twice_are_a_duplicate_with_the_run_number(archive: Archive) -> None:
    first = import_bytes(archive, bake(), "bake.csv")[0]
    again = import_bytes(archive, bake(), "copy of bake.csv")[0]
    assert again.status == "duplicate"
    assert again.reason == "already stored as run 1"
    assert again.runs == first.runs
    assert count(archive, "log") == count(archive, "run") == 1


def test_a_folder_again_stores_nothing_and_says_so_without_reading(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "logs"
    (folder / "deep").mkdir(parents=True)
    for i in range(45):
        (folder / f"run{i}.csv").write_bytes(bake(f"2025-03-{1 + i // 8:02d}T{8 + i % 8:02d}:00:00", variant=i))
    (folder / "deep" / "last.csv").write_bytes(bake("2025-04-01T08:00:00"))
    (folder / ".hidden").write_bytes(b"not looked at")
    seen: list[str] = []
    first = list(import_paths(archive, [folder], progress=lambda r: seen.append(r.file)))
    assert {r.status for r in first} == {"stored"}
    assert [r.file for r in first] == seen
    assert [Path(r.file).name for r in first][:4] == ["last.csv", "run0.csv", "run1.csv", "run2.csv"]
    before = archive.change_counter()
    assert count(archive, "run") == 46

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a known log was read again")

    for reads in ("ingest.taking.understand", "ingest.readers.prepare"):
        monkeypatch.setattr(reads, refuse)
    again = list(import_paths(archive, [folder]))
    assert {r.status for r in again} == {"duplicate"}
    assert [r.runs for r in again] == [r.runs for r in first]
    assert archive.change_counter() == before
    names = set(archive.read("SELECT file_name FROM log")["file_name"])
    assert {"deep/last.csv", "run0.csv"} <= names


def test_globs_missing_files_and_files_named_twice(archive: Archive, tmp_path: Path) -> None:
    for name in ("b1.csv", "b2.csv", "c.csv"):
        (tmp_path / name).write_bytes(bake(variant=hash(name) % 50))
    results = list(import_paths(archive, [str(tmp_path / "b*.csv"), tmp_path / "b1.csv", tmp_path / "gone.csv"]))
    assert [(Path(r.file).name, r.status) for r in results] == [
        ("b1.csv", "stored"),
        ("b2.csv", "stored"),
        ("gone.csv", "rejected"),
    ]
    assert results[2].reason == "there is no such file"
    assert count(archive, "log") == 2


BAD_INPUT = {
    "empty": b"",
    "blank lines": b"\n\n  \n",
    "header only": b"time_s,T1_C,T2_C\n",
    "one row": b"time_s,T1_C,T2_C\n0,21.5,21.4\n",
    "binary": bytes(range(256)) * 64,
    "picture": b"\x89PNG\r\n\x1a\n" + bytes(2000),
    "no temperature": b"time_s,door,fan\n" + b"".join(b"%d,open,on\n" % i for i in range(120)),
    "bank statement": (
        b"Date,Description,Debit,Credit,Balance\n"
        b"2025-03-01,RENT INVENTED HOUSE,850.00,,1210.40\n2025-03-02,GROCER,31.20,,1179.20\n"
        b"2025-03-03,PAY,,2100.00,3279.20\n2025-03-05,POWER,64.10,,3215.10\n2025-03-09,BOOKS,18.00,,3197.10\n"
    ),
}


@pytest.mark.parametrize("what", BAD_INPUT)
def test_bad_input_is_rejected_in_one_line_and_leaves_only_the_record(
    archive: Archive, tmp_path: Path, what: str
) -> None:
    file = tmp_path / "bad.csv"
    file.write_bytes(BAD_INPUT[what])
    stamp = file.stat().st_mtime_ns
    result = next(iter(import_paths(archive, [file])))
    assert result.status == "rejected"
    assert result.reason
    assert "\n" not in result.reason
    assert result.runs == ()
    assert (file.read_bytes(), file.stat().st_mtime_ns) == (BAD_INPUT[what], stamp)
    assert count(archive, "log") == 1
    assert [count(archive, t) for t in ("log_bytes", "run", "samples", "layout")] == [0, 0, 0, 0]
    row = archive.read("SELECT status, reason FROM log").iloc[0]
    assert (row["status"], row["reason"]) == ("rejected", result.reason)
    again = next(iter(import_paths(archive, [file])))
    assert again.status == "rejected"
    assert count(archive, "log") == 1


def test_a_table_without_a_time_column_is_not_stored_on_a_guess(archive: Archive) -> None:
    data = b"left_C,right_C\n" + b"".join(b"%.1f,%.1f\n" % (20 + i / 2, 19 + i / 2) for i in range(300))
    result = import_bytes(archive, data, "no time.csv")[0]
    assert result.status in ("held", "rejected")
    assert result.questions or result.reason
    assert count(archive, "run") == 0


def test_a_zip_is_several_logs_with_names_of_their_own(archive: Archive, tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("a.csv", bake(variant=1))
        z.writestr("sub/b.csv", bake("2025-03-04T09:00:00", variant=2))
        z.writestr("readme.txt", "nothing to see")
        z.writestr("__MACOSX/._a.csv", b"\x00")
    file = tmp_path / "season.zip"
    file.write_bytes(packed.getvalue())
    results = list(import_paths(archive, [file]))
    assert [(r.file, r.status) for r in results] == [
        (f"{file}!a.csv", "stored"),
        (f"{file}!sub/b.csv", "stored"),
        (f"{file}!readme.txt", "rejected"),
    ]
    assert results[0].sha256 == hashlib.sha256(bake(variant=1)).hexdigest()
    # The same log outside of the zip is the same log.
    assert import_bytes(archive, bake(variant=1), "a.csv")[0].status == "duplicate"
    assert {r.status for r in import_paths(archive, [file])} == {"duplicate", "rejected"}


def test_a_gzip_is_one_log_and_keeps_its_own_bytes(archive: Archive) -> None:
    packed = gzip.compress(bake())
    result = import_bytes(archive, packed, "bake.csv.gz")[0]
    assert (result.status, len(result.runs)) == ("stored", 1)
    with archive.connect() as con:
        assert original_bytes(con, result.log or 0) == packed


@pytest.mark.parametrize("cut", [30, 200, 2000])
def test_a_damaged_zip_is_rejected(archive: Archive, cut: int) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as z:
        z.writestr("a.csv", bake())
    result = import_bytes(archive, packed.getvalue()[:cut], "cut.zip")[0]
    assert result.status == "rejected"
    assert "zip" in (result.reason or "")


def test_dry_run_says_everything_and_stores_nothing(archive: Archive, tmp_path: Path) -> None:
    for i, data in enumerate((bake(), b"", bake(None), BAD_INPUT["bank statement"])):
        (tmp_path / f"{i}.csv").write_bytes(data)
    before = archive.change_counter()
    results = list(import_paths(archive, [tmp_path / f"{i}.csv" for i in range(4)], ImportOptions(dry_run=True)))
    assert [r.status for r in results] == ["stored", "rejected", "stored", "rejected"]
    assert results[0].reason == "dry run: nothing was stored"
    assert results[0].runs[0].run is None
    assert results[0].runs[0].duration_s == 420.0
    assert results[0].reading is not None
    assert archive.change_counter() == before
    assert [count(archive, t) for t in ("log", "run", "layout", "profile")] == [0, 0, 0, 0]


def test_unknown_names_are_an_error_that_lists_the_known(archive: Archive) -> None:
    from ingest.archive.reference import add_oven, add_paste

    with archive.transaction() as con:
        add_oven(con, "Bench oven")
        add_oven(con, "Floor oven")
        add_paste(con, "Alder SAC305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
    with pytest.raises(OptionsError, match="no oven named 'Roof'; known: Bench oven, Floor oven"):
        import_bytes(archive, bake(), "x.csv", ImportOptions(oven="Roof"))
    with pytest.raises(OptionsError, match="no board named 'Heron'; none is known yet: ovenbook board add"):
        import_bytes(archive, bake(), "x.csv", ImportOptions(board="Heron"))
    with pytest.raises(OptionsError, match="kind 'demo' is not one of product, reference"):
        import_bytes(archive, bake(), "x.csv", ImportOptions(kind="demo"))
    with pytest.raises(OptionsError, match="orientation '45' is not one of 0, 90"):
        import_bytes(archive, bake(), "x.csv", ImportOptions(orientation="45"))
    with pytest.raises(OptionsError, match="the start 'noon' is not a time"):
        import_bytes(archive, bake(), "x.csv", ImportOptions(started_at="noon"))
    assert count(archive, "log") == 0
    assert import_bytes(archive, bake(), "x.csv", ImportOptions(oven="bench OVEN"))[0].status == "stored"


def test_ctrl_c_leaves_whole_logs_and_the_same_call_takes_the_rest(archive: Archive, tmp_path: Path) -> None:
    for i in range(12):
        (tmp_path / f"run{i}.csv").write_bytes(bake(variant=i))
    stored: list[int] = []

    def stop_in_the_eighth(_con: object, run_id: int, _recording: object) -> None:
        if len(stored) == 7:
            raise KeyboardInterrupt
        stored.append(run_id)

    with pytest.raises(KeyboardInterrupt):
        list(import_paths(archive, [str(tmp_path / "run*.csv")], after_store=stop_in_the_eighth))
    assert count(archive, "log") == count(archive, "run") == 7
    whole = archive.read("SELECT count(*) AS n FROM samples GROUP BY run_id")["n"]
    assert set(whole) == {421 * 3}
    rest = list(import_paths(archive, [str(tmp_path / "run*.csv")]))
    assert [r.status for r in rest] == ["duplicate"] * 7 + ["stored"] * 5


def test_the_evaluation_lands_with_its_log_or_not_at_all(archive: Archive) -> None:
    class Evaluation:
        verdict = "meets"

    def evaluate(*_: object) -> Evaluation:
        return Evaluation()

    assert import_bytes(archive, bake(), "a.csv", after_store=evaluate)[0].runs[0].verdict == "meets"

    def fail(*_: object) -> None:
        raise RuntimeError("rules broke")

    with pytest.raises(RuntimeError, match="rules broke"):
        import_bytes(archive, bake(variant=1), "b.csv", after_store=fail)
    assert count(archive, "log") == 1


def test_a_busy_archive_spools_the_log_and_the_next_import_stores_it(archive: Archive) -> None:
    import subprocess
    import sys

    hold = "import duckdb,sys,time; c=duckdb.connect(sys.argv[1]); print('held',flush=True); time.sleep(60)"
    other = subprocess.Popen([sys.executable, "-c", hold, str(archive.path)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "held"
        result = import_bytes(archive, bake(), "bake.csv", ImportOptions(note="from the bench"), wait_s=0.3)[0]
    finally:
        other.kill()
        other.wait()
    assert result.status == "held"
    assert "kept beside the archive" in (result.reason or "")
    waiting = spool_folder(archive.path)
    assert len(list(waiting.iterdir())) == 2
    assert import_bytes(archive, bake(variant=1), "next.csv")[0].status == "stored"
    assert not waiting.exists()
    runs = archive.read("SELECT run, note, log_file FROM run_overview ORDER BY run")
    assert list(runs["log_file"]) == ["bake.csv", "next.csv"]
    assert runs["note"][0] == "from the bench"


def test_an_error_in_the_reader_stops_no_other_log(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import ingest.understanding

    for i in range(3):
        (tmp_path / f"{i}.csv").write_bytes(bake(variant=i))
    read = ingest.understanding.read_log

    def fail_on_one(data: bytes, name: str, **options: object) -> object:
        if name == "1.csv":
            raise ZeroDivisionError("planted")
        return read(data, name, **options)  # type: ignore[arg-type]

    monkeypatch.setattr("ingest.understanding.read_log", fail_on_one)
    results = list(import_paths(archive, [str(tmp_path / "*.csv")]))
    assert [r.status for r in results] == ["stored", "rejected", "stored"]
    assert "an error in reading it, not in the log (ZeroDivisionError" in (results[1].reason or "")
    monkeypatch.undo()
    assert [r.status for r in import_paths(archive, [tmp_path / "1.csv"])] == ["stored"]


def test_two_threads_importing_at_once_store_each_log_once(archive: Archive) -> None:
    logs = [bake(variant=i) for i in range(8)]
    failed: list[BaseException] = []

    def take(order: list[int]) -> None:
        try:
            for i in order:
                import_bytes(archive, logs[i], f"{i}.csv")
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=take, args=(order,)) for order in ([*range(8)], [*reversed(range(8))])]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert count(archive, "log") == count(archive, "run") == 8


def test_a_start_given_is_typed_and_text_is_read_in_the_archives_zone(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "book.duckdb", zone="Europe/Berlin")
    given = ImportOptions(started_at="2025-07-01T09:30")
    import_bytes(archive, bake(None), "a.csv", given)
    row = archive.read("SELECT started_at, zone FROM run_overview").iloc[0]
    assert str(row["started_at"]) == "2025-07-01 07:30:00"  # Central European Summer Time is UTC+2
    assert row["zone"] == "Europe/Berlin"
    origin = archive.read("SELECT origin FROM run_origin WHERE field = 'started_at'")["origin"]
    assert list(origin) == ["typed"]


def test_one_start_is_of_one_log(archive: Archive, tmp_path: Path) -> None:
    for i in range(2):
        (tmp_path / f"{i}.csv").write_bytes(bake(None, variant=i))
    with pytest.raises(OptionsError, match="a start is of one log, and 2 were given: use --metadata"):
        list(import_paths(archive, [str(tmp_path / "?.csv")], ImportOptions(started_at="2025-03-01T08:00")))
    assert count(archive, "log") == 0


def test_profiles_are_told_apart_by_set_points(archive: Archive) -> None:
    ids = [
        import_bytes(archive, data, f"{i}.csv")[0].runs[0].run
        for i, data in enumerate(
            (bake(), bake("2025-03-04T09:00:00", interval_s=0.5), bake("2025-03-05T09:00:00", profile=LEADED))
        )
    ]
    hashes = list(archive.read("SELECT setpoint_hash FROM run ORDER BY run_id")["setpoint_hash"])
    assert ids == [1, 2, 3]
    assert hashes[0] == hashes[1] != hashes[2]
    assert count(archive, "profile") == 2


def test_the_archives_own_file_is_never_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing any descriptor of it drops the process's lock (POSIX), and others could then overwrite what we commit."""
    archive = open_archive(tmp_path / "book.db", zone="UTC")
    (tmp_path / "link.csv").symlink_to(tmp_path / "book.db")
    opened: list[str] = []
    read = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda self: opened.append(self.name) or read(self))
    results = list(import_paths(archive, [tmp_path]))
    assert {r.status for r in results} == {"rejected"}
    assert all("the archive itself" in (r.reason or "") for r in results)
    assert opened == []


def test_waiting_for_the_archive_is_bounded(archive: Archive) -> None:
    """Not a timing test: only that the wait asked for is not the default of 10 s."""
    began = time.monotonic()
    with archive.transaction():
        result: list[str] = []
        other = threading.Thread(
            target=lambda: result.append(import_bytes(archive, bake(), "a.csv", wait_s=0.2)[0].status)
        )
        other.start()
        other.join()
    assert result == ["held"]
    assert time.monotonic() - began < 9
