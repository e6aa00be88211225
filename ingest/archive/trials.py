"""Questions asked before looking, and planned trials with their runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.archive.changes import record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pandas as pd

FEWEST_RUNS_PER_ARM = 4  # with 3 against 3 not even all against none is rarer than 1 in 20


def ask_question(con: Connection, defect: str, factor: str, text: str | None = None, who: str | None = None) -> int:
    """Notes a question before looking; returns its number. The same open question again is that one."""
    defect, factor = defect.strip(), factor.strip()
    if not defect or not factor:
        raise ArchiveError("a question needs a defect and a factor")
    row = con.execute(
        "SELECT question_id FROM question WHERE defect = ? AND factor = ? AND withdrawn_at IS NULL", [defect, factor]
    ).fetchone()
    if row is not None:
        return int(row[0])
    number = con.execute("SELECT nextval('question_seq')").fetchone()
    question_id = int(number[0]) if number else 0
    con.execute(
        "INSERT INTO question VALUES (?, ?, ?, ?, ?, ?, NULL)",
        [question_id, defect, factor, text, who, stored(utc_now())],
    )
    return question_id


def withdraw_question(con: Connection, question_id: int, who: str | None = None) -> None:
    """Stops asking; the question and its date stay in the record."""
    row = con.execute(
        "UPDATE question SET withdrawn_at = ? WHERE question_id = ? AND withdrawn_at IS NULL RETURNING question_id",
        [stored(utc_now()), question_id],
    ).fetchone()
    if row is None:
        raise ArchiveError(f"there is no open question {question_id}")
    record_change(con, "question", question_id, "withdrawn", None, "yes", who, None)


def list_questions(con: Connection) -> pd.DataFrame:
    """Open questions, oldest first."""
    return con.execute("SELECT * FROM question WHERE withdrawn_at IS NULL ORDER BY question_id").df()


def plan_trial(
    con: Connection,
    name: str,
    *,
    defect: str,
    change: str,
    arm_a: str,
    arm_b: str,
    runs_per_arm: int,
    factor: str | None = None,
    board_id: int | None = None,
    alternate_orientation: bool = True,
    who: str | None = None,
    note: str | None = None,
) -> int:
    """Plans a trial; returns its number. Arm a is as it is now, arm b with the change.

    Raises ArchiveError: a name in use, an empty text, arms that read the same, fewer than 4 runs an arm.
    """
    texts = {"name": name, "defect": defect, "change": change, "arm_a": arm_a, "arm_b": arm_b}
    for what, text in texts.items():
        if not text.strip():
            raise ArchiveError(f"a trial needs its {what.replace('_', ' ')}")
    if arm_a.strip() == arm_b.strip():
        raise ArchiveError("the two arms of a trial must differ: say what is done in each")
    if runs_per_arm < FEWEST_RUNS_PER_ARM:
        raise ArchiveError(
            f"{runs_per_arm} runs an arm cannot show anything: even all against none would be chance; "
            f"plan {FEWEST_RUNS_PER_ARM} or more"
        )
    if con.execute("SELECT 1 FROM trial WHERE lower(name) = lower(?)", [name.strip()]).fetchone():
        raise ArchiveError(f'a trial is called "{name.strip()}" already')
    number = con.execute("SELECT nextval('trial_seq')").fetchone()
    trial_id = int(number[0]) if number else 0
    con.execute(
        "INSERT INTO trial VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, ?)",
        [
            *(trial_id, name.strip(), defect.strip(), factor, change.strip(), arm_a.strip(), arm_b.strip()),
            *(board_id, runs_per_arm, alternate_orientation, who, stored(utc_now()), note),
        ],
    )
    return trial_id


def add_trial_run(con: Connection, trial_id: int, run_id: int, arm: str | None = None, who: str | None = None) -> str:
    """Puts a run into a trial; returns its arm. `arm` None: the one whose turn it is.

    A run is put in before it is inspected, else the arm could be chosen by the outcome. Raises ArchiveError: no such
    trial or run, closed, another board, already in, inspected already, started before the trial was planned.
    """
    trial = con.execute("SELECT board_id, planned_at, closed_at FROM trial WHERE trial_id = ?", [trial_id]).fetchone()
    if trial is None:
        raise ArchiveError(f"there is no trial {trial_id}")
    board_id, planned_at, closed_at = trial
    run = con.execute("SELECT board_id, started_at FROM run WHERE run_id = ?", [run_id]).fetchone()
    if run is None:
        raise ArchiveError(f"there is no run {run_id}")
    if closed_at is not None:
        raise ArchiveError("this trial is closed: plan a new one")
    if board_id is not None and run[0] != board_id:
        raise ArchiveError(f"run {run_id} has another board than the trial")
    if run[1] is not None and run[1] < planned_at:
        raise ArchiveError(f"run {run_id} was before the trial was planned: only later runs belong to it")
    if con.execute("SELECT 1 FROM trial_run WHERE trial_id = ? AND run_id = ?", [trial_id, run_id]).fetchone():
        raise ArchiveError(f"run {run_id} is in this trial already")
    if con.execute("SELECT 1 FROM inspection WHERE run_id = ?", [run_id]).fetchone():
        raise ArchiveError(f"run {run_id} is inspected already: a run joins a trial before anyone looks at its boards")
    turn = next_arm(con, trial_id)
    chosen = arm or turn
    if chosen not in ("a", "b"):
        raise ArchiveError(f'"{chosen}" is no arm: there are a and b')
    con.execute(
        "INSERT INTO trial_run VALUES (?, ?, ?, ?, ?, ?)", [trial_id, run_id, chosen, turn, who, stored(utc_now())]
    )
    return chosen


def next_arm(con: Connection, trial_id: int) -> str:
    """The arm whose turn it is: a first, then the other one than the last run's."""
    row = con.execute(
        "SELECT arm FROM trial_run WHERE trial_id = ? ORDER BY assigned_at DESC, run_id DESC LIMIT 1", [trial_id]
    ).fetchone()
    return "b" if row is not None and row[0] == "a" else "a"


def close_trial(con: Connection, trial_id: int, why: str | None, who: str | None = None) -> None:
    """No more runs. Closing early is allowed and shown."""
    row = con.execute(
        "UPDATE trial SET closed_at = ?, why_closed = ? WHERE trial_id = ? AND closed_at IS NULL RETURNING trial_id",
        [stored(utc_now()), why, trial_id],
    ).fetchone()
    if row is None:
        raise ArchiveError(f"there is no open trial {trial_id}")
    record_change(con, "trial", trial_id, "closed", None, why or "yes", who, why)


def list_trials(con: Connection) -> pd.DataFrame:
    """All trials with the board's name, oldest first."""
    return con.execute(
        "SELECT t.*, b.name AS board FROM trial t LEFT JOIN board b USING (board_id) ORDER BY trial_id"
    ).df()


def trial_runs(con: Connection) -> pd.DataFrame:
    """The runs of all trials: trial_id, run (number), arm, planned_arm."""
    return con.execute(
        "SELECT trial_id, run_id AS run, arm, planned_arm FROM trial_run ORDER BY trial_id, assigned_at, run_id"
    ).df()
