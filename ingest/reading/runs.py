"""Runs inside a log: where one heating ends and the next begins, and which stretches are idle.

A run is a rise of at least `CYCLE_K` to a peak and the fall after it. Between two peaks the curve must have fallen by
`CYCLE_K` from the lower of them; the cut is then made at a restart of the clock or a repeated header, else at the longest
pause, else where the curve is coldest. Idle stretches of more than `IDLE_S` before the heating and after the cooling are
left out, with `LEAD_S` kept before the heating.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ingest.reading.physics import HEATED_C
from ingest.reading.repair import Timeline
from ingest.recording import FloatArray, Notice, Question

CYCLE_K = 60.0  # a dip of the door or of a soak is smaller; cooling between two runs is larger
HOT_VALLEY_C = 125.0  # two runs seldom follow each other hotter than this: ask
IDLE_S = 180.0  # shorter waits before and after belong to the run
LEAD_S = 30.0


@dataclass
class Split:
    """`runs`: (first, past last) positions in the timeline."""

    runs: list[tuple[int, int]] = field(default_factory=list[tuple[int, int]])
    notices: list[Notice] = field(default_factory=list[Notice])
    questions: list[Question] = field(default_factory=list[Question])


def split_runs(
    line: Timeline, curve: FloatArray, busy: np.ndarray | None, breaks: list[int], answers: Mapping[str, str]
) -> Split:
    """Runs of a log. `curve`: representative temperature [°C] per kept sample; `busy`: True where the log itself shows a
    run in progress (heater on, set point up), or None."""
    out = Split()
    bounds = [*line.starts, len(line.seconds)]
    idle_s = 0.0
    left_out = 0
    fragments: list[tuple[int, int]] = []
    for a, b in itertools.pairwise(bounds):
        if b - a < 2:
            left_out += b - a
            continue
        heat = _filled(curve[a:b])
        peaks = turning_points(heat)
        real = [p for p in peaks if heat[p] >= HEATED_C and heat[p] - float(heat[: p + 1].min()) >= 30.0]
        if not real:
            (fragments.append((a, b)) if float(heat.max()) >= HEATED_C else None)
            idle_s += float(line.seconds[b - 1] - line.seconds[a]) if float(heat.max()) < HEATED_C else 0.0
            continue
        cuts = _cuts(line, heat, a, real, breaks, out, answers)
        for c, d in zip([a, *cuts], [*cuts, b], strict=True):
            c2, d2, waited = _trim(line.seconds, _filled(curve[c:d]), busy[c:d] if busy is not None else None, c, d)
            idle_s += waited
            out.runs.append((c2, d2))
    if not out.runs and fragments:
        out.runs.append(max(fragments, key=lambda f: f[1] - f[0]))
        fragments = [f for f in fragments if f != out.runs[0]]
        if float(_filled(curve[out.runs[0][0] : out.runs[0][1]]).argmax()) == 0:
            out.notices.append(
                Notice("starts_hot", "The log begins while the oven is already hot; the heating is missing.")
            )
    if fragments:
        n = sum(b - a for a, b in fragments)
        out.notices.append(
            Notice(
                "remainder_left_out",
                f"{n} samples that only cool down after a restart belong to no complete run and were left out.",
            )
        )
    if idle_s > 0:
        out.notices.append(Notice("idle_left_out", f"{idle_s:.0f} s of idle time belong to no run and were left out."))
    out.runs.sort()
    _drop_scraps(out)
    return out


def _drop_scraps(out: Split) -> None:
    """A handful of widely spaced rows beside real runs is a table of set points or a summary, not a run."""
    most = max((b - a for a, b in out.runs), default=0)
    scraps = [(a, b) for a, b in out.runs if b - a < 12 and most >= 60]
    if scraps:
        out.runs = [r for r in out.runs if r not in scraps]
        rows = sum(b - a for a, b in scraps)
        out.notices.append(
            Notice(
                "scraps_left_out", f"{rows} rows that look like a table of set points, not like samples, were left out."
            )
        )


def _filled(curve: FloatArray) -> FloatArray:
    """The curve without holes and without single-sample spikes (median of three)."""
    if len(curve) > 2:
        a, b, c = curve[:-2], curve[1:-1], curve[2:]
        middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
        curve = np.concatenate([curve[:1], np.where(np.isfinite(middle), middle, b), curve[-1:]])
    good = np.isfinite(curve)
    if good.all():
        return curve
    if not good.any():
        return np.zeros(len(curve))
    at = np.flatnonzero(good)
    return np.interp(np.arange(len(curve)), at, curve[at])


def turning_points(heat: FloatArray, swing: float = CYCLE_K) -> list[int]:
    """Positions of peaks; a turn counts once the curve has come back by `swing` [K]."""
    peaks: list[int] = []
    top = 0
    rising = True
    values = heat.tolist()
    high = low = values[0]
    for i, v in enumerate(values):
        if rising:
            if v > high:
                high, top = v, i
            elif high - v >= swing:
                peaks.append(top)
                rising, low = False, v
        elif v < low:
            low = v
        elif v - low >= swing:
            rising, high, top = True, v, i
    if rising and (not peaks or high - low >= swing):
        peaks.append(top)
    return peaks


def _cuts(
    line: Timeline,
    heat: FloatArray,
    a: int,
    peaks: list[int],
    breaks: list[int],
    out: Split,
    answers: Mapping[str, str],
) -> list[int]:
    cuts: list[int] = []
    broken = np.isin(line.rows, breaks) if breaks else None
    for p, q in itertools.pairwise(peaks):
        valley = p + int(np.argmin(heat[p : q + 1]))
        steps = np.diff(line.seconds[a + p : a + q + 1])
        longest = int(np.argmax(steps))
        headers = (
            np.flatnonzero(broken[a + p + 1 : a + q + 1]) + p + 1 if broken is not None else np.array([], dtype=int)
        )
        if len(headers):
            cuts.append(a + int(headers[np.argmin(np.abs(headers - valley))]))
            continue
        if steps[longest] > max(30.0, 10 * float(np.median(steps))):
            cuts.append(a + p + longest + 1)
            continue
        if heat[valley] > HOT_VALLEY_C:
            said = answers.get("runs", "").lower()
            if said.startswith("one"):
                continue
            if not said:
                out.questions.append(
                    Question(
                        "runs",
                        f"The oven cools to {heat[valley]:.0f} °C and heats again without a pause in the log. "
                        "Is that one run or two?",
                        ("one run", "two runs"),
                        "two runs",
                    )
                )
        cold = heat[valley] + max(3.0, 0.03 * (heat[q] - heat[valley]))
        last_cold = p + int(np.flatnonzero(heat[p : q + 1] <= cold)[-1])
        first_cold = p + int(np.flatnonzero(heat[p : q + 1] <= cold)[0])
        if line.seconds[a + last_cold] - line.seconds[a + first_cold] <= 2 * LEAD_S:
            cuts.append(a + valley)  # no wait between the runs: cut where it is coldest
            continue
        lead = np.searchsorted(line.seconds[a + first_cold : a + last_cold + 1], line.seconds[a + last_cold] - LEAD_S)
        cuts.append(a + first_cold + int(lead))
    return cuts


def _trim(seconds: FloatArray, heat: FloatArray, busy: np.ndarray | None, a: int, b: int) -> tuple[int, int, float]:
    """Idle time before the heating and after the cooling taken off, when there is much of it."""
    top = int(np.argmax(heat))
    cold = float(heat[: top + 1].min())
    onset = int(np.flatnonzero(heat[: top + 1] <= cold + max(3.0, 0.02 * (heat[top] - cold)))[-1])
    if busy is not None and busy[: onset + 1].any():
        quiet = np.flatnonzero(~busy[: onset + 1])
        onset = int(quiet[-1]) if len(quiet) else 0
    waited = 0.0
    first = a
    if seconds[a + onset] - seconds[a] > IDLE_S:
        first = a + int(np.searchsorted(seconds[a : a + onset + 1], seconds[a + onset] - LEAD_S))
        waited += float(seconds[first] - seconds[a])
    end = b
    floor = max(45.0, cold + 15.0)
    cool = np.flatnonzero(heat[top:] <= floor)
    if len(cool):
        done = a + top + int(cool[0])
        if seconds[b - 1] - seconds[done] > IDLE_S:
            end = a + int(np.searchsorted(seconds[a:b] - seconds[a], seconds[done] - seconds[a] + LEAD_S)) + 1
            end = min(b, max(end, done + 1))
            waited += float(seconds[b - 1] - seconds[end - 1])
    return first, end, waited
