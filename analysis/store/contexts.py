"""What the evaluation of a run must know, out of the archive: paste, limits, budget, placements."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from analysis.metrics.plan import canonical
from analysis.results import Context, Limit
from analysis.uncertainty import usable_budget
from analysis.windows import BUILT_IN, built_in_body_limits, default_for

if TYPE_CHECKING:
    from ingest.archive.connection import Connection

# A room temperature that was read off the run's own cold start says nothing about that start.
_RUNS = """
SELECT r.run_id, r.oven_id, r.board_id, p.paste_id, CASE WHEN a.origin = 'derived' THEN NULL ELSE r.ambient_c END,
       p.alloy, p.family, p.liquidus_c, o.budget, o.control_channel, b.package_thickness_mm, b.package_volume_mm3, e.windows,
       r.ambient_c
FROM run r
LEFT JOIN jar j USING (jar_id)
LEFT JOIN paste p ON p.paste_id = coalesce(r.paste_id, j.paste_id)
LEFT JOIN oven o USING (oven_id)
LEFT JOIN board b USING (board_id)
LEFT JOIN evaluation e ON e.run_id = r.run_id
LEFT JOIN run_origin a ON a.run_id = r.run_id AND a.field = 'ambient_c'
"""
# From the end of the oven's runs before to the start of a run, and the room as it or a run of the hours before knew it; of
# one run, and of all at once.
_BEFORE_ONE = """
SELECT r.run_id, epoch(r.started_at) - max(epoch(q.started_at) + q.duration_s) FILTER (q.started_at < r.started_at),
       arg_max(q.ambient_c, q.started_at) FILTER (q.started_at >= r.started_at - INTERVAL 12 HOUR)
