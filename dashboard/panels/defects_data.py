"""What the pages *Defects* and *Inspect* show, kept until the archive changes."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analysis.defects import overview, several
from analysis.defects.report import DefectReport, LinkDetail, build, detail, model_inputs
from analysis.store.defects import defect_records, factors_of_run, open_questions, trial_frames
from dashboard.page_data import Book, kept
from dashboard.panels.spans import USUAL_INSPECTED


@kept
def inspected(book: Book) -> int:
    """How many runs were inspected."""
    return int(book.archive.read("SELECT count(DISTINCT run_id) AS n FROM inspection")["n"].iloc[0])


@kept
def report(book: Book, newest: int | None = USUAL_INSPECTED) -> DefectReport:
    """`newest`: over so many of the newest inspected runs; None: over all. Trials are always whole."""
    with book.one_opening():
        records = defect_records(book.archive, newest=newest)
        planned, members = trial_frames(book.archive)
        in_trials = [int(run) for run in members["run"].dropna()]
        whole = records
        if in_trials and len(records.runs) < records.all_inspected:
            whole = defect_records(book.archive, in_trials)
        questions = open_questions(book.archive)
    return build(records, questions, planned, members, trial_records=whole)


@kept
def link_detail(book: Book, defect: str, factor: str, newest: int | None = USUAL_INSPECTED) -> LinkDetail | None:
    found = report(book, newest)
    link = next((k for k in found.links if (k.defect, k.factor.name) == (defect, factor)), None)
    return None if link is None else detail(found.records, link)


@kept
def model(book: Book, defect: str, newest: int | None = USUAL_INSPECTED) -> several.Model:
    frame, hit, factors = model_inputs(report(book, newest).records, defect)
    return several.fit_several(frame, hit, defect, factors)


@kept
def expected(book: Book, run: int) -> list[several.Expected]:
    """Of every defect on enough runs, most frequent first; empty without an inspection."""
    row = factors_of_run(book.archive, run)
    if row.empty:
        return []
    return [several.expect(model(book, term), row) for term in report(book).records.terms]


@kept
def yields(book: Book, by: str | None, defect: str | None, newest: int | None = USUAL_INSPECTED) -> pd.DataFrame:
    return overview.yields(report(book, newest).records, by, defect)


@kept
def over_time(book: Book, defect: str | None, newest: int | None = USUAL_INSPECTED) -> overview.OverTime | None:
    return overview.over_time(report(book, newest).records, defect)


@kept
def gaps(book: Book, defect: str, newest: int | None = USUAL_INSPECTED) -> Any:
    return overview.gaps(report(book, newest).records, defect)
