"""`verify` finds damage of each kind, and nothing in a sound archive."""

from __future__ import annotations

import gzip
import re
import shutil
from pathlib import Path

import pytest
from archive_bakes import entry, evaluation, recording

from ingest import open_archive
from ingest.archive import Archive, ArchiveError, Connection, reference
from ingest.archive.contract import REFERENCES, SEQUENCES, UNIQUE, VIEWS
from ingest.archive.derived import write_evaluation
from ingest.archive.fields import RunField
from ingest.archive.logs import hold_log, reject_log, store_log
from ingest.archive.quality import add_inspection
from ingest.archive.trials import plan_trial
from ingest.archive.verify import verify

RIGHT = "run_id = 1 AND channel_no = 1"
BACKWARDS = "UPDATE sample_times SET step_ms = NULL, elapsed_ms = range(119, -1, -1) WHERE run_id = 1"
EVENT_WITHOUT_WHO = """CREATE OR REPLACE VIEW oven_event AS
    SELECT event_id AS event, o.name AS oven, e.* EXCLUDE (event_id, oven_id, who, note), e.note
    FROM event e JOIN oven o USING (oven_id)"""
SAMPLE_IN_MS = """CREATE OR REPLACE VIEW sample AS
    SELECT run_id AS run, 'a' AS channel, elapsed_ms AS elapsed_s, value FROM samples"""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = open_archive(tmp_path_factory.mktemp("sound") / "a.duckdb", zone="UTC")
    with archive.transaction() as con:
        oven = reference.add_oven(con, "Bench")
        paste = reference.add_paste(con, "Invented", alloy="SAC305", family="PbFree", solidus_c=217.0, liquidus_c=220.0)
        board = reference.add_board(con, "Blinker")
        given = {
            "oven": RunField(oven),
            "jar": RunField(reference.add_jar(con, "J1", paste)),
            "board": RunField(board),
            "profile": RunField(reference.add_profile(con, "as set", setpoint_hash="h", setpoint_table=[(0, 25)])),
        }
        layout = reference.add_layout(con, "bench logs", "print", {"answers": {}})
        window = reference.add_window(con, "paste", "sheet", "1", [("peak_c", "{}", None, 250.0, "°C")], paste_id=paste)
        reference.add_window(con, "body", "J-STD-020", "F", [("peak_c", "{}", None, 260.0, "°C")], board_id=board)
        reference.add_window(con, "house", "house rule", "1", [("peak_c", "{}", 235.0, None, "°C")], oven_id=oven)
        store_log(con, entry(1, layout_id=layout), [recording(1), recording(2)], [given, given])
        store_log(con, entry(2, layout_id=layout), [recording(3)], [given])
        for run in (1, 2, 3):
            write_evaluation(con, run, evaluation(window))
        add_inspection(con, 1, "loupe", joints_looked=9, defects=[{"term": "bridging"}])
        trial = plan_trial(
            con,
            "soak",
            defect="bridging",
            change="longer soak",
            arm_a="90 s",
            arm_b="110 s",
            runs_per_arm=4,
            board_id=board,
        )
        con.execute("INSERT INTO trial_run VALUES (?, 3, 'a', 'a', NULL, now()::TIMESTAMP)", [trial])
        reference.add_event(con, oven, "fan", recording().started_at)  # pyright: ignore[reportArgumentType]
        reference.correct(con, "oven", oven, "note", "by the window", "Kim", "forgotten")
        hold_log(con, entry(3))
        reject_log(con, entry(4, reason="no time column"))
    return archive.path


@pytest.fixture
def archive(sound: Path, tmp_path: Path) -> Archive:
    """Two stored logs with everything that can hang on a run, a held and a rejected one."""
    shutil.copy(sound, tmp_path / "a.duckdb")
    return Archive(tmp_path / "a.duckdb")


def test_a_sound_archive_has_no_problem(archive: Archive) -> None:
    assert verify(archive) == []


def test_an_empty_archive_has_no_problem(tmp_path: Path) -> None:
    assert verify(open_archive(tmp_path / "empty.duckdb")) == []


