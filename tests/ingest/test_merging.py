"""Another archive taken over: nothing lost, nothing doubled, nothing overwritten. All logs and people are invented."""

from __future__ import annotations

import hashlib
import shutil
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from archive_bakes import START, child, entry, evaluation, old_archive, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, reference
from ingest.archive.corrections import correct
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import hold_log, original_bytes, store_log
from ingest.archive.quality import add_inspection, withdraw_inspection
from ingest.archive.runs import load_recording, run_fields, set_run_field
from ingest.archive.trials import ask_question
from ingest.archive.verify import verify
from ingest.merging import merge_archive

LIMITS = [("peak_c", "{}", None, 250.0, "°C")]


def shop(path: Path, logs: range, oven: str = "Bench") -> Archive:
    """An oven, a paste with a jar, a house window, and logs of one run each; the run of log n was looked at."""
    archive = open_archive(path, zone="UTC")
    with archive.transaction() as con:
        oven_id = reference.add_oven(con, oven)
        paste = reference.add_paste(con, "P305", alloy="SAC305", family="PbFree", solidus_c=217, liquidus_c=217)
        jar = reference.add_jar(con, f"jar of {oven}", paste)
        window = reference.add_window(con, "house", "house rule", "1", LIMITS)
        for n in logs:
            fields = {"oven": RunField(oven_id), "jar": RunField(jar)}
            (run,) = store_log(con, entry(n), [recording(n, started_at=START + timedelta(days=n))], [fields])
            write_evaluation(con, run, evaluation(window))
            add_inspection(con, run, "loupe", joints_looked=9, at=START, defects=[{"term": "bridging", "count": n}])
        reference.add_event(con, oven_id, "fan", START)
        ask_question(con, "bridging", "peak_c")
    return archive


def run_of(archive: Archive, number: int) -> int:
    frame = archive.read("SELECT run FROM run_overview WHERE sha256 = ?", [entry(number).sha256])
    return int(frame["run"].item())


def count(archive: Archive, table: str) -> int:
    return int(archive.read(f"SELECT count(*) AS n FROM {table}")["n"].item())


def by_name(archive: Archive, view: str) -> list[tuple]:
    """A view's rows under the hash of their log instead of the run's number."""
    frame = archive.read(
        f"SELECT r.sha256, r.part, v.* EXCLUDE (run) FROM {view} v JOIN run_overview r USING (run)"
        if view != "run_overview"
        else "SELECT * EXCLUDE (run) FROM run_overview"
    )
    return sorted(map(repr, frame.itertuples(index=False, name=None)))


def test_two_workshops_become_one_shop(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 4)), shop(tmp_path / "b.duckdb", range(3, 6), "Other bench")
    before = hashlib.sha256(there.path.read_bytes()).hexdigest()
    done = merge_archive(here, there.path, who="Kim")
    assert hashlib.sha256(there.path.read_bytes()).hexdigest() == before
    # log 3 is known: its run stays on "Bench", where somebody put it, and the other's word is shown
    assert {(c.what, c.field, c.here, c.there) for c in done.conflicts} == {
        (f"run {run_of(here, 3)}", "oven", "Bench", "Other bench"),
        (f"run {run_of(here, 3)}", "jar", "jar of Bench", "jar of Other bench"),
    }
    assert (done.known_runs, done.added["run"], done.added["log"]) == (1, 2, 2)
    assert done.added["inspection"] == 2, "the look at log 3 says the same in both"
    assert verify(here) == []
    overview = here.read("SELECT oven, count(*) AS n FROM run_overview GROUP BY oven ORDER BY oven")
    assert dict(zip(overview["oven"], overview["n"], strict=True)) == {"Bench": 3, "Other bench": 2}
    with here.connect() as con, there.connect() as other:
        for n in (4, 5):
            log_id = con.execute("SELECT log_id FROM log WHERE sha256 = ?", [entry(n).sha256]).fetchone()
            assert original_bytes(con, log_id[0]) == entry(n).data
            assert repr(load_recording(con, run_of(here, n))) == repr(load_recording(other, run_of(there, n)))
    theirs = {row for row in by_name(there, "metric_long") if entry(3).sha256 not in row}
    assert theirs <= set(by_name(here, "metric_long"))
    # and goes on numbering
    with here.transaction() as con:
        store_log(con, entry(99), [recording(99)])
    assert verify(here) == []


