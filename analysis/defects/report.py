"""Everything the page and the command say about defects, from the records to the next step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from analysis.defects import confounding, trials
from analysis.defects.advice import Advice, advise
from analysis.defects.confounding import Entangled
from analysis.defects.contrasts import Side, split
from analysis.defects.evidence import FEWEST_RUNS, Factor, associations, strata
from analysis.defects.limits import SuggestedLimit, suggest_limit
from analysis.defects.linking import SHOWN, TRIAL, Link, link_defects
from analysis.defects.overview import DefectLine, defect_lines
from analysis.defects.records import FACTORS, DefectRecords, factor_named
from analysis.defects.sides import SidePair, paired_sides
from analysis.defects.tables import CommonOdds, RateRatio, common_odds, count_ratio, tables_of
from analysis.defects.trials import Trial, TrialState
from ingest.defect_terms import canonical

MOST_QUESTIONS = 5  # asked beforehand and not corrected for; more are no longer few


@dataclass(frozen=True)
class Question:
    """A question asked beforehand and its answer so far, from runs inspected since it was asked only."""

    question_id: int
    defect: str
    factor: str
    asked_at: pd.Timestamp
    runs_since: int
    link: Link | None
    reading: str


@dataclass(frozen=True)
class DefectReport:
    """`links`: every defect against every factor, strongest first; questions and trials with their own answers."""

    records: DefectRecords
    lines: tuple[DefectLine, ...]
    links: tuple[Link, ...]
    entangled: tuple[Entangled, ...]
    questions: tuple[Question, ...]
    trials: tuple[TrialState, ...]
    advice: Advice

    def to_json(self) -> list[dict[str, Any]]:
        """The list of `defects --json`. A question asked beforehand that has its answer stands for what was stumbled on;
        trials that were evaluated are items of kind "trial"."""
        answered = {(q.defect, q.factor): q.link for q in self.questions if q.link is not None}
        items = [(answered.get((k.defect, k.factor.name)) or k).to_json() for k in self.links]
        return [*(_trial_json(s) for s in self.trials if s.grade is not None), *items]


@dataclass(frozen=True)
class LinkDetail:
    """One link looked at closely: inside board and lot, as counts, and as a limit."""

    link: Link
    odds: CommonOdds | None
    counts: RateRatio | None
    limit: SuggestedLimit | None
    values: pd.DataFrame  # run, value, hit, inside: the runs that were compared


def build(
    records: DefectRecords,
    questions: Sequence[Mapping[str, Any]] = (),
    trial_frame: pd.DataFrame | None = None,
    trial_runs: pd.DataFrame | None = None,
    *,
    trial_records: DefectRecords | None = None,
) -> DefectReport:
    """`questions`: question_id, defect, factor, asked_at. `trial_frame`, `trial_runs`: as ingest.archive.trials lists them.
    `trial_records`: the trials' runs, where `records` does not hold all of them."""
    factors = [f for f in FACTORS if f.name in records.runs]
    together = associations(records.runs, factors) if len(records.runs) >= FEWEST_RUNS else {}
    links = link_defects(records.runs, records.defects, factors, not_looked=records.not_looked, together=together)
    states = _trial_states(trial_records or records, trial_frame, trial_runs)
    shown = trials.shown_by(states)
    links = [
        replace(k, grade=SHOWN, next_step="Shown by a planned trial: keep the change and go on counting.")
        if (canonical(k.defect), k.factor.name) in shown
        else k
        for k in links
    ]
    return DefectReport(
        records,
        tuple(defect_lines(records)),
        tuple(links),
        tuple(confounding.entangled(links, together)),
        tuple(_answer(records, q, len(questions)) for q in questions),
        tuple(states),
        advise(records, links),
    )


def detail(records: DefectRecords, link: Link) -> LinkDetail:
    """The link inside board and lot, its counts, and for a numeric factor worth a trial the limit."""
    frame, hit, counts = _frame_of(records, link.defect)
    cut = split(link.factor, link.z, hit, frame)
    if cut is None:
        return LinkDetail(link, None, None, None, pd.DataFrame(columns=["run", "value", "hit", "inside"]))
    inside_of = (
        ("board",) if link.factor.kind == "paste" else ("lot",) if link.factor.kind == "board" else ("board", "lot")
    )
    keys = strata(frame, inside_of)
    odds = common_odds(tables_of(cut.inside, cut.rest, hit, keys))
    ratio = count_ratio(cut.inside, cut.rest, counts, frame["joints_looked"].to_numpy(dtype=float), keys)
    compared = cut.inside | cut.rest
    limit = None
    if link.factor.numeric and link.grade in (TRIAL, SHOWN):
        values = pd.to_numeric(frame[link.factor.name], errors="coerce").to_numpy(dtype=float)
        boards = frame["board"].astype("string").fillna("not recorded").to_numpy(dtype=object)
        limit = suggest_limit(np.where(compared, values, np.nan), hit, boards, link.z > 0)
    values = pd.DataFrame({"run": frame["run"], "value": frame[link.factor.name], "hit": hit > 0, "inside": cut.inside})
    return LinkDetail(link, odds, ratio, limit, values[compared].reset_index(drop=True))


