"""What a cold oven tells: all channels must agree with each other and with the room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.checks.history import UsualOfMany
from analysis.checks.many import ROUNDING, BoolArray, Many
from analysis.checks.view import FloatArray, View, at, middle_value, unable
from analysis.results import Finding

# Cold: near the room where it is known, else below a temperature that a shop in summer can have.
COLD_ABOVE_ROOM_K = 8.0
COLD_BELOW_C = 35.0
OFFSET_ABOVE_ROOM_K = 20.0
# A log that begins while the oven already heats shows lag, not offset: nothing may move by more than 1 K in 6 s, or by
# 4 K when the set point is still near the oven (the profile starts with the log).
QUIET_K = 1.0
UNDER_WAY_K = 3.0
QUIET_OVER_S = 6.0
SETPOINT_NEAR_K = 5.0
SETPOINT_COLD_C = 28.0
# Cold channels on one input board agree within 1 °C when in order (idle for an hour); 3 K is beyond input and
# reference-junction scatter. What is left of the last run may spread: a fifth of the excess over the room.
DISAGREE_K = 3.0
FAIL_K = 9.0
WARM_SHARE = 0.2
COOLEST_SHOP_C = 20.0
# Room thermometer (1 K), its place (1 K) and the tips (2 K within, for an oven in order).
ROOM_K = 4.0
ROOM_FAIL_K = 9.0
# Above the room, only an hour of idling tells an offset from a warm oven.
IDLE_S = 3600.0
# One reference junction shifts all channels by the same amount.
TOGETHER_K = 1.5
SHIFT_K = 3.0
SHIFT_FAIL_K = 8.0
SCATTERS = 4.0
ALONE_FACTOR = 3.0
HEATS = "the log begins while the oven already heats"
TWO_CHANNELS = "needs two channels"
NO_ROOM = "no room temperature recorded"
NO_HISTORY = "no earlier comparable run"
NO_ROOM_TO_SHIFT_FROM = "no room temperature recorded, so a warmer room looks the same"
FEW_KNOWN = "needs two channels whose usual distance from the room is known"


def check_cold_start(view: View) -> list[Finding]:
    """Cold-start agreement, agreement with the room, and a common shift against the usual.

    Domain: a log that begins with the oven cold and quiet; two channels for agreement; a room temperature (and an hour
    idle, for readings above it) for the room; earlier comparable runs with a room temperature for a shift at the start.
    A common jump within the log needs none of these.
    """
    jump = _common_jump(view)
    rows = view.alive
    if not rows:
        reason = "no believable temperature channel"
        return [unable("cold_disagreement", reason), unable("room_disagreement", reason), *jump]
    start = _start(view)
    why_not = _not_cold(view, rows, start)
    if why_not:
        jump = jump or [unable("reference_shift", why_not)]
        return [unable("cold_disagreement", why_not), unable("room_disagreement", why_not), *jump]
    shift = jump or _shift(view, rows, start)
    together = any(f.state != "not evaluated" for f in shift)
    return [*_agreement(view, rows, start), *_room(view, view.alive, start, explained=together), *shift]


def _start(view: View) -> FloatArray:
    """Median of the first three seconds per row [°C]."""
    count = int(np.searchsorted(view.elapsed_s, 3.0, side="right"))
    if count < 3:
        return view.filled[:, 0]
    ordered = np.sort(view.filled[:, :count], axis=1)
    return (ordered[:, (count - 1) // 2] + ordered[:, count // 2]) / 2.0


def _not_cold(view: View, rows: list[int], start: FloatArray) -> str:
    """Why this start says nothing about offsets; empty when it does."""
    middle = middle_value(start[rows])
    room = view.context.ambient_c
    # After an hour idle a start above the room may be an offset, up to a size that no late start has.
    idle_long = view.context.idle_s is not None and view.context.idle_s >= IDLE_S
    above = OFFSET_ABOVE_ROOM_K if idle_long else COLD_ABOVE_ROOM_K
    if middle > (COLD_BELOW_C if room is None else room + above):
        return _starts_warm(middle, room)
    later = max(1, int(np.searchsorted(view.elapsed_s, QUIET_OVER_S)))
    until = max(later + 1, int(np.searchsorted(view.elapsed_s, QUIET_OVER_S + 3.0)))
    allowed = QUIET_K + 1.5 * view.noise_k[rows] + 0.5 * view.resolution_k[rows]
    moved = np.abs(view.filled[rows, later:until].mean(axis=1) - start[rows])
    if (moved <= allowed).all():
        return ""
    near = view.setpoint is not None and float(view.setpoint[0]) <= max(middle + SETPOINT_NEAR_K, SETPOINT_COLD_C)
    if not near or (moved > allowed + UNDER_WAY_K).any():
        return HEATS
    return ""


def _starts_warm(middle: float, room: float | None) -> str:
    return f"the run starts warm ({middle:.0f} °C{'' if room is None else f' in a room of {room:.0f} °C'})"


def _agreement(view: View, rows: list[int], start: FloatArray) -> list[Finding]:
    if len(rows) < 2:
        return [unable("cold_disagreement", TWO_CHANNELS)]
    room = view.context.ambient_c
    base = COOLEST_SHOP_C if room is None else room
    findings: list[Finding] = []
    rest = list(rows)
    while len(rest) >= 2:
        centre = middle_value(start[rest])
        row = max(rest, key=lambda r, centre=centre: abs(float(start[r]) - centre))
        others = [other for other in rest if other != row]
        if len(rows) == 2 and room is not None and abs(start[others[0]] - room) > abs(start[row] - room):
            row, others = others[0], [row]  # of two, the one further from the room
        middle = middle_value(start[others])
        apart = abs(float(start[row]) - middle)
        scatter = max(float(view.noise_k[row]), view.scatter_k.get(row, 0.0))
        tolerance = DISAGREE_K + float(view.resolution_k[row]) + 2.5 * scatter
        tolerance += WARM_SHARE * max(0.0, middle - base)
        if apart < tolerance:
            break
        state = "fail" if apart >= tolerance + FAIL_K - DISAGREE_K else "suspect"
        # Of two channels without a room temperature nobody can say which.
        number = None if len(rows) == 2 and room is None else view.numbers[row]
        words = view.names[others[0]] if len(others) == 1 else "the middle of the others"
        evidence = f"{view.names[row]} reads {start[row]:.1f} °C cold, {words} {middle:.1f} °C"
        evidence += f", the room {room:.1f} °C" if room is not None else ""
        evidence += _usually_apart(view, row, others)
        findings.append(view.finding("cold_disagreement", number, state, evidence))
        if state == "fail" and number is not None:
            view.failed[row] = "cold_disagreement"
        rest = others
        if len(rows) <= 3:
            break  # with one or two left there is no majority to measure against
    return findings or _moved(view, rows, start)


def _moved(view: View, rows: list[int], start: FloatArray) -> list[Finding]:
    """A channel that has left its usual distance from the others, where all are still near enough to pass together.

    A sensor that steps by 4 K within the oven's usual agreement is seen here; after about ten runs the step is the usual.
    """
    if view.history is None:
        return []
    moved: dict[int, tuple[float, float, int]] = {}  # row -> shift [K], scatter [K], n
    for row in rows:
        found = [
            (float(start[row] - start[other]) - usual.median, usual.scatter, usual.n)
            for other in rows
            if other != row and (usual := view.history.start_difference(view.names[row], view.names[other])) is not None
        ]
        if not found:
            return []
        shifts, scatters, counts = zip(*found, strict=True)
        moved[row] = float(np.median(shifts)), float(np.median(scatters)), min(counts)
    row = max(moved, key=lambda r: abs(moved[r][0]))
    shift, scatter, n = moved[row]
    usual_start = [view.history.start_c[view.names[r]].median for r in rows if view.names[r] in view.history.start_c]
    warmer = float(np.median(start[rows])) - float(np.median(usual_start)) if usual_start else 0.0
    need = max(DISAGREE_K, SCATTERS * scatter) + float(view.resolution_k[row]) + WARM_SHARE * max(0.0, warmer)
    if abs(shift) < need:
        return []
    # Of two channels nobody can say which has moved.
    number = None if len(rows) == 2 else view.numbers[row]
    evidence = f"{view.names[row]} reads {start[row]:.1f} °C cold"
    evidence += f", {shift:+.1f} K from its usual distance to the others (n = {n})."
    return [view.finding("cold_disagreement", number, "suspect", evidence)]


def _usually_apart(view: View, row: int, others: list[int]) -> str:
    """What the difference usually is, as the end of a sentence."""
    if view.history is None:
        return "."
    known = [view.history.start_difference(view.names[row], view.names[other]) for other in others]
    usual = [k for k in known if k is not None]
    if not usual:
        return "."
    return f"; usually {middle_value([u.median for u in usual]):+.1f} K apart (n = {min(u.n for u in usual)})."


def _room(view: View, rows: list[int], start: FloatArray, *, explained: bool) -> list[Finding]:
    """All channels together against the room; one channel alone against the others is disagreement already."""
    room = view.context.ambient_c
    if room is None:
        return [unable("room_disagreement", NO_ROOM)]
    if explained or not rows:
        return []
    apart = middle_value(start[rows]) - room
    tolerance = ROOM_K + float(view.resolution_k[rows].max())
    if abs(apart) < tolerance:
        return []
    idle = view.context.idle_s
    if apart > 0 and (idle is None or idle < IDLE_S):
        known = "unknown idle time" if idle is None else f"{idle / 60:.0f} min idle"
        reason = f"the oven reads {apart:.1f} K above the room after {known}: still warm, or an offset"
        return [unable("room_disagreement", reason)]
    state = "fail" if abs(apart) >= ROOM_FAIL_K else "suspect"
    number = view.numbers[rows[0]] if len(rows) == 1 else None
    return [
        view.finding(
            "room_disagreement",
            number,
            state,
            f"The cold oven reads {middle_value(start[rows]):.1f} °C ({len(rows)} channels), the room {room:.1f} °C.",
        )
    ]


def _shift(view: View, rows: list[int], start: FloatArray) -> list[Finding]:
    """All channels shifted alike at a cold start against their usual distance from the room."""
    code = "reference_shift"
    if view.history is None:
        return [unable(code, NO_HISTORY)]
    if view.context.ambient_c is None:
        return [unable(code, NO_ROOM_TO_SHIFT_FROM)]
    usual = view.history.start_minus_room_k
    known = [row for row in rows if view.names[row] in usual]
    if len(known) < 2:
        return [unable(code, FEW_KNOWN)]
    typical = [usual[view.names[row]] for row in known]
    shifts = start[known] - view.context.ambient_c - np.array([t.median for t in typical])
    shift = middle_value(shifts)
    step = float(view.resolution_k[known].max())
    need = max(SHIFT_K, SCATTERS * middle_value([t.scatter for t in typical])) + step
    together = TOGETHER_K + step + 2.0 * float(view.noise_k[known].max())
    if abs(shift) < need or float(np.ptp(shifts)) > together:
        return []
    if shift > 0 and (view.context.idle_s is None or view.context.idle_s < IDLE_S):
        return [
            unable(code, f"all channels start {shift:.1f} K higher than usual: still warm, or shifted (idle time?)")
        ]
    state = "fail" if abs(shift) >= SHIFT_FAIL_K else "suspect"
    n = min(t.n for t in typical)
    evidence = (
        f"All {len(known)} channels start {shift:+.1f} K from their usual distance to the room "
        f"(range {np.ptp(shifts):.1f} K, n = {n})."
    )
    return [view.finding(code, None, state, evidence)]


def _common_jump(view: View) -> list[Finding]:
    """All channels jump by one amount between two samples and stay there."""
    rows = view.alive
    if len(rows) < 2 or any(len(view.jumps[row]) == 0 for row in rows):
        return []
    common = set(view.jumps[rows[0]].tolist()).intersection(*(view.jumps[row].tolist() for row in rows[1:]))
    for k in sorted(common - view.lost_rows):
        steps = view.change[rows, k]
        size = float(np.median(steps))
        rounding = float((view.resolution_k[rows] + 2.0 * view.noise_k[rows]).max())
        alike = float(np.ptp(steps)) <= max(2.0, 0.1 * abs(size)) + rounding
        # Opening the door moves air tips alike too, but not in one step out of rest.
        near = [view.size_of_change[rows, j] for j in (k - 1, k + 1) if 0 <= j < view.change.shape[1]]
        alone = bool((np.abs(steps) >= ALONE_FACTOR * np.nanmax(np.array(near), axis=0)).all())
        if alike and alone and view.stays(rows, k):
            state = "fail" if abs(size) >= SHIFT_FAIL_K else "suspect"
            evidence = f"All {len(rows)} channels jump by {size:+.1f} K at {at(view.elapsed_s, k + 1)} and stay there."
            return [view.finding("reference_shift", None, state, evidence)]
    return []


@dataclass(frozen=True)
class ColdStarts:
    """The cold starts of many runs: `start_c` (runs, rows), `room_c` (runs,) NaN where it is not known, `cold` (runs,)
    those whose channels agree with each other and with the room, so that only earlier runs can tell more."""

    start_c: FloatArray
    room_c: FloatArray
    cold: BoolArray

    def some(self, runs: NDArray[np.intp]) -> ColdStarts:
        return ColdStarts(self.start_c[runs], self.room_c[runs], self.cold[runs])

    @classmethod
    def joined(cls, parts: Sequence[ColdStarts]) -> ColdStarts:
        return cls(
            np.concatenate([part.start_c for part in parts]),
            np.concatenate([part.room_c for part in parts]),
            np.concatenate([part.cold for part in parts]),
        )


def screen_cold_start(many: Many) -> tuple[BoolArray, ColdStarts]:
    """Runs whose channels may disagree with each other or with the room; and what is left for `screen_shifts`."""
    contexts, rows = many.contexts, len(many.numbers)
    room = np.array([np.nan if c.ambient_c is None else c.ambient_c for c in contexts], dtype=np.float64)
    known = ~np.isnan(room)
    count = int(np.searchsorted(many.elapsed_s, 3.0, side="right"))
    if count < 3:
        start = many.values[:, :, 0]
    else:
        ordered = np.sort(many.values[:, :, :count], axis=2)
        start = (ordered[:, :, (count - 1) // 2] + ordered[:, :, count // 2]) / 2.0
    middle = _middle_of_rows(start)
    idle = np.array([c.idle_s is not None and c.idle_s >= IDLE_S for c in contexts], dtype=bool)
    above = np.where(idle, OFFSET_ABOVE_ROOM_K, COLD_ABOVE_ROOM_K)
    warm = middle > np.where(known, room + above, COLD_BELOW_C)
    heats, unsure = _heats(many, start, middle)
    found = many.jumps | (unsure & ~warm)
    for code in ("cold_disagreement", "room_disagreement", "reference_shift"):
        many.answers.unable(heats, code, HEATS)
        for run in np.flatnonzero(warm).tolist():
            many.answers.unable(run, code, _starts_warm(float(middle[run]), contexts[run].ambient_c))
    cold = ~found & ~heats & ~warm
    if rows < 2:
        many.answers.unable(cold, "cold_disagreement", TWO_CHANNELS)
    base = np.where(known, room, COOLEST_SHOP_C)
    for row in range(rows if rows > 1 else 0):
        of_others = _middle_of_rows(np.delete(start, row, axis=1))
        tolerance = DISAGREE_K + WARM_SHARE * np.maximum(0.0, of_others - base)
        found |= cold & (np.abs(start[:, row] - of_others) >= tolerance - ROUNDING)
    many.answers.unable(cold & ~known, "room_disagreement", NO_ROOM)
    found |= cold & known & ~(np.abs(middle - room) < ROOM_K - ROUNDING)
    return found, ColdStarts(start, room, cold & ~found)


def _middle_of_rows(values: FloatArray) -> FloatArray:
    """Median over the rows of each run: `values` (runs, rows)."""
    ordered = np.sort(values, axis=1)
    half = ordered.shape[1] // 2
    return ordered[:, half] if ordered.shape[1] % 2 else 0.5 * (ordered[:, half - 1] + ordered[:, half])


def _heats(many: Many, start: FloatArray, middle: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Runs that move at their start by more than a quiet oven does, and those too near to that to say."""
    later = max(1, int(np.searchsorted(many.elapsed_s, QUIET_OVER_S)))
    until = max(later + 1, int(np.searchsorted(many.elapsed_s, QUIET_OVER_S + 3.0)))
    moved = np.abs(many.values[:, :, later:until].mean(axis=2) - start)
    moves, unsure, far = many.nowhere, many.nowhere, many.nowhere
    run, row = np.nonzero(moved > QUIET_K - ROUNDING)
    if len(run) == 0:
        return moves, unsure
    shapes = many.shapes((run, row))
    over = moved[run, row] - (QUIET_K + 1.5 * shapes.noise_k + 0.5 * shapes.resolution_k)
    moves[run[over > ROUNDING]] = True
    far[run[over > UNDER_WAY_K + ROUNDING]] = True
    unsure[run[(np.abs(over) <= ROUNDING) | (np.abs(over - UNDER_WAY_K) <= ROUNDING)]] = True
    setpoint, logged = many.setpoint
    near = np.zeros_like(logged)
    if logged.any():
        near = logged & (setpoint[:, 0] <= np.maximum(middle + SETPOINT_NEAR_K, SETPOINT_COLD_C))
    return moves & (~near | far), unsure


