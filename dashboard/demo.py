"""The demo archive: a season of an invented shop, taken in the way a real one would be.

The simulator writes real CSV files and sheets into a temporary folder; they go through the backfill, the inspection sheet
and the event sheet like anybody's. Nothing is written into the archive by a side door, so a demo that looks right shows
that the way in works. Everything in it is invented and marked so.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ingest.archive import Archive

RUNS = 420
SEED = 1
SHEET = "invented data sheet for the demo"

Progress = Callable[[str, int, int], None]  # what is being done, how many are done, of how many

# One bench measures with care (class 1 wire, an input board compared with a reference, tips soldered on), one does not:
# the same margin is a verdict on the first and too close to call on the second.
BUDGETS: dict[str, dict[str, float]] = {
    "North bench": {"tolerance_k": 1.5, "tolerance_fraction": 0.004, "input_k": 1.0},
    "South bench": {},
}
ATTACHMENT: dict[str, str | None] = {"North bench": "solder", "South bench": None}

# Windows of the demo's pastes: invented sheets inside the usual figures of their alloy families.
WINDOWS: dict[str, dict[str, str]] = {
    "Sn63Pb37": {
        "peak": "205:225",
        "above_liquidus": "30:90",
        "soak": "100:150:60:120",
        "ramp_up": ":3",
        "cooling": ":6",
    },
    "SAC305": {
        "peak": "232:250",
        "above_liquidus": "40:90",
        "soak": "150:200:60:150",
        "ramp_up": ":3",
        "cooling": ":6",
    },
}


@dataclass(frozen=True)
class DemoBuilt:
    """What was built. `held` and `rejected` logs point at a fault of the demo itself."""

    path: Path
    runs: int
    held: int
    rejected: int
    inspections: int
    events: int


def demo_path() -> Path:
    """Where the demo lives when no archive is named: beside the default archive, never in it."""
    import platformdirs

    return Path(platformdirs.user_data_path("ovenbook", appauthor=False)) / "demo.duckdb"


def is_demo(archive: Archive) -> bool:
    """True when the archive was built as the demo, whatever was added since."""
    return not archive.read("SELECT 1 FROM log WHERE source = 'demo' LIMIT 1").empty


def build(path: Path, *, runs: int = RUNS, seed: int = SEED, progress: Progress | None = None) -> DemoBuilt:
    """Build the demo archive at `path`; an archive there is replaced, and only once the new one is whole.

    Raises
    ------
    ArchiveError
        When the folder cannot be written.
    OSError
        When the disk is full.
    """
    from analysis.store import seed_defaults
    from ingest.archive import open_archive
    from sample_logs.season import write_season

    say = progress or (lambda _what, _done, _of: None)
    unfinished = path.with_name(f".{path.name}.unfinished")
    _discard(unfinished)
    try:
        with tempfile.TemporaryDirectory(prefix="ovenbook-demo-") as folder:
            say("Simulating the ovens", 0, runs)
            truth = write_season(folder, seed=seed, runs=runs)
            archive = open_archive(unfinished)
            seed_defaults(archive)
            with archive.transaction() as con:
                _add_reference(con, truth)
            built = _take_in(archive, truth, path, say)
        os.replace(unfinished, path)
    finally:
        _discard(unfinished)
    return built


def _names_as_read(truth: Any, bench: Any) -> list[str]:
    """The bench's sensors as its logs name them: read from its first log, as a person would copy them from a run."""
    import csv

    from ingest.reading import read_log

    with truth.metadata.open(encoding="utf-8", newline="") as sheet:
        first = next(row["file"] for row in csv.DictReader(sheet) if row["oven"] == bench.name)
    (reading,) = read_log((truth.logs / first).read_bytes(), first)
    read = [channel.name for channel in reading.recordings[0].of_role("temperature")]
    return [next(name for name in read if name.startswith(sensor.name)) for sensor in bench.sensors]


