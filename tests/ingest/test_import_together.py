"""New logs that share a transaction are in as if each had come by itself. Truth: the same logs taken one by one."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from import_bakes import LEADED, bake

from ingest.archive import Archive, open_archive, reference
from ingest.archive.verify import verify
from ingest.import_result import ImportOptions, ImportResult
from ingest.importing import import_paths

_RUN = "JOIN run USING (run_id) JOIN log USING (log_id)"
# All but what tells when a row was written.
QUERIES = {
    "log": "SELECT log_id, sha256, file_name, size_bytes, status, reason, warnings, options, head FROM log",
    "bytes": "SELECT sha256, piece, hex(gzip) FROM log_bytes JOIN log USING (log_id)",
    "run": """SELECT run_id, sha256, part, started_at, zone, duration_s, sample_count, setpoint_hash, profile_id, ambient_c,
                     oven_id, paste_id, jar_id, board_id, kind, orientation, operator, firmware
              FROM run JOIN log USING (log_id)""",
    "channel": f"""SELECT sha256, part, channel_no, name, role, unit, samples, missing, confidence, reasons
                   FROM channel {_RUN}""",
    "samples": f"SELECT sha256, part, channel_no, elapsed_ms, value FROM samples {_RUN}",
    "run_origin": f"SELECT sha256, part, field, origin, who FROM run_origin {_RUN}",
}


@dataclass
class Judging:
    """An evaluation that says how it was asked; `refused` runs cannot be evaluated."""

    at_once: list[int] = field(default_factory=list[int])
    alone: list[int] = field(default_factory=list[int])
    refuse: bool = False

    def __call__(self, _con: Any, run_id: int, _recording: Any) -> SimpleNamespace:
        self.alone.append(run_id)
        return SimpleNamespace(verdict="meets")

    def many(self, con: Any, runs: Any) -> list[SimpleNamespace]:
        if self.refuse:
            raise ValueError("not these")
        for run_id, recording in runs:  # everything about a run is in the archive when it is evaluated
            n = con.execute("SELECT count(*) FROM samples WHERE run_id = ?", [run_id]).fetchone()[0]
            assert n == len(recording.elapsed_s) * len(recording.channels)
        self.at_once += [run_id for run_id, _ in runs]
        return [SimpleNamespace(verdict="meets") for _ in runs]


def folder_of_logs(place: Path) -> Path:
    """Nineteen logs that are new, one twice, one held with a question, one that is no log, one that goes on."""
    folder = place / "logs"
    folder.mkdir()
    for i in range(19):
        minute = f"2025-03-03T09:{i:02d}:00"
        profile: dict[str, Any] = {"profile": LEADED} if i % 3 == 0 else {}
        (folder / f"run{i:02d}.csv").write_bytes(bake(minute, variant=i, **profile))
    (folder / "run05again.csv").write_bytes((folder / "run05.csv").read_bytes())
    (folder / "run06.txt").write_bytes(b"no log at all\n")
    (folder / "run07x").mkdir()
    longer = (folder / "run07.csv").read_bytes()
    (folder / "run07.csv").write_bytes(longer[: longer.rindex(b"\n", 0, len(longer) // 2) + 1])
    (folder / "run07x" / "run07.csv").write_bytes(longer)
    return folder


def same_rows(one: Archive, other: Archive) -> None:
    for query in QUERIES.values():
        rows = other.read(f"{query} ORDER BY ALL")
        assert len(rows) > 10
        pd.testing.assert_frame_equal(one.read(f"{query} ORDER BY ALL"), rows)


def told(results: list[ImportResult]) -> list[tuple[Any, ...]]:
    return [(Path(r.file).name, r.status, len(r.runs), [run.verdict for run in r.runs]) for r in results]


def one_by_one(_con: Any, _run_id: int, _recording: Any) -> SimpleNamespace:
    return SimpleNamespace(verdict="meets")


def test_logs_taken_together_are_in_as_one_by_one(tmp_path: Path) -> None:
    folder = folder_of_logs(tmp_path)
    single, grouped = (open_archive(tmp_path / name, zone="UTC") for name in ("single.duckdb", "grouped.duckdb"))
    judging = Judging()
    said = told(list(import_paths(single, [folder], after_store=one_by_one)))
    assert told(list(import_paths(grouped, [folder], after_store=judging))) == said
    assert len(judging.at_once) > 10
    assert len(judging.at_once) + len(judging.alone) == 20  # the log that goes on is evaluated twice
    same_rows(grouped, single)
    assert [p for p in verify(grouped) if "evaluat" not in p.text] == []


def shop(path: Path) -> Archive:
    archive = open_archive(path, zone="UTC")
    with archive.transaction() as con:
        for oven in ("Bench", "Roof"):
            reference.add_oven(con, oven)
        pastes = [
            reference.add_paste(con, name, alloy="SAC305", family="PbFree", solidus_c=217.0, liquidus_c=220.0)
            for name in ("Invented A", "Invented B")
        ]
        reference.add_board(con, "Blinker")
        for number, (day, paste) in enumerate(((1, 0), (4, 0), (6, 1))):
            opened = datetime(2025, 3, day, 12, tzinfo=UTC)
            reference.add_jar(con, f"J{number}", pastes[paste], opened_at=opened)
    return archive


def weeks_of_logs(place: Path) -> Path:
    """Sixty logs of some days in no order: two profiles, firmware that changes, some without a start."""
    folder = place / "weeks"
    folder.mkdir()
    chance = random.Random(5)
    for i in range(60):
        day, hour = chance.randint(1, 9), chance.randint(6, 17)
        start = None if i % 11 == 10 else f"2025-03-{day:02d}T{hour:02d}:{i:02d}:00"
        preamble = {"firmware": "1.1" if day > 5 else "1.0"} if i % 4 else {}
        names = ("left_c", "right_c") if i % 2 else ("front_c", "rear_c")
        profile: dict[str, Any] = {"profile": LEADED} if i % 5 == 0 else {}
        data = bake(start, variant=i, preamble=preamble, names=names, **profile)
        (folder / f"run{i:02d}.csv").write_bytes(data)
    return folder


def said_of(_path: Path, name: str) -> ImportOptions | None:
    """A person says something of every few logs, and the rest is taken over from earlier runs."""
    number = int(name.removesuffix(".csv").removeprefix("run"))
    if number % 7 == 0:
        return ImportOptions(oven="Bench" if number % 2 else "Roof", jar="J0", board="Blinker", operator="Kim")
    if number % 7 == 3:
        return ImportOptions(oven="Roof" if number % 2 else "Bench", kind="reference")
    if number % 7 == 5:
        return ImportOptions(paste="Invented B", orientation="90")
    return ImportOptions()


def test_what_is_taken_over_from_earlier_runs_is_the_same_for_logs_taken_together(tmp_path: Path) -> None:
    folder = weeks_of_logs(tmp_path)
    single, grouped = shop(tmp_path / "single.duckdb"), shop(tmp_path / "grouped.duckdb")
    judging = Judging()
    files = sorted(folder.iterdir())
    for some in (files[::2], files[1::2]):  # the second time there are runs inside that the group reads once
        said = told(list(import_paths(single, some, after_store=one_by_one, options_for=said_of)))
        assert told(list(import_paths(grouped, some, after_store=judging, options_for=said_of))) == said
    assert len(judging.at_once) > 50
    same_rows(grouped, single)
    events = "SELECT oven, kind, happened_at, note FROM oven_event ORDER BY ALL"
    pd.testing.assert_frame_equal(grouped.read(events), single.read(events))
    of = single.read("SELECT count(oven_id), count(jar_id), count(board_id), count(DISTINCT paste_id) FROM run").iloc[0]
    assert all(count > 1 for count in of)


def test_when_a_group_cannot_be_stored_its_logs_are_taken_one_by_one(tmp_path: Path) -> None:
    folder = folder_of_logs(tmp_path)
    archive = open_archive(tmp_path / "book.duckdb", zone="UTC")
    judging = Judging(refuse=True)
    results = list(import_paths(archive, [folder], after_store=judging))
    assert sum(r.status == "stored" for r in results) == 20
    assert judging.at_once == []
    assert archive.read("SELECT count(*) AS n FROM run")["n"][0] == 19


def test_a_stop_inside_a_group_leaves_whole_logs_and_the_same_call_takes_the_rest(tmp_path: Path) -> None:
    folder = folder_of_logs(tmp_path)
    archive = open_archive(tmp_path / "book.duckdb", zone="UTC")

    class Stopping(Judging):
        def many(self, _con: Any, _runs: Any) -> list[SimpleNamespace]:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(import_paths(archive, [folder], after_store=Stopping()))
    counts = archive.read("SELECT (SELECT count(*) FROM log) AS logs, (SELECT count(*) FROM run) AS runs")
    assert counts["logs"][0] == counts["runs"][0]
    results = list(import_paths(archive, [folder], after_store=Judging()))
    assert {r.status for r in results} == {"stored", "duplicate", "rejected"}
    assert archive.read("SELECT count(*) AS n FROM run")["n"][0] == 19


def test_logs_read_by_another_process_are_in_as_if_read_by_this_one(tmp_path: Path) -> None:
    folder = folder_of_logs(tmp_path)
    here, there = (open_archive(tmp_path / name, zone="UTC") for name in ("here.duckdb", "there.duckdb"))
    said = told(list(import_paths(here, [folder], after_store=Judging())))
    assert told(list(import_paths(there, [folder], after_store=Judging(), readers=1))) == said
    same_rows(there, here)
