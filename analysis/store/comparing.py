"""Two runs of the archive side by side: which runs may be compared, the last good one, and what changed between two."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.compare import (
    LIKE_WITH_LIKE,
    Choice,
    CurveComparison,
    Group,
    align_curves,
    comparable_runs,
    compare_metadata,
    compare_metrics,
    last_good_run,
)

if TYPE_CHECKING:
    import pandas as pd

    from analysis.curve_shape import Shape
    from analysis.oven_model import OvenModel
    from ingest.archive import Archive
    from ingest.recording import Recording

# Comparable runs that tell the usual scatter: the scatter of 60 is known to about a tenth, more tells little more.
GROUP_RUNS = 60
# Comparable runs whose whole curves are read; curve_shape needs 12, and each one costs a read of its samples.
SHAPE_RUNS = 30
_KEYS = ("oven", "setpoint_hash", "board", "board_revision", "kind")
# Run numbers a group is picked from; the range lets DuckDB skip whole row groups, the list picks within them.
_AMONG = "run BETWEEN ? AND ? AND run IN (SELECT unnest(?::INTEGER[]))"


@dataclass(frozen=True)
class Comparison:
    """Two runs, the second against the first.

    `first`, `second`: their rows of run_overview. `group`: the runs that are comparable with the second and tell the
    usual scatter (at most GROUP_RUNS, the nearest in time). `alike`: None when the two may be compared, otherwise what
    makes them different in kind, in words. `metadata`, `metrics`, `curves`: see analysis.compare. `shape`: the second
    run's curve against its group's, or None when it was not asked for.
    """

    first: dict[str, Any]
    second: dict[str, Any]
    group: Group
    alike: str | None
    metadata: pd.DataFrame
    metrics: pd.DataFrame
    curves: CurveComparison
    recordings: tuple[Recording, Recording]
    shape: Shape | None


def last_good_before(archive: Archive, run: int) -> Choice:
    """The latest comparable run before `run` that was good, by the rule of analysis.compare.last_good_run.

    Raises ArchiveError when there is no such run.
    """
    own = _own(archive, run)
    if own["oven"] is None:
        return Choice(None, "the oven of this run is not recorded, so no run is comparable")
    where, values = _like(own)
    good = "o.verdict = 'meets' AND o.complete AND NOT o.danger"
    earlier = "(o.started_at < ? OR (o.started_at IS NULL AND o.run < ?))"
    times = (own["started_at"], run) if own["started_at"] is not None else (None, run)
    if own["started_at"] is None:
        earlier, times = "o.run < ?", (run,)
    newest = "ORDER BY o.started_at DESC NULLS LAST, o.run DESC LIMIT 50"
    frame = _rows_of(
        archive,
        run,
        f"SELECT run FROM run_overview o WHERE {where} AND {earlier} AND {good} {newest}",
        (*values, *times),
    )
    if len(frame) == 1:  # nothing good; whether there is anything to compare at all decides what is said
        frame = _rows_of(
            archive, run, f"SELECT run FROM run_overview o WHERE {where} AND o.run <> ? LIMIT 50", (*values, run)
        )
    return last_good_run(_with_troubles(archive, frame), run)


def compare_runs(archive: Archive, first: int, second: int, *, with_shape: bool = False) -> Comparison:
    """What changed from run `first` to run `second`: metadata, metrics and aligned curves, the most unusual first.

    How unusual a difference is, is told by the scatter of the runs comparable with the second. `with_shape` compares the
    second run's curve with its group's as well (needs scikit-learn, reads up to SHAPE_RUNS curves). Raises ArchiveError
    when a run is not there, or both are the same.
    """
    from ingest.archive.errors import ArchiveError
    from ingest.archive.runs import load_recordings

    if first == second:
        raise ArchiveError(f"run {first} cannot be compared with itself: name two runs")
    own = _own(archive, second)
    where, values = _like(own) if own["oven"] is not None else ("FALSE", ())
    near = "ORDER BY abs(date_diff('second', o.started_at, ?)) NULLS LAST, abs(o.run - ?)"
    frame = _rows_of(
        archive,
        (first, second),
        f"SELECT run FROM run_overview o WHERE {where} AND o.run NOT IN (?, ?) {near} LIMIT ?",
        (*values, first, second, own["started_at"], second, GROUP_RUNS),
    )
    if first not in set(frame["run"]):
        raise ArchiveError(f"there is no run {first}")
    found = comparable_runs(frame, second)
    others = tuple(run for run in found.runs if run not in (first, second))
    group = Group(others, found.words)
    metrics = archive.read(f"SELECT * FROM metric_long WHERE {_AMONG}", _among([first, second, *others]))
    wanted = [first, second, *(others[:SHAPE_RUNS] if with_shape else ())]
    with archive.connect() as con:
        recordings = dict(load_recordings(con, wanted))
    shape = None
    if with_shape:
        from analysis.curve_shape import compare_shape

        shape = compare_shape(
            recordings[second], {run: r for run, r in recordings.items() if run not in (first, second)}
        )
    metadata = compare_metadata(frame, first, second)
    return Comparison(
        first=_row(frame, first),
        second=_row(frame, second),
        group=group,
        alike=_different_in_kind(_row(frame, first), _row(frame, second)),
        metadata=metadata,
        metrics=compare_metrics(metrics, first, second, others),
        curves=align_curves(recordings[first], recordings[second]),
        recordings=(recordings[first], recordings[second]),
        shape=shape,
    )


def shape_of(archive: Archive, run: int) -> Shape:
    """One run's curves against those of its group (at most SHAPE_RUNS, the nearest in time).

    Needs scikit-learn and reads up to SHAPE_RUNS curves, so it is asked for, not stored. Raises ArchiveError when there is
    no such run.
    """
    from analysis.curve_shape import Shape, compare_shape
    from ingest.archive.runs import load_recordings

    own = _own(archive, run)
    if own["oven"] is None:
        return Shape("not evaluated", "the oven of this run is not recorded, so no run is comparable", 0)
    where, values = _like(own)
    near = "ORDER BY abs(date_diff('second', o.started_at, ?)) NULLS LAST, abs(o.run - ?)"
    frame = _rows_of(
        archive,
        run,
        f"SELECT run FROM run_overview o WHERE {where} AND o.run <> ? {near} LIMIT ?",
        (*values, run, own["started_at"], run, GROUP_RUNS),
    )
    others = [other for other in comparable_runs(frame, run).runs if other != run][:SHAPE_RUNS]
    with archive.connect() as con:
        recordings = dict(load_recordings(con, [run, *others]))
    return compare_shape(recordings[run], {other: recordings[other] for other in others})


def model_of(archive: Archive, run: int) -> OvenModel:
    """The oven as a small thermal model, identified from one run's log (analysis.oven_model.identify).

    Cooling is towards the room temperature recorded with the run, else towards a cold start. Takes about a second, so it
    is asked for, not stored. Raises ArchiveError when there is no such run.
    """
    from analysis.oven_model import identify
    from ingest.archive.runs import load_recording

    own = _own(archive, run)
    with archive.connect() as con:
        recording = load_recording(con, run)
    return identify(recording, room_c=own["ambient_c"])


def _rows_of(archive: Archive, runs: int | tuple[int, ...], picked: str, values: tuple[Any, ...]) -> pd.DataFrame:
    """Rows of run_overview: of `runs`, then of the others that the query `picked` names, in its order.

    The numbers first: sorting the wide rows of every run would take ten times as long.
    """
    wanted = [runs] if isinstance(runs, int) else list(runs)
    with archive.connect() as con:
        wanted += [int(row[0]) for row in con.execute(picked, values).fetchall()]
        rows = con.execute(f"SELECT * FROM run_overview WHERE {_AMONG}", _among(wanted)).df()
    place = {run: i for i, run in enumerate(wanted)}
    return rows.iloc[rows["run"].map(place).argsort(kind="stable")].reset_index(drop=True)


def _among(runs: list[int]) -> tuple[int, int, list[int]]:
    return min(runs), max(runs), runs


def _with_troubles(archive: Archive, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of run_overview with the columns `last_good_run` looks at: defects found, sensors that failed a check."""
    among = _among([int(run) for run in frame["run"]])
    defects = archive.read(f"SELECT run, sum(count) AS n FROM defect_long WHERE {_AMONG} GROUP BY run", among)
    failed = archive.read(
        f"SELECT run, count(*) AS n FROM finding WHERE state = 'fail' AND {_AMONG} GROUP BY run", among
    )
    return frame.assign(
        defects=frame["run"].map(defects.set_index("run")["n"]).astype(float),
        sensor_failures=frame["run"].map(failed.set_index("run")["n"]).astype(float),
    )