def _add_reference(con: Any, truth: Any) -> None:
    """The shop's ovens, pastes with windows, and boards, as its people would have entered them."""
    from dashboard.commands.limits import limit_rows
    from ingest.alloys import alloy_in
    from ingest.archive import reference
    from sample_logs.shop import BENCHES, BOARDS, PASTES, SHOP

    for bench in BENCHES:
        names = _names_as_read(truth, bench)
        steers = bench.controller.steer_by.index(max(bench.controller.steer_by))
        reference.add_oven(
            con,
            bench.name,
            controller=bench.controller_name,
            control_channel=names[steers],
            placements={
                name: {"place": f"board, {sensor.place}", "attachment": ATTACHMENT[bench.name]}
                for name, sensor in zip(names, bench.sensors, strict=True)
            },
            budget=BUDGETS[bench.name],
            note=SHOP,
        )
    for paste in PASTES:
        alloy = alloy_in(paste.alloy)
        if alloy is None:
            raise ValueError(f"the demo's paste {paste.name} has an alloy that is not in the table")
        paste_id = reference.add_paste(
            con,
            paste.name,
            alloy=alloy.name,
            family=alloy.family,
            solidus_c=alloy.solidus_c,
            liquidus_c=paste.liquidus_c,
            powder_type="4",
            open_life_days=90,
            note=SHOP,
        )
        rows = limit_rows(paste.liquidus_c, **WINDOWS[paste.alloy])
        reference.add_window(con, "paste", SHEET, "1", rows, paste_id=paste_id)
    for board in BOARDS:
        reference.add_board(con, board.name, joints=board.joints or None, note=SHOP)


def _take_in(archive: Archive, truth: Any, path: Path, say: Progress) -> DemoBuilt:
    from analysis.store import evaluate_and_write
    from dashboard.commands.event_sheet import read_events, store_events
    from dashboard.commands.inspection_sheet import read_inspections, store_inspections
    from ingest.backfill import import_with_sheet
    from ingest.importing import ImportOptions

    counts = {"stored": 0, "held": 0, "rejected": 0, "duplicate": 0}
    for done, result in enumerate(
        import_with_sheet(
            archive, [truth.logs], truth.metadata, ImportOptions(source="demo"), after_store=evaluate_and_write
        ),
        start=1,
    ):
        counts[result.status] += len(result.runs) if result.status == "stored" else 1
        say("Importing its logs", done, truth.runs)
    inspections, problems = read_inspections(archive, truth.inspections)
    events, more = read_events(archive, truth.events)
    if problems or more:
        raise ValueError(f"the demo's own sheets are wrong: {[*problems, *more][0]}")
    store_inspections(archive, inspections, None)
    _note_serials(archive, truth)
    _look_ahead(archive)
    store_events(archive, events, None)
    return DemoBuilt(path, counts["stored"], counts["held"], counts["rejected"], len(inspections), len(events))


def _note_serials(archive: Archive, truth: Any) -> None:
    """The serials that one bench noted, entered run by run as a person would."""
    import csv

    from ingest.archive.runs import set_run_field

    runs = archive.read("SELECT run_id, file_name FROM run JOIN log USING (log_id)")
    by_file = {Path(name).name: int(run) for run, name in zip(runs["run_id"], runs["file_name"], strict=True)}
    with truth.serials.open(encoding="utf-8", newline="") as sheet, archive.transaction() as con:
        for row in csv.DictReader(sheet):
            set_run_field(con, by_file[row["file"]], "serials", row["serials"], "typed", None, None)


def _look_ahead(archive: Archive) -> None:
    """A question asked and a trial planned: both wait for runs that come after them, as the rules want it."""
    from ingest.archive.trials import ask_question, plan_trial

    with archive.transaction() as con:
        ask_question(con, "tombstone", "melt_lag_s", "Do parts stand up where the board melts unevenly?")
        plan_trial(
            con,
            "Longer soak on the South bench",
            defect="tombstone",
            change="soak 30 s longer, so that the slow side catches up",
            arm_a="soak as it is",
            arm_b="soak 30 s longer",
            runs_per_arm=12,
            factor="melt_lag_s",
            note=SHEET,
        )


def _discard(unfinished: Path) -> None:
    for leftover in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
        leftover.unlink(missing_ok=True)
