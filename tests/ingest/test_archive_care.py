"""Backup, restore, rebuild: copies are whole, and the original bytes give everything back."""

from __future__ import annotations

import random
import shutil
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from archive_bakes import START, child, entry, evaluation, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, Connection, reference
from ingest.archive.care import _copy_in_use, backup, rebuild, restore
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import original_bytes, store_log
from ingest.archive.migrate import Migration, migrations, schema_version
from ingest.archive.quality import add_inspection
from ingest.archive.runs import set_run_field
from ingest.archive.verify import verify
from ingest.recording import Question, Reading, Recording

WRITER = """
import sys
from archive_bakes import entry, recording
from ingest import open_archive
from ingest.archive.logs import store_log
archive = open_archive(sys.argv[1])
print("ready", flush=True)
number = 1000
while True:
    with archive.transaction(wait_s=60) as con:
        store_log(con, entry(number), [recording(number)])
    print(number, flush=True)
    number += 1
"""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = open_archive(tmp_path_factory.mktemp("sound") / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        oven = reference.add_oven(con, "Bench")
        reference.add_window(con, "house", "house rule", "1", [("peak_c", "{}", None, 250.0, "°C")])
        for number in range(1, 6):
            (run,) = store_log(con, entry(number), [recording(number)], [{"oven": RunField(oven)}])
            write_evaluation(con, run, evaluation())
        add_inspection(con, 2, "loupe", joints_looked=40, defects=[{"term": "bridging", "count": 3}])
        set_run_field(con, 2, "operator", "Kim", "typed", "Kim")
    return archive.path


@pytest.fixture
def archive(sound: Path, tmp_path: Path) -> Archive:
    """Five logs of one run each, evaluated; one inspected, with a typed value."""
    shutil.copy(sound, tmp_path / "a.duckdb")
    return open_archive(tmp_path / "a.duckdb")


def everything(archive: Archive, but: tuple[str, ...] = ()) -> dict[str, list[Any]]:
    """Every table's rows."""
    with archive.connect() as con:
        tables = [row[0] for row in con.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall()]
        return {t: con.execute(f"FROM {t} ORDER BY ALL").fetchall() for t in tables if t not in but}


def test_a_backup_restored_is_the_same_archive_and_goes_on_numbering(archive: Archive, tmp_path: Path) -> None:
    copied = backup(archive, tmp_path / "copy.duckdb")
    assert (copied.logs, copied.runs) == (5, 5)
    assert "checked" in str(copied)
    with archive.transaction() as con:
        store_log(con, entry(77), [recording(77)])
    restore(tmp_path / "copy.duckdb", tmp_path / "restored.duckdb")
    restored = open_archive(tmp_path / "restored.duckdb")
    assert everything(restored) == everything(Archive(tmp_path / "copy.duckdb"))
    assert restored.read("SELECT count(*) AS n FROM run")["n"].item() == 5
    with restored.transaction() as con:
        assert store_log(con, entry(6), [recording(6)]) == [6]
        for number in range(1, 6):
            assert original_bytes(con, number) == entry(number).data
    assert verify(restored) == []
    assert not list(tmp_path.glob("*.part*"))


def test_a_backup_taken_while_another_process_writes_is_whole(archive: Archive, tmp_path: Path) -> None:
    writer = child(WRITER, archive.path)
    assert writer.stdout is not None
    try:
        assert writer.stdout.readline().strip() == "ready"
        acknowledged_before = {int(writer.stdout.readline()) for _ in range(3)}
        backup(archive, tmp_path / "copy.duckdb")
        after = int(writer.stdout.readline())  # it goes on
    finally:
        writer.kill()
        writer.communicate()
    assert after > max(acknowledged_before)
    copy = Archive(tmp_path / "copy.duckdb")
    names = set(copy.read("SELECT file_name FROM log")["file_name"])
    assert {f"bake_{number}.csv" for number in (*range(1, 6), *acknowledged_before)} <= names
    assert verify(copy) == []
    assert verify(archive) == []


def test_a_backup_taken_while_threads_of_this_process_read_and_write_is_whole(archive: Archive, tmp_path: Path) -> None:
    stop = threading.Event()
    errors: list[BaseException] = []

    def work(first: int) -> None:
        number = first
        while not stop.is_set():
            try:
                with archive.transaction(wait_s=60) as con:
                    store_log(con, entry(number), [recording(number)])
                archive.read("SELECT count(*) FROM sample")
            except BaseException as error:
                errors.append(error)
            number += 1

    threads = [threading.Thread(target=work, args=(first,)) for first in (1000, 2000)]
    for thread in threads:
        thread.start()
    try:
        for copy in range(3):
            backup(archive, tmp_path / f"copy{copy}.duckdb")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert errors == []
    counts = [Archive(tmp_path / f"copy{i}.duckdb").read("SELECT count(*) AS n FROM run")["n"].item() for i in range(3)]
    assert counts == sorted(counts)
    assert verify(archive) == []


def test_copying_does_not_let_another_process_in(archive: Archive, tmp_path: Path) -> None:
    """The trap: closing any descriptor of the file in this process would drop its lock, and commits would be lost."""
    intruder = """
import sys
from pathlib import Path
from ingest.archive import Archive
with Archive(Path(sys.argv[1])).connect(0.2):
    print("in")
"""
    with archive.exclusive() as con:
        _copy_in_use(con, archive.path, tmp_path / "copy.duckdb")
        said, err = child(intruder, archive.path).communicate(timeout=60)
        assert said == ""
        assert "ArchiveBusy" in err
    said, err = child(intruder, archive.path).communicate(timeout=60)
    assert said.strip() == "in", err


def test_copies_never_overwrite(archive: Archive, tmp_path: Path) -> None:
    (tmp_path / "there.duckdb").write_text("mine")
    with pytest.raises(ArchiveError, match="exists already"):
        backup(archive, tmp_path / "there.duckdb")
    with pytest.raises(ArchiveError, match="exists already"):
        restore(archive.path, tmp_path / "there.duckdb")
    assert (tmp_path / "there.duckdb").read_text() == "mine"
    with pytest.raises(ArchiveError, match="exists already"):
        backup(archive, archive.path)
    (tmp_path / "left.duckdb.wal").write_text("of another archive")
    with pytest.raises(ArchiveError, match=r"left\.duckdb\.wal exists already"):
        restore(archive.path, tmp_path / "left.duckdb")
    with pytest.raises(ArchiveError, match="is not there"):
        backup(archive, tmp_path / "absent" / "copy.duckdb")


def test_a_copy_that_is_not_sound_is_kept_under_another_name(archive: Archive, tmp_path: Path) -> None:
    with archive.connect() as con:
        con.execute("DELETE FROM sample_values WHERE run_id = 4 AND channel_no = 0")
    with pytest.raises(ArchiveError, match=r"kept as copy\.unsound\.duckdb") as caught:
        backup(archive, tmp_path / "copy.duckdb")
    assert "run 4" in str(caught.value)
    assert [path.name for path in tmp_path.glob("copy*")] == ["copy.unsound.duckdb"]
    assert everything(Archive(tmp_path / "copy.unsound.duckdb")) == everything(archive)


def test_restore_refuses_what_is_no_copy_of_an_archive(tmp_path: Path) -> None:
    (tmp_path / "text.duckdb").write_text("hello\n" * 1000)
    with pytest.raises(ArchiveError, match="not an Ovenbook archive"):
        restore(tmp_path / "text.duckdb", tmp_path / "new.duckdb")
    with pytest.raises(ArchiveError, match="there is no file"):
        restore(tmp_path / "absent.duckdb", tmp_path / "new.duckdb")
    open_archive(tmp_path / "newer.duckdb", known=[*migrations(), Migration(len(migrations()) + 1, "more", "SELECT 1")])
    with pytest.raises(ArchiveError, match="newer Ovenbook"):
        restore(tmp_path / "newer.duckdb", tmp_path / "new.duckdb")
    assert not list(tmp_path.glob("new.duckdb*"))


def test_a_backup_killed_at_any_moment_leaves_the_archive_and_no_half_copy(archive: Archive, tmp_path: Path) -> None:
    code = """
import sys
from ingest import open_archive
from ingest.archive.care import backup
archive = open_archive(sys.argv[1])
print("ready", flush=True)
backup(archive, sys.argv[2])
"""
    chance = random.Random(5)
    before = everything(archive)
    for trial in range(6):
        goal = tmp_path / f"copy{trial}.duckdb"
        process = child(code, archive.path, goal)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        time.sleep(chance.random() * 0.4)
        process.kill()
        process.communicate()
        assert everything(archive) == before
        if goal.exists():
            assert verify(Archive(goal)) == []
        else:
            backup(archive, goal)  # what was left of the attempt is in nobody's way
            assert everything(Archive(goal)) == before


# Rebuild --------------------------------------------------------------------------------------------------------------


def reader(data: bytes, _name: str = "", **_: Any) -> list[Reading]:
    """Reads the invented logs: their number is in the second line."""
    number = int(data.split(b"\r\n")[1])
    return [Reading("read", recordings=(recording(number),))]


def judge(con: Connection, run_id: int, bake: Recording) -> None:
    assert len(bake.channels) == 3
    write_evaluation(con, run_id, evaluation())


NOT_DERIVED = ("archive_state", "change")


def with_plain_times(rows: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """When an evaluation was made is not part of its result: without that column."""
    return rows | {"evaluation": [row[:2] + row[3:] for row in rows["evaluation"]]}


def test_rebuilding_gives_identical_results(archive: Archive) -> None:
    before = with_plain_times(everything(archive, NOT_DERIVED))
    outcome = rebuild(archive, reader, judge, reader_version="1")
    assert (outcome.logs, outcome.runs, outcome.changed, outcome.kept) == (5, 5, [], {})
    assert with_plain_times(everything(archive, NOT_DERIVED)) == before


@pytest.mark.parametrize(
    "damage",
    [
        "DELETE FROM sample_values WHERE run_id = 3",
        "DELETE FROM sample_times WHERE run_id = 3",
        "UPDATE sample_values SET number = number[5:] WHERE run_id = 3 AND channel_no = 1",
        "UPDATE sample_values SET per_unit = per_unit * 2 WHERE run_id = 3 AND channel_no = 0",
        "UPDATE channel SET unit_original = '°F' WHERE run_id = 3",
        "UPDATE channel SET faults = '[]' WHERE run_id = 3",
    ],
)
def test_rebuilding_repairs_what_comes_from_the_original_bytes(archive: Archive, damage: str) -> None:
    before = with_plain_times(everything(archive, NOT_DERIVED))
    with archive.connect() as con:
        con.execute(damage)
    outcome = rebuild(archive, reader, judge, reader_version="1")
    assert outcome.changed == [3]
    assert with_plain_times(everything(archive, NOT_DERIVED)) == before
    assert verify(archive) == []


def test_everything_derived_comes_back_from_nothing(archive: Archive) -> None:
    before = with_plain_times(everything(archive, NOT_DERIVED))
    with archive.connect() as con:
        for table in ("evaluation", "metric", "limit_result", "finding_row", "sample_values"):
            con.execute(f"DELETE FROM {table}")
    rebuild(archive, reader, judge, reader_version="1")
    assert with_plain_times(everything(archive, NOT_DERIVED)) == before


def test_rebuilding_the_sample_logs_with_the_shipped_reader_and_rules_gives_identical_results(tmp_path: Path) -> None:
    import sample_logs
    from analysis.store import evaluate_and_write
    from ingest.importing import import_paths
    from ingest.reading import read_log

    archive = open_archive(tmp_path / "a.duckdb", zone="Europe/Berlin")
    results = list(import_paths(archive, sample_logs.files(), after_store=evaluate_and_write))
    stored = sum(result.status == "stored" for result in results)
    assert stored >= 10
    before = with_plain_times(everything(archive, NOT_DERIVED))
    outcome = rebuild(archive, read_log, evaluate_and_write)
    assert (outcome.logs, outcome.changed, outcome.kept) == (stored, [], {})
    assert with_plain_times(everything(archive, NOT_DERIVED)) == before
    assert verify(archive) == []


def test_a_log_that_can_no_longer_be_read_keeps_its_runs(archive: Archive) -> None:
    def stricter(data: bytes, name: str = "", **more: Any) -> list[Reading]:
        if name == "bake_2.csv":
            return [Reading("held", questions=(Question("unit", "°C or °F?"),))]
        if name == "bake_4.csv":
            return [Reading("rejected", "no time column")]
        return reader(data, name, **more)

    before = everything(archive, NOT_DERIVED)["sample_values"]
    outcome = rebuild(archive, stricter, judge, reader_version="2")
    assert outcome.kept == {2: "questions are open: unit", 4: "no time column"}
    assert outcome.logs == 3
    assert "2 logs kept as they were" in str(outcome)
    assert everything(archive, NOT_DERIVED)["sample_values"] == before
    assert archive.read("SELECT verdict FROM run_overview WHERE run = 2")["verdict"].item() == "meets"


def test_damaged_bytes_are_said_and_the_runs_stay(archive: Archive) -> None:
    with archive.connect() as con:
        con.execute("DELETE FROM log_bytes WHERE log_id = 5 AND piece = 1")
    outcome = rebuild(archive, reader, judge, reader_version="1")
    assert list(outcome.kept) == [5]
    assert "damaged" in outcome.kept[5]
    assert archive.read("SELECT count(*) AS n FROM samples WHERE run_id = 5")["n"].item() == 360


def test_rebuilding_with_a_better_reader_says_what_changed_and_keeps_what_was_typed(archive: Archive) -> None:
    def better(data: bytes, name: str = "", **more: Any) -> list[Reading]:
        if name == "bake_2.csv":
            return [Reading("read", recordings=(recording(2, rows=100), recording(22, rows=20, started_at=START)))]
        return reader(data, name, **more)

    outcome = rebuild(archive, better, judge, reader_version="2", who="Kim")
    assert outcome.changed == [2, 6]
    runs = archive.read(
        "SELECT run, part, oven, operator, duration_s FROM run_overview WHERE log_file = 'bake_2.csv' ORDER BY run"
    )
    assert runs.astype(object).where(runs.notna(), None).values.tolist() == [
        [2, 1, "Bench", "Kim", 49.5],
        [6, 2, "Bench", "Kim", 9.5],
    ]
    assert archive.read("SELECT count FROM defect_long WHERE run = 2")["count"].item() == 3
    assert set(archive.read("SELECT reader_version FROM log")["reader_version"]) == {"2"}
    assert verify(archive) == []


def test_a_rebuild_killed_at_any_moment_loses_nothing(archive: Archive) -> None:
    code = """
import sys
from ingest import open_archive
from ingest.archive.care import rebuild
from test_archive_care import judge, reader
archive = open_archive(sys.argv[1])
print("ready", flush=True)
while True:
    with archive.connect() as con:
        con.execute("UPDATE sample_values SET per_unit = per_unit * 2")
    rebuild(archive, reader, judge, reader_version="1")
"""
    chance = random.Random(6)
    before = with_plain_times(everything(archive, NOT_DERIVED))
    for _ in range(6):
        process = child(code, archive.path)
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        time.sleep(chance.random() * 0.6)
        process.kill()
        process.communicate()
        rebuild(archive, reader, judge, reader_version="1")
        assert with_plain_times(everything(archive, NOT_DERIVED)) == before
    assert verify(archive) == []


def test_a_copy_of_the_first_schema_is_brought_up_to_date_on_the_way_back(tmp_path: Path) -> None:
    old = tmp_path / "first.duckdb"
    open_archive(old, zone="UTC", known=migrations()[:1])
    restore(old, tmp_path / "today.duckdb")
    assert verify(open_archive(tmp_path / "today.duckdb")) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["first.duckdb", "today.duckdb"]
    with Archive(old).connect() as con:
        assert schema_version(con) == 1  # the copy stays as it is