def test_a_second_time_brings_nothing(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 3)), shop(tmp_path / "b.duckdb", range(3, 5))
    merge_archive(here, there.path)
    tables = (
        "log",
        "run",
        "inspection",
        "defect",
        "event",
        "limit_window",
        "oven",
        "jar",
        "paste",
        "question",
        "change",
    )
    before = {table: count(here, table) for table in tables}
    again = merge_archive(here, there.path)
    assert (again.added, again.filled, again.conflicts, again.known_runs) == ({}, 0, (), 2)
    assert {table: count(here, table) for table in tables} == before


def test_what_was_corrected_or_withdrawn_here_does_not_come_back(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(3, 5), "Other bench")
    merge_archive(here, there.path)
    taken = here.read("SELECT inspection_id FROM inspection ORDER BY 1")["inspection_id"].tolist()[1:]
    event = int(here.read("SELECT max(event_id) AS n FROM event")["n"].item())
    with here.transaction() as con:
        withdraw_inspection(con, taken[0], "Kim", "another board")
        correct(con, "inspection", taken[1], "method", "microscope", "Kim")
        correct(con, "event", event, "note", "the left one", "Kim")
    before = {table: count(here, table) for table in ("inspection", "defect", "event")}
    again = merge_archive(here, there.path)
    assert {table: count(here, table) for table in ("inspection", "defect", "event")} == before
    assert again.conflicts == ()
    # corrected there since: shown, not doubled
    with there.transaction() as con:
        correct(con, "inspection", 1, "note", "seen again", "Lee")
    (conflict,) = merge_archive(here, there.path).conflicts
    assert (conflict.what, conflict.field) == (f"run {run_of(here, 3)}", "inspection")
    assert count(here, "inspection") == before["inspection"]


def test_typed_values_fill_what_is_unknown_and_overwrite_nothing(tmp_path: Path) -> None:
    here = shop(tmp_path / "a.duckdb", range(1, 5))
    shutil.copy(here.path, tmp_path / "b.duckdb")  # the two went their own ways since
    there = open_archive(tmp_path / "b.duckdb")
    with here.transaction() as con:
        set_run_field(con, 1, "operator", "Kim", "typed", "Kim")
        set_run_field(con, 2, "operator", "Kim", "carried over")
        set_run_field(con, 4, "note", "wrong", "typed", "Kim")
        set_run_field(con, 4, "note", None, "typed", "Kim")  # unknown, as a correction
        correct(con, "oven", 1, "controller", "a bought one", "Kim")
    with there.transaction() as con:
        for run in (1, 2, 3):
            set_run_field(con, run, "operator", "Lee", "typed", "Lee")
        set_run_field(con, 4, "note", "smelled burnt", "typed", "Lee")
        correct(con, "oven", 1, "controller", "a built one", "Lee")
        correct(con, "oven", 1, "note", "by the window", "Lee")
    done = merge_archive(here, there.path, who="Kim")
    with here.connect() as con:
        operators = {run: run_fields(con, run)["operator"] for run in (1, 2, 3)}
        assert "note" not in run_fields(con, 4)
        oven = reference.get_oven(con, 1)
    assert operators[1] == RunField("Kim", "typed", "Kim")
    assert operators[2] == operators[3] == RunField("Lee", "typed", "Lee")
    assert (oven["controller"], oven["note"]) == ("a bought one", "by the window")
    assert {(c.what, c.field, c.here, c.there) for c in done.conflicts} == {
        ("run 1", "operator", "Kim", "Lee"),
        ("run 4", "note", "unknown, as corrected", "smelled burnt"),
        ("oven Bench", "controller", "a bought one", "a built one"),
    }
    assert done.filled == 3
    changes = here.read("SELECT field, new_value, who, why FROM change WHERE why LIKE 'taken over%'")
    assert {("operator", "Lee"), ("note", "by the window")} <= set(
        zip(changes["field"], changes["new_value"], strict=True)
    )
    assert merge_archive(here, there.path).conflicts == done.conflicts, "shown as long as they disagree"