FROM run r JOIN run q ON q.oven_id = r.oven_id AND q.started_at <= r.started_at
WHERE r.run_id = ? GROUP BY r.run_id, r.started_at
"""
_BEFORE_ALL = """
SELECT run_id, epoch(started_at) - max(epoch(started_at) + duration_s) OVER (
    PARTITION BY oven_id ORDER BY started_at, run_id ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS idle_s,
    last_value(ambient_c IGNORE NULLS) OVER (
    PARTITION BY oven_id ORDER BY started_at RANGE BETWEEN INTERVAL 12 HOUR PRECEDING AND CURRENT ROW) AS room_c
FROM run WHERE oven_id IS NOT NULL AND started_at IS NOT NULL
"""
# Runs that were given another oven or board since they were judged: that one's windows are new to them.
_MOVED = """
SELECT DISTINCT c.row_id, c.field FROM change c JOIN evaluation e ON e.run_id = c.row_id
WHERE c.table_name = 'run' AND c.field IN ('oven', 'board') AND c.changed_at >= e.evaluated_at
"""
_EVERYBODY = frozenset({"board", "oven", "house"})
_WINDOWS = """
SELECT w.window_id, w.scope, w.paste_id, w.board_id, w.oven_id, w.source, w.revision, w.is_default,
       w.superseded_at IS NULL AS active, l.metric, l.parameters, l.low, l.high, l.unit, p.alloy
FROM limit_window w JOIN window_limit l USING (window_id) LEFT JOIN paste p ON p.paste_id = w.paste_id
ORDER BY w.window_id, l.rowid
"""


def context_for(con: Connection, run_id: int, *, keep_windows: bool = False) -> Context:
    """The context of one run. Raises ArchiveError when there is no such run."""
    for _, context in contexts_for(con, [run_id], keep_windows=keep_windows):
        return context
    from ingest.archive.errors import ArchiveError

    raise ArchiveError(f"there is no run {run_id}")


def contexts_for(
    con: Connection, run_ids: Sequence[int] | None = None, *, keep_windows: bool = False
) -> Iterable[tuple[int, Context]]:
    """(run number, context) in ascending order; None: all runs. Numbers that do not exist are left out.

    Limits are those of today: the paste's own window, or its alloy family's default while it has none; the board's body
    window, or the built-in table when the board's most sensitive package is known; the house windows that apply. With
    `keep_windows`, a window that an earlier evaluation of the run used is used again where it still belongs to the
    run's paste, board or oven, although a later revision exists, and a first window of a board, an oven or the house that
    was entered after the evaluation is left out: new rules do not bring new limits.
    """
    where, params = "", []
    one = run_ids is not None and len(run_ids) == 1
    if one:
        where, params = "WHERE r.run_id = ?", list(run_ids or ())  # planned ten times as fast as a list
    elif run_ids is not None:
        where, params = "WHERE r.run_id IN (SELECT unnest(?::INTEGER[]))", [list(run_ids)]
    runs = con.execute(f"{_RUNS} {where} ORDER BY r.run_id", params).fetchall()
    channels: dict[int, dict[str, tuple[str | None, str | None]]] = {}
    for run_id, name, place, attachment in con.execute(
        f"""SELECT run_id, name, placement, attachment FROM channel r {where}
            {"AND" if where else "WHERE"} (placement IS NOT NULL OR attachment IS NOT NULL) ORDER BY run_id, channel_no""",
        params,
    ).fetchall():
        channels.setdefault(run_id, {})[name] = (place, attachment)
    before_all = f"SELECT r.run_id, r.idle_s, r.room_c FROM ({_BEFORE_ALL}) r {where}"
    before: dict[int, tuple[float | None, float | None]] = {
        run: (idle, room) for run, idle, room in con.execute(_BEFORE_ONE if one else before_all, params).fetchall()
    }
    book = _Windows(con)
    moved: dict[int, set[str]] = {}
    if keep_windows:
        found = con.execute(f"{_MOVED} AND e.run_id = ?", params) if one else con.execute(_MOVED)
        for run_id, field in found.fetchall():
            moved.setdefault(run_id, set()).add(field)
    return [
        (
            row[0],
            _context(
                row,
                channels.get(row[0], {}),
                before.get(row[0], (None, None)),
                book,
                keep_windows,
                moved.get(row[0], ()),
            ),
        )
        for row in runs
    ]


def _context(
    row: tuple[Any, ...],
    placements: dict,
    before: tuple[float | None, float | None],
    book: _Windows,
    keep: bool,
    moved: Collection[str],
) -> Context:
    (_, oven_id, board_id, paste_id, ambient, alloy, family, liquidus, budget, control, thick, volume, used, own) = row
    idle_s, room_c = before
    kept = frozenset(json.loads(used)) if keep and used else frozenset()
    # whose windows may be new to the run: everybody's at its first evaluation, later those of what it was given since
    new = frozenset(moved) if keep and used else _EVERYBODY
    limits, ceiling = book.limits(paste_id, board_id, oven_id, alloy, family, kept, new, (thick, volume))
    return Context(
        liquidus_c=liquidus,
        alloy=alloy,
        limits=limits,
        budget=book.budget(budget),
        placements=placements,
        control_channel=control,
        ambient_c=ambient,
        room_c=next((room for room in (ambient, own, room_c) if room is not None), None),
        classification_c=ceiling,
        idle_s=idle_s,
    )


class _Windows:
    """All windows, read once: a shop has tens of them."""

    def __init__(self, con: Connection) -> None:
        self._limits: dict[int, list[Limit]] = {}
        self._owners: dict[int, tuple[str, int | None, int | None, int | None, bool, bool]] = {}
        self._default_of: dict[str, list[int]] = {}  # alloy -> its default windows, oldest first
        for row in con.execute(_WINDOWS).fetchall():
            window_id, scope, paste, board, oven, source, revision, is_default, active = row[:9]
            metric, text, low, high, unit, alloy = row[9:]
            limit = Limit(metric, canonical(text), low, high, unit, scope, source, revision, window_id, is_default)
            self._limits.setdefault(window_id, []).append(limit)
            if window_id not in self._owners:
                self._owners[window_id] = (scope, paste, board, oven, is_default, active)
                if is_default and alloy is not None:
                    self._default_of.setdefault(alloy, []).append(window_id)
        # kept, so that runs judged by the same windows share one tuple: they are then judged together
        self._memory: dict[tuple[Any, ...], tuple[tuple[Limit, ...], float | None]] = {}
        self._same: dict[tuple[Limit, ...], tuple[Limit, ...]] = {}
        self._budgets: dict[str | None, dict[str, float]] = {None: {}}

    def budget(self, text: str | None) -> dict[str, float]:
        if text not in self._budgets:
            self._budgets[text] = usable_budget(json.loads(text)) if text else {}
        return self._budgets[text]

    def limits(
        self, paste, board, oven, alloy, family, kept: frozenset[int], new: frozenset[str], package
    ) -> tuple[tuple[Limit, ...], float | None]:
        """The limits of a run's owners; of each owner the window in `kept`, else the active one. And the body ceiling [°C].

        Of a board, an oven and the house the active one counts only when they are in `new`. `package`: thickness [mm]
        and volume [mm³] of the board's most sensitive one.
        """
        key = (paste, board, oven, alloy, family, kept, new)
        if (*key, package) not in self._memory:
            limits = [x for window in self._chosen(*key) for x in self._limits[window]]
            body = [limit for limit in limits if limit.scope == "body"]
            if not body and family and all(size and size > 0 for size in package):
                body = list(built_in_body_limits(family, *package))
                limits += body
            ceiling = next((limit.high for limit in body if limit.metric == "peak_c" and limit.high is not None), None)
            self._memory[*key, package] = self._same.setdefault(tuple(limits), tuple(limits)), ceiling
        return self._memory[*key, package]

    def _chosen(self, paste, board, oven, alloy, family, kept, new) -> list[int]:
        chosen = []
        if paste is not None:
            own = [w for w, o in self._owners.items() if o[0] == "paste" and o[1] == paste]
            default = default_for(alloy, family)
            stand_in = self._default_of.get(default.alloy.name, []) if default is not None else []
            chosen += self._pick(own, kept) if not kept.intersection(stand_in) else []
            chosen = chosen or self._pick(stand_in, kept)
        if board is not None:
            bodies = [w for w, o in self._owners.items() if o[0] == "body" and o[2] == board]
            chosen += self._pick(bodies, kept, "board" in new)
        house: dict[tuple[int | None, int | None], list[int]] = {}
        for w, o in self._owners.items():
            if o[0] == "house" and o[2] in (None, board) and o[3] in (None, oven):
                house.setdefault((o[2], o[3]), []).append(w)
        for (of_board, of_oven), windows in house.items():
            owner = "board" if of_board is not None else "oven" if of_oven is not None else "house"
            chosen += self._pick(windows, kept, owner in new)
        return chosen

    def _pick(self, windows: list[int], kept, may_be_new: bool = True) -> list[int]:
        """Of one owner's revisions, the one kept or the active one."""
        earlier = [w for w in windows if w in kept]
        return earlier[-1:] or [w for w in windows if self._owners[w][5] and may_be_new][-1:]


def windows_used(context: Context) -> list[int]:
    """The windows a context's limits come from; the built-in tables have no number."""
    return sorted({limit.window_id for limit in context.limits if limit.window_id != BUILT_IN})
