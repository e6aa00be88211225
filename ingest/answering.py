"""Answers to held logs, and corrected layouts: logs are read again from their original bytes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace

from ingest.archive import Archive, ArchiveBusy, ArchiveError
from ingest.archive.logs import LogRow, get_log, held_logs, log_of, original_bytes
from ingest.archive.rereading import replace_runs
from ingest.archive.runs import set_run_field
from ingest.import_result import ImportOptions, ImportResult, RunResult, describe_run
from ingest.incoming import Incoming
from ingest.keeping import AfterStore, keep
from ingest.known_names import OptionsError, look_up
from ingest.layout_memory import find_layout, remembered, set_answers
from ingest.metadata import may_be_cold, seen_in_log
from ingest.reading import READER_VERSION
from ingest.recording import LayoutFound, Notice, Question, Reading
from ingest.understanding import understand

Reread = Callable[[LogRow, bytes], Reading]


def answer_log(
    archive: Archive,
    log_ref: str | int,
    answers: Mapping[str, str],
    layout_name: str | None = None,
    after_store: AfterStore | None = None,
    *,
    who: str | None = None,
) -> list[ImportResult]:
    """Answer the questions of a held log. Its result comes first, then those of other held logs the answer settled.

    When all questions are answered the log is stored and its layout remembered with the answers, called `layout_name`.
    Answers that leave questions open are kept with the log. `log_ref`: number, file name or start of the hash.

    Raises
    ------
    ArchiveError
        For a log that is not held, a question it does not ask, or an answer that is none of the choices.
    """
    with archive.connect() as con:
        row = log_of(con, log_ref)
        if row.status != "held":
            raise ArchiveError(_not_held(row))
        given = {**row.answers, **_checked(row, answers)}
        data = original_bytes(con, row.log_id)
        layouts = remembered(con)
    reading = _read(archive, row, data, given, layouts)
    options = replace(_options(row), answers=given, who=who or row.options.get("who"))
    results = [_finish(archive, row, data, reading, options, after_store, layout_name)]
    if results[0].status == "stored":
        results += _settled_too(archive, row.log_id, after_store)
    return results


def correct_layout(
    archive: Archive,
    layout: str | int,
    answers: Mapping[str, str],
    after_store: AfterStore | None = None,
    *,
    who: str | None = None,
    why: str | None = None,
) -> list[ImportResult]:
    """Change what a layout says and read all its logs again from their original bytes.

    Run numbers, typed metadata and inspections stay; what was derived is made anew. A log that can no longer be read
    with the corrected layout keeps its runs as they were, and its result says why. One transaction a log.
    """
    with archive.connect() as con:
        one = find_layout(con, layout)
    with archive.transaction() as con:
        found = set_answers(con, one, answers, who, why or "layout corrected")
        numbers = con.execute("SELECT log_id FROM log WHERE layout_id = ? ORDER BY log_id", [one.layout_id]).fetchall()
        logs = [get_log(con, number) for (number,) in numbers]
        others = [other for other in remembered(con) if other.fingerprint != found.fingerprint]
    results: list[ImportResult] = []
    for row in logs:
        with archive.connect() as con:
            data = original_bytes(con, row.log_id)
        given = {**row.answers, **found.decisions["answers"]}
        reading = _read(archive, row, data, given, [*others, found])
        results.append(_read_again(archive, row, reading, given, after_store, who))
    return results + _settled_too(archive, None, after_store)


def _read_again(
    archive: Archive,
    row: LogRow,
    reading: Reading,
    answers: Mapping[str, str],
    after_store: AfterStore | None,
    who: str | None,
) -> ImportResult:
    result = ImportResult(
        row.file_name, row.sha256, "stored", None, reading.questions, reading.notices, log=row.log_id, reading=reading
    )
    if reading.status != "read":
        why = reading.reason or "questions are open: " + ", ".join(q.id for q in reading.questions)
        return replace(result, reason=f"kept as it was: with the corrected layout it cannot be read ({why})")
    notices = (*reading.notices, *(n for r in reading.recordings for n in r.notices))
    runs: list[RunResult] = []
    try:
        with archive.transaction() as con:
            parts = enumerate(reading.recordings)
            seen = [
                seen_in_log(con, recording, reading.metadata, may_be_cold(reading.recordings, part))
                for part, recording in parts
            ]
            run_ids = replace_runs(
                con,
                row.log_id,
                reading.recordings,
                [found.fields for found in seen],
                reader_version=READER_VERSION,
                answers=answers,
                warnings=notices,
                who=who,
                why="layout corrected",
            )
            for run_id, recording, found in zip(run_ids, reading.recordings, seen, strict=True):
                for derived in ("ambient_c", "setpoint_hash"):
                    if derived not in found.fields:  # seen in the log as it was read before, not now
                        set_run_field(con, run_id, derived, None, "derived", who, "layout corrected")
                evaluation = after_store(con, run_id, recording) if after_store is not None else None
                runs.append(describe_run(run_id, recording, evaluation.verdict if evaluation is not None else None))
    except ArchiveBusy:
        raise
    except ArchiveError as error:
        return replace(result, reason=f"kept as it was: {error}")
    return replace(result, reason="read again with the corrected layout", warnings=notices, runs=tuple(runs))


def _settled_too(archive: Archive, but: int | None, after_store: AfterStore | None) -> list[ImportResult]:
    """Other held logs that the layouts known now settle."""
    with archive.connect() as con:
        waiting = [row for row in held_logs(con) if row.log_id != but]
        layouts = remembered(con)
    results: list[ImportResult] = []
    for row in waiting:
        with archive.connect() as con:
            data = original_bytes(con, row.log_id)
        reading = _read(archive, row, data, row.answers, layouts)
        if reading.status == "read":
            results.append(_finish(archive, row, data, reading, _options(row), after_store))
    return results


def _finish(
    archive: Archive,
    row: LogRow,
    data: bytes,
    reading: Reading,
    options: ImportOptions,
    after_store: AfterStore | None,
    layout_name: str | None = None,
) -> ImportResult:
    log = Incoming(row.file_name, row.file_name, data, options)
    with archive.transaction() as con:
        dropped: tuple[Notice, ...] = ()
        try:
            given = look_up(con, options, archive.zone)
        except OptionsError as error:  # what the import named has gone since
            dropped = (Notice("options_dropped", str(error)),)
            log = replace(log, options=ImportOptions(source=options.source, answers=options.answers, who=options.who))
            given = look_up(con, log.options, archive.zone)
        if reading.status == "rejected":
            # Answered into something that cannot be a log: the log stays held, the answers are not kept.
            return ImportResult(row.file_name, row.sha256, "held", reading.reason, row.questions, log=row.log_id)
        result = keep(
            con, log, row.sha256, reading, given, row.received_at, after_store=after_store, layout_name=layout_name
        )
    return replace(result, warnings=(*result.warnings, *dropped))


def _read(
    archive: Archive, row: LogRow, data: bytes, answers: Mapping[str, str], layouts: list[LayoutFound]
) -> Reading:
    return understand(data, row.file_name, answers, layouts, archive.zone)


def _options(row: LogRow) -> ImportOptions:
    return ImportOptions.from_json({**row.options, "answers": row.answers})


def _checked(row: LogRow, answers: Mapping[str, str]) -> dict[str, str]:
    open_questions: dict[str, Question] = {q.id: q for q in row.questions}
    checked: dict[str, str] = {}
    for key, answer in answers.items():
        question = open_questions.get(key)
        if question is None:
            asked = ", ".join(open_questions) or "nothing"
            raise ArchiveError(f"log {row.log_id} does not ask {key!r}; it asks {asked}")
        choices = {_plain(choice): choice for choice in question.choices}
        if choices and _plain(answer) not in choices:
            raise ArchiveError(f"{answer!r} is no answer to {key!r}: choose one of {', '.join(question.choices)}")
        checked[key] = choices.get(_plain(answer), answer.strip())
    if not checked:
        raise ArchiveError(f"no answer was given; log {row.log_id} asks {', '.join(open_questions)}")
    return checked


def _plain(text: str) -> str:
    """A choice without what people type differently: case, and hyphens, underscores or spaces between its words."""
    return re.sub(r"(?<=\w)[\s_-]+(?=\w)", " ", text.strip().casefold())


def _not_held(row: LogRow) -> str:
    if row.status == "stored":
        return f"log {row.log_id} is stored already: correct its layout instead"
    return f"log {row.log_id} was rejected ({row.reason}): there is nothing to answer"