def screen_shifts(
    starts: ColdStarts, usual: UsualOfMany, unable_at: Callable[[BoolArray, str, str], None]
) -> BoolArray:
    """Of the `cold` ones, the runs where a channel may have left its usual distance from the others, or all of them
    theirs from the room."""
    cold, known_room, rows = starts.cold, ~np.isnan(starts.room_c), starts.start_c.shape[1]
    unable_at(cold & ~usual.known, "reference_shift", NO_HISTORY)
    unable_at(cold & usual.known & ~known_room, "reference_shift", NO_ROOM_TO_SHIFT_FROM)
    asked = cold & usual.known & known_room
    count = (~np.isnan(usual.start_minus_room_k)).sum(axis=1)
    unable_at(asked & (count < 2), "reference_shift", FEW_KNOWN)
    found = asked & (count >= 2) & (count < rows)
    whole = asked & (count == rows) & (count >= 2)
    shift = np.abs(_middle_of_rows(starts.start_c - starts.room_c[:, None] - usual.start_minus_room_k))
    need = np.maximum(SHIFT_K, SCATTERS * _middle_of_rows(usual.start_minus_room_scatter_k))
    found |= whole & ~(shift < need - ROUNDING)
    if rows < 2:
        return found
    others = [[other for other in range(rows) if other != row] for row in range(rows)]
    for row in range(rows):
        usually = usual.start_difference_k[:, row, others[row]]
        unknown = np.isnan(usually).sum(axis=1)
        moved = np.abs(_middle_of_rows(starts.start_c[:, row, None] - starts.start_c[:, others[row]] - usually))
        need = np.maximum(DISAGREE_K, SCATTERS * _middle_of_rows(usual.start_difference_scatter_k[:, row, others[row]]))
        within = (unknown == rows - 1) | ((unknown == 0) & (moved < need - ROUNDING))
        found |= cold & usual.known & ~within
    return found