def test_of_two_windows_in_force_this_archives_stays(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(3, 4), "Other bench")
    with there.transaction() as con:
        window = reference.add_window(con, "house", "another rule", "7", [("peak_c", "{}", None, 245.0, "°C")])
        write_evaluation(con, 1, evaluation(window))
    for _ in range(2):
        (conflict,) = merge_archive(here, there.path).conflicts
        assert (conflict.here, conflict.there) == ("house rule, revision 1", "another rule, revision 7")
    in_force = here.read("SELECT source FROM limit_window WHERE superseded_at IS NULL")["source"].tolist()
    assert in_force == ["house rule"]
    # the run that was judged by it still says so
    judged = here.read(
        "SELECT w.source FROM limit_result l JOIN limit_window w USING (window_id) WHERE l.run_id = ?",
        [run_of(here, 3)],
    )
    assert judged["source"].tolist() == ["another rule"]
    assert verify(here) == []


def test_a_log_that_waits_here_and_is_understood_there_is_stored(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(3, 4))
    with here.transaction() as con:
        hold_log(con, entry(3))
    with there.transaction() as con:
        hold_log(con, entry(8))
    merge_archive(here, there.path)
    status = here.read("SELECT sha256, status FROM log").set_index("sha256")["status"].to_dict()
    assert status == {entry(1).sha256: "stored", entry(3).sha256: "stored", entry(8).sha256: "held"}
    assert verify(here) == []


def test_the_order_of_merging_does_not_matter(tmp_path: Path) -> None:
    """Worth its name only if a shop of three gets the same archive whichever came first."""
    made = []
    for name, order in (("x", (1, 2)), ("y", (2, 1))):
        archive = shop(tmp_path / f"{name}.duckdb", range(1, 3))
        others = {1: range(2, 5), 2: range(4, 7)}
        for which in order:
            other = tmp_path / f"{name}{which}.duckdb"
            merge_archive(archive, shop(other, others[which]).path)
        assert verify(archive) == []
        made.append(archive)
    for view in ("channel_overview", "sample", "metric_long", "finding"):
        assert by_name(made[0], view) == by_name(made[1], view), view
    looked = [sorted(zip(*(by_name_columns(a)[c] for c in ("sha256", "defect", "count")), strict=True)) for a in made]
    assert looked[0] == looked[1]
    assert len(looked[0]) == 6


def by_name_columns(archive: Archive):
    return archive.read("SELECT r.sha256, d.defect, d.count FROM defect_long d JOIN run_overview r USING (run)")


def test_many_logs_go_in_in_portions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(2, 9))
    monkeypatch.setattr("ingest.merging.LOGS_AT_ONCE", 3)
    seen: list[tuple[int, int]] = []
    done = merge_archive(here, there.path, progress=lambda so_far, of: seen.append((so_far, of)))
    assert seen == [(3, 7), (6, 7), (7, 7)]
    assert (done.added["log"], done.added["run"], done.added["inspection"]) == (7, 7, 7)
    assert done.conflicts == ()
    assert verify(here) == []


