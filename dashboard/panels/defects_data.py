"""What the pages *Defects* and *Inspect* show, kept until the archive changes."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analysis.defects import overview, several
from analysis.defects.report import DefectReport, LinkDetail, build, detail, model_inputs
from analysis.store.defects import defect_records, factors_of_run, open_questions, trial_frames
from dashboard.page_data import Book, kept


@kept
def report(book: Book) -> DefectReport:
    return build(defect_records(book.archive), open_questions(book.archive), *trial_frames(book.archive))


@kept
def link_detail(book: Book, defect: str, factor: str) -> LinkDetail | None:
    found = report(book)
    link = next((k for k in found.links if (k.defect, k.factor.name) == (defect, factor)), None)
    return None if link is None else detail(found.records, link)


@kept
def model(book: Book, defect: str) -> several.Model:
    frame, hit, factors = model_inputs(report(book).records, defect)
    return several.fit_several(frame, hit, defect, factors)


@kept
def expected(book: Book, run: int) -> list[several.Expected]:
    """Of every defect on enough runs, most frequent first; empty without an inspection."""
    row = factors_of_run(book.archive, run)
    if row.empty:
        return []
    return [several.expect(model(book, term), row) for term in report(book).records.terms]


@kept
def yields(book: Book, by: str | None, defect: str | None) -> pd.DataFrame:
    return overview.yields(report(book).records, by, defect)


@kept
def over_time(book: Book, defect: str | None) -> overview.OverTime | None:
    return overview.over_time(report(book).records, defect)


@kept
def gaps(book: Book, defect: str) -> Any:
    return overview.gaps(report(book).records, defect)