@pytest.mark.parametrize(
    ("code", "says", "damage"),
    [
        ("bytes", "log 1 (bake_1.csv) is stored, but its original", "DELETE FROM log_bytes WHERE log_id = 1"),
        ("bytes", "log 3 (bake_3.csv) is held, but its original", "DELETE FROM log_bytes WHERE log_id = 3"),
        ("bytes", "log 2 (bake_2.csv) cannot be decompressed", "DELETE FROM log_bytes WHERE log_id = 2 AND piece = 1"),
        ("bytes", "log 1 (bake_1.csv) has", "UPDATE log SET size_bytes = size_bytes + 1 WHERE log_id = 1"),
        ("bytes", "log 2 (bake_2.csv) do not match", "UPDATE log SET sha256 = repeat('0', 64) WHERE log_id = 2"),
        ("status", "log 2 (bake_2.csv) is stored, but has no run", "DELETE FROM run WHERE run_id = 3"),
        ("status", "log 1 (bake_1.csv) is held, but has 2 runs", "UPDATE log SET status = 'held' WHERE log_id = 1"),
        ("status", 'unknown status "lost"', "UPDATE log SET status = 'lost' WHERE log_id = 4"),
        ("samples", "run 1 has 359 samples instead of 360", f"UPDATE sample_values SET number = number[2:] WHERE {RIGHT}"),
        ("samples", "run 3 has 0 samples", "DELETE FROM sample_values WHERE run_id = 3"),
        ("samples", "run 1, channel right: 118 values and 2 missing",
         f"UPDATE sample_values SET number = list_concat([NULL], number[2:]) WHERE {RIGHT}"),
        ("samples", "run 1: its samples do not fit", "UPDATE sample_times SET samples = 119 WHERE run_id = 1"),
        ("samples", "run 1: its samples do not fit", "DELETE FROM sample_times WHERE run_id = 1"),
        ("samples", "run 1: its times do not run", "UPDATE sample_times SET first_ms = 500 WHERE run_id = 1"),
        ("samples", "run 1: its times do not run", BACKWARDS),
        ("samples", "run 3: its times do not run from 0 to 61", "UPDATE run SET duration_s = 61 WHERE run_id = 3"),
        ("samples", "run 2 has channels missing", "DELETE FROM channel WHERE run_id = 2 AND channel_no = 0"),
        ("number", "run would give number", "INSERT INTO run SELECT * REPLACE (77 AS run_id, 9 AS part) FROM run LIMIT 1"),
        ("number", "the numbering of jar is missing", "DROP SEQUENCE jar_seq"),
        ("view", "the view finding is missing", "DROP VIEW finding"),
        ("view", "the view oven_event lacks its column who", EVENT_WITHOUT_WHO),
        ("view", "the column elapsed_s of the view sample is", SAMPLE_IN_MS),
        ("view", "the view metric_long does not work", "ALTER TABLE metric RENAME COLUMN unit TO units"),
        ("schema", "must be one row and is 0", "DELETE FROM archive_state"),
        ("schema", "has gaps: [", "UPDATE schema_version SET version = 99 WHERE version = 1"),
    ],
)  # fmt: skip
def test_planted_damage_is_found(archive: Archive, code: str, says: str, damage: str) -> None:
    with archive.connect() as con:
        con.execute(damage)
    found = verify(archive)
    assert any(problem.code == code and says in problem.text for problem in found), found
    assert all("\n" not in problem.text for problem in found)


def test_bytes_that_decompress_to_something_else_are_found(archive: Archive) -> None:
    other = bytearray(entry(1).data)
    other[10] ^= 1
    packed = gzip.compress(bytes(other))
    with archive.connect() as con:
        con.execute("DELETE FROM log_bytes WHERE log_id = 1")
        con.execute("INSERT INTO log_bytes VALUES (1, 0, ?)", [packed])
    (problem,) = verify(archive)
    assert (problem.code, "do not match their hash" in problem.text) == ("bytes", True)