def test_an_archive_of_an_earlier_ovenbook_is_brought_up_to_date_in_a_copy(tmp_path: Path) -> None:
    here = shop(tmp_path / "a.duckdb", range(1, 2))
    old = old_archive(tmp_path / "old.duckdb", 1)
    before = hashlib.sha256(old.path.read_bytes()).hexdigest()
    assert merge_archive(here, old.path).added["run"] == 3
    assert hashlib.sha256(old.path.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.duckdb", "old.duckdb"]


def test_what_cannot_be_taken_over_is_one_clear_line(tmp_path: Path) -> None:
    here = shop(tmp_path / "a.duckdb", range(1, 2))
    (tmp_path / "text.duckdb").write_text("time,temperature\n")
    (tmp_path / "link.duckdb").symlink_to(here.path)
    for name, line in (
        ("missing.duckdb", "there is no file"),
        ("text.duckdb", "is not an Ovenbook archive"),
        ("link.duckdb", "is the archive itself"),
    ):
        with pytest.raises(ArchiveError, match=line):
            merge_archive(here, tmp_path / name)
    assert count(here, "run") == 1


HOLDER = """
import sys
from ingest import open_archive
with open_archive(sys.argv[1]).exclusive():
    print("held", flush=True)
    sys.stdin.read()
"""


def test_an_archive_in_use_elsewhere_is_named_and_left(tmp_path: Path) -> None:
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(3, 4))
    holder = child(HOLDER, there.path)
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(ArchiveError, match=r"is held by .*process \d+"):
        merge_archive(here, there.path)
    holder.communicate("")
    assert merge_archive(here, there.path).added["run"] == 1


LOCKED = """
import duckdb, sys
try:
    duckdb.connect(sys.argv[1]).close()
    print("open")
except duckdb.IOException as error:
    print("locked" if "lock" in str(error) else error)
"""


def test_taking_over_never_drops_the_lock_of_a_connection_of_this_process(tmp_path: Path) -> None:
    """POSIX gives up a process's lock when any descriptor of the file is closed in it: see ingest.archive.connection."""
    here, there = shop(tmp_path / "a.duckdb", range(1, 2)), shop(tmp_path / "b.duckdb", range(3, 4))
    go, done = threading.Event(), threading.Event()

    def hold() -> None:
        with there.exclusive():
            go.set()
            done.wait(60)

    thread = threading.Thread(target=hold)
    thread.start()
    try:
        assert go.wait(20)
        with pytest.raises(ArchiveError):
            merge_archive(here, there.path)
        assert child(LOCKED, there.path).communicate()[0] == "locked\n"
        assert child(LOCKED, tmp_path / "a.duckdb").communicate()[0] == "open\n"
    finally:
        done.set()
        thread.join()


def test_the_command_says_what_came_and_ends_with_1_on_a_conflict(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from dashboard import cli

    here, there = shop(tmp_path / "a.duckdb", range(1, 3)), shop(tmp_path / "b.duckdb", range(2, 4))
    with here.transaction() as con:
        set_run_field(con, run_of(here, 2), "operator", "Kim", "typed")
    with there.transaction() as con:
        set_run_field(con, run_of(there, 2), "operator", "Lee", "typed")
    names = {"OVENBOOK_ARCHIVE": str(here.path), "COLUMNS": "200"}
    said = CliRunner().invoke(cli.app, ["import", str(there.path)], env=names)
    assert said.exit_code == 1
    assert "1 log, 1 run, 1 inspection; 1 run known already" in " ".join(said.stdout.split())
    assert f"run {run_of(here, 2)}, operator: Kim here, Lee there" in said.stdout
    mixed = CliRunner().invoke(cli.app, ["import", str(there.path), "x.csv"], env=names)
    assert mixed.exit_code == 2


def test_times_are_the_same_moment_in_both(tmp_path: Path) -> None:
    here = open_archive(tmp_path / "a.duckdb", zone="Asia/Tokyo")
    there = open_archive(tmp_path / "b.duckdb", zone="America/New_York")
    moment = datetime(2026, 1, 1, 0, 30, tzinfo=UTC)
    with there.transaction() as con:
        store_log(con, entry(1), [recording(1, started_at=moment)])
    merge_archive(here, there.path)
    with here.connect() as con:
        assert load_recording(con, 1).started_at == moment
