"""An oven's uncertainty budget as people read and edit it: the oven's own terms over the defaults, the log's own beside."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.uncertainty import TERMS, BudgetRow, budget_table, term, usable_budget

if TYPE_CHECKING:
    from ingest.archive import Archive

PEAK_C = 245.0  # °C: where the table is worked out; a usual peak of lead-free pastes
_SHARES = ("tolerance_common", "attachment_common")


@dataclass(frozen=True)
class OvenBudget:
    """The table of one oven. `run` is the run whose noise, step and interval are used; None: an example controller's.

    `own` are the terms set for this oven; `shares` what part of a term's variance the channels have in common [1].
    """

    rows: tuple[BudgetRow, ...]
    expanded_k: float
    own: dict[str, float]
    shares: dict[str, float]
    peak_c: float
    run: int | None
    measured_text: str


def share_text(name: str) -> str:
    return f"{TERMS[name][2]} ({TERMS[name][3]})"


def budget_of(archive: Archive, oven_id: int) -> OvenBudget:
    """The budget of an oven, with noise, resolution and interval of its latest run. ArchiveError: no such oven."""
    from ingest.archive.reference import get_oven

    with archive.connect() as con:
        stored = get_oven(con, oven_id)["budget"]
        latest = con.execute(
            "SELECT run_id FROM run WHERE oven_id = ? ORDER BY started_at DESC NULLS LAST, run_id DESC LIMIT 1",
            [oven_id],
        ).fetchone()
    own = usable_budget(json.loads(stored) if isinstance(stored, str) else stored or {})
    run = None if latest is None else int(latest[0])
    noise_k, step_k, interval_s = 0.3, 0.25, 1.0
    text = "Noise 0.3 K, step 0.25 K and a sample each second stand for an oven without runs."
    if run is not None:
        measured = _measured(archive, run)
        if measured is None:
            run, text = None, f"Its latest run has no temperature; {text[0].lower()}{text[1:]}"
        else:
            noise_k, step_k, interval_s = measured
            text = (
                f"Noise {noise_k:.2f} K, step {step_k:.2g} K and a sample every {interval_s:g} s are those of run {run}, "
                "its latest; each run is judged with its own."
            )
    rows, expanded = budget_table(own, peak_c=PEAK_C, noise_k=noise_k, step_k=step_k, interval_s=interval_s)
    shares = {name: term(own, name) for name in _SHARES}
    return OvenBudget(tuple(rows), expanded, own, shares, PEAK_C, run, text)


def _measured(archive: Archive, run: int) -> tuple[float, float, float] | None:
    """Noise [K] and step [K] (medians over the channels) and sampling interval [s] of a run, as its evaluation takes them."""
    import numpy as np

    from analysis.metrics.measuring import measure_many
    from analysis.store import context_for
    from ingest.archive.runs import load_recording

    with archive.connect() as con:
        recording, context = load_recording(con, run), context_for(con, run)
    basis = next(measure_many([recording], [context])).basis
    if basis is None:
        return None
    noise, step = (float(np.nanmedian(values)) for values in (basis.noise_k, basis.step_k))
    return noise, step, float(basis.traces.step_s)