def add_any_row(con: Connection, table: str, column: str) -> None:
    """A row of plausible types in a table that the archive of these tests leaves empty."""
    some = {
        "INTEGER": 1,
        "SMALLINT": 1,
        "BIGINT": 1,
        "DOUBLE": 1.0,
        "BOOLEAN": True,
        "TIMESTAMP": "2026-03-01",
        "JSON": "{}",
    }
    columns = con.execute(
        "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? AND (NOT is_nullable OR column_name = ?)",
        [table, column],
    ).fetchall()
    names = ", ".join(name for name, _ in columns)
    values = [some.get(kind, "a") for _, kind in columns]
    con.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(values))})", values)


@pytest.mark.parametrize("reference_no", range(len(REFERENCES)), ids=lambda i: f"{REFERENCES[i][0]}-{REFERENCES[i][2]}")
def test_an_orphan_in_any_table_is_found(archive: Archive, reference_no: int) -> None:
    table, columns, parent, _ = REFERENCES[reference_no]
    column = columns[-1] if columns[-1] == "channel_no" else columns[0]
    with archive.connect() as con:
        where = f"rowid = (SELECT min(rowid) FROM {table} WHERE {column} IS NOT NULL)"
        if con.execute(f"SELECT 1 FROM {table} WHERE {where}").fetchone() is None:
            add_any_row(con, table, column)
        con.execute(f"UPDATE {table} SET {column} = 99 WHERE {where}")
    found = [p.text for p in verify(archive) if p.code == "orphan"]
    assert any(
        text.startswith(f"1 rows of {table} refer to") and f"which {parent} does not have" in text for text in found
    ), found


def test_every_column_that_refers_to_another_table_is_checked(archive: Archive) -> None:
    rows = archive.read(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE column_name LIKE '%\\_id' ESCAPE '\\'"
    )
    own = {(table, column) for table, column in SEQUENCES.values()}
    checked = {(table, column) for table, columns, _, _ in REFERENCES for column in columns}
    # Whatever was changed may be gone, the record stays; calls are worked out anew and have no table.
    free = {("change", "row_id"), ("drift_answer", "call_id")}
    tables = set(archive.read("SELECT table_name FROM duckdb_tables()")["table_name"])
    found = {(t, c) for t, c in rows.itertuples(index=False) if t in tables}
    assert found - own - free == checked - {(t, c) for t, c in checked if c in ("channel_no", "stretch")}


@pytest.mark.parametrize("table", UNIQUE)
def test_a_row_that_is_there_twice_is_found(archive: Archive, table: str) -> None:
    with archive.connect() as con:
        con.execute(f"INSERT INTO {table} SELECT * FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})")
    found = [problem.text for problem in verify(archive) if problem.code == "double"]
    assert len(found) == 1
    assert found[0].startswith(f"{table} has 2 rows of ")


def test_every_sequence_of_the_schema_is_checked(archive: Archive) -> None:
    assert set(archive.read("SELECT sequence_name FROM duckdb_sequences()")["sequence_name"]) == set(SEQUENCES)


def test_the_views_of_the_schema_are_the_promised_ones(archive: Archive) -> None:
    views = archive.read("SELECT view_name FROM duckdb_views() WHERE NOT internal")["view_name"]
    assert set(views) == set(VIEWS)


def test_a_file_damaged_on_disk_is_reported_and_not_a_traceback(archive: Archive) -> None:
    with archive.connect() as con:
        con.execute("CHECKPOINT")
    whole = bytearray(archive.path.read_bytes())
    for place in range(len(whole) // 4, len(whole), 4096):  # past the headers, in every block of data
        whole[place] ^= 0xFF
    archive.path.write_bytes(bytes(whole))
    try:
        said = [problem.text for problem in verify(Archive(archive.path))]
    except ArchiveError as error:  # so damaged that it cannot even be opened
        said = [str(error)]
    assert said
    assert all(re.fullmatch(r"[^\n]+", line) for line in said)