def _own(archive: Archive, run: int) -> dict[str, Any]:
    from ingest.archive.errors import ArchiveError

    frame = archive.read("SELECT * FROM run_overview WHERE run = ?", (run,))
    if frame.empty:
        raise ArchiveError(f"there is no run {run}")
    return _row(frame, run)


def _row(frame: pd.DataFrame, run: int) -> dict[str, Any]:
    """One row as plain values; missing is None."""
    import pandas as pd

    row = frame[frame["run"] == run].iloc[0]
    plain: dict[str, Any] = {}
    for name, value in row.items():
        if pd.isna(value):
            plain[str(name)] = None
        elif isinstance(value, pd.Timestamp):
            plain[str(name)] = value.to_pydatetime()
        else:
            plain[str(name)] = value.item() if hasattr(value, "item") else value
    return plain


def _like(own: dict[str, Any]) -> tuple[str, tuple[Any, ...]]:
    """The condition that picks runs equal in every known field, as analysis.compare.comparable_runs does on a frame."""
    known = [field for field in _KEYS if own[field] is not None]
    return " AND ".join(f"o.{field} = ?" for field in known), tuple(own[field] for field in known)


def _different_in_kind(first: dict[str, Any], second: dict[str, Any]) -> str | None:
    words = {"setpoint_hash": "set points", "board_revision": "board revision", "kind": "kind of run"}
    differing = [
        words.get(field, field)
        for field in (*LIKE_WITH_LIKE, "kind")
        if first[field] is not None and second[field] is not None and first[field] != second[field]
    ]
    unknown = [
        words.get(field, field)
        for field in (*LIKE_WITH_LIKE, "kind")
        if field != "board_revision" and (first[field] is None or second[field] is None)
    ]
    parts = []
    if differing:
        parts.append(f"not the same {', '.join(differing)}")
    if unknown:
        parts.append(f"not recorded for at least one: {', '.join(unknown)}")
    return "; ".join(parts) or None