def sides_of(records: DefectRecords, defect: str) -> list[SidePair]:
    return paired_sides(records.sides, defect)


def model_inputs(records: DefectRecords, defect: str) -> tuple[pd.DataFrame, Any, list[Factor]]:
    """The frame, hits and factors for several.fit_several."""
    frame, hit, _ = _frame_of(records, defect)
    return frame, hit, [f for f in FACTORS if f.name in frame]


def _frame_of(records: DefectRecords, defect: str) -> tuple[pd.DataFrame, Any, Any]:
    hits = records.hits(defect)
    frame = records.runs.set_index("run").loc[hits.index].reset_index()
    counts = hits.to_numpy(dtype=float)
    return frame, (counts > 0).astype(float), counts


def _answer(records: DefectRecords, question: Mapping[str, Any], asked: int) -> Question:
    factor = factor_named(str(question["factor"]))
    wanted = canonical(str(question["defect"]))
    defect = next((t for t in records.terms if canonical(t) == wanted), str(question["defect"]))
    asked_at = pd.Timestamp(question["asked_at"])
    runs = records.runs[pd.to_datetime(records.runs["inspected_at"]) > asked_at]
    link = None
    if factor is not None and len(runs) >= FEWEST_RUNS:
        mine = records.defects[(records.defects["defect"] == defect) & records.defects["run"].isin(runs["run"])]
        # All factors are looked at, because a rival can take the answer away; only the asked one is reported.
        pair = (defect, factor.name)
        factors = [f for f in FACTORS if f.name in runs]
        found = link_defects(runs, mine, factors, asked={pair}, not_looked=records.not_looked)
        link = next((k for k in found if (k.defect, k.factor.name) == pair), None)
    if factor is None:
        reading = f"There is no factor {question['factor']}."
    elif len(runs) < FEWEST_RUNS:
        reading = f"{len(runs)} runs inspected since it was asked; {FEWEST_RUNS} are needed for an answer."
    elif link is None:
        reading = f"{len(runs)} runs inspected since it was asked; {defect} or {factor.label} did not vary in them."
    else:
        reading = f"{sentence(link)} {link.grade[0].upper()}{link.grade[1:]}, p = {link.p:.2g}."
        if asked > MOST_QUESTIONS:
            reading += f" {asked} questions are open: with more than {MOST_QUESTIONS} one find by chance is likely."
    return Question(
        int(question["question_id"]), defect, factor.name if factor else "", asked_at, len(runs), link, reading
    )


def sentence(link: Link) -> str:
    """The contrast in plain counts: "Tombstone: 7 on 5 of 31 runs with melt lag over 8 s, 1 of 58 runs with 8 s or less." """
    if link.a is None or link.b is None:
        return f"{_capital(link.defect)}: the runs cannot be put on two sides of {link.factor.label}."
    return f"{_capital(link.defect)}: {link.a.sentence()}, {link.b.sentence('')}.".replace("  ", " ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _trial_states(
    records: DefectRecords, trial_frame: pd.DataFrame | None, trial_runs: pd.DataFrame | None
) -> list[TrialState]:
    if trial_frame is None or trial_runs is None or trial_frame.empty:
        return []
    out = []
    for trial in trials.trials_of(trial_frame):
        term = next((t for t in records.terms if canonical(t) == canonical(trial.defect)), trial.defect)
        members = trial_runs[trial_runs["trial_id"] == trial.trial_id]
        out.append(trials.evaluate(trial, members, records.hits(term), records.runs))
    return out


def _trial_json(state: TrialState) -> dict[str, Any]:
    trial: Trial = state.trial
    arms = [
        Side(text, n, hit, hit).to_json()
        for text, n, hit in zip((trial.arm_a, trial.arm_b), state.inspected, state.with_defect, strict=True)
    ]
    return {
        "defect": trial.defect,
        "factor": trial.factor or trial.change,
        "kind": "trial",
        "contrast": {"a": arms[0], "b": arms[1]},
        "effect": None if state.effect is None else state.effect.value,
        "interval": None if state.effect is None else [state.effect.low, state.effect.high],
        "p": state.p,
        "q": state.p,
        "n_runs": sum(state.inspected),
        "n_defective": sum(state.with_defect),
        "grade": state.grade,
        "direction_known": None,
        "confounded_with": [],
        "next_step": state.next_step,
    }
