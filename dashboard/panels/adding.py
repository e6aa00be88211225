"""Parts of the page on which logs are added: what was understood, the questions, and what became of them."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import page_actions, page_data, words
from dashboard.page_data import Book
from dashboard.panels import page, verdict
from dashboard.panels.metadata import KIND_WORDS
from ingest.archive import ArchiveError
from ingest.archive.fields import KINDS, ORIENTATIONS
from ingest.import_result import ImportOptions, ImportResult


def ask_about_run(book: Book) -> ImportOptions:
    """What was on the rack, for all files dropped. Nothing is asked twice: what stays empty is carried over or unknown."""
    first = page_data.counts(book)["runs"] == 0
    with st.expander("What was on the rack (same for all files; may stay empty)", expanded=first):
        st.caption(
            "What stays empty is taken over from the oven's last run where that is sound, and marked so; else it stays unknown."
        )
        left, right = st.columns(2)
        with left:
            oven = _name(book, "ovens", "Oven")
            board = _board(book)
            load = st.number_input(
                "Boards on the rack", min_value=0, max_value=1000, value=None, step=1, key="add-load"
            )
        with right:
            jar = _name(book, "jars", "Paste jar", "label")
            paste = None if jar else _name(book, "pastes", "Paste, if no jar is known")
            operator = st.text_input("Operator", key="add-operator")
        kind = st.segmented_control("Kind of run", KINDS, format_func=KIND_WORDS.__getitem__, key="add-kind", wrap=True)
        orientation = st.segmented_control(
            "Turned on the rack by", ORIENTATIONS, format_func=lambda o: f"{o}°", key="add-turn"
        )
        page.ask_who()
    return ImportOptions(
        source="page",
        oven=oven,
        paste=paste,
        jar=jar,
        board=board,
        kind=kind,
        orientation=orientation,
        load_count=None if load is None else int(load),
        operator=operator or None,
        who=page.who(),
    )


def understood(book: Book, file: Any, options: ImportOptions) -> list[ImportResult]:
    """Show what one file was taken for, and its questions. Nothing is stored."""
    data = file.getvalue()
    with st.container(border=True):
        st.subheader(page.plain(file.name), anchor=False)
        try:
            results = _tried(book, data, file.name, replace(options, answers=answers_given(f"add-{_key(data)}")))
        except ArchiveError as error:
            st.error(page.plain(str(error)))
            return []
        for result in results:
            if len(results) > 1:
                st.markdown(f"**{page.plain(result.file)}**")
            _one_result(result)
            ask(f"add-{_key(data)}", [_question(q) for q in result.questions])
        return results


def offer_to_store(
    book: Book, files: Sequence[Any], options: ImportOptions, results: Sequence[list[ImportResult]]
) -> None:
    """The button, what it will do in words, and doing it."""
    counts = Counter(result.status for of_file in results for result in of_file)
    sentences = []
    if counts["stored"]:
        sentences.append(f"{words.counted(counts['stored'], 'log')} will be stored and judged.")
    if counts["held"]:
        sentences.append(
            f"{words.counted(counts['held'], 'log')} will be held until the questions are answered, here or under Held."
        )
    if counts["duplicate"]:
        sentences.append(
            f"{words.counted(counts['duplicate'], 'log')} already in the archive: nothing is stored twice."
        )
    if counts["rejected"]:
        sentences.append(
            f"{words.counted(counts['rejected'], 'file')} cannot be read as an oven log: only the refusal is noted."
        )
    st.markdown(" ".join(sentences))
    if not (counts["stored"] or counts["held"]):
        return
    if st.button("Store", type="primary", key="store"):
        done: list[dict[str, Any]] = []
        progress = st.progress(0.0, "Storing")
        for position, file in enumerate(files):
            data = file.getvalue()
            answered = replace(options, answers=answers_given(f"add-{_key(data)}"))
            try:
                done += [result.to_json() for result in page_actions.store_log(book, data, file.name, answered)]
            except ArchiveError as error:
                done.append(
                    {"file": file.name, "status": "rejected", "reason": str(error), "runs": [], "questions": []}
                )
            progress.progress((position + 1) / len(files), f"Stored {position + 1} of {len(files)}")
        st.session_state["added"] = done
        st.session_state["upload_generation"] = st.session_state.get("upload_generation", 0) + 1
        st.rerun()


def show_last_results(book: Book) -> None:
    """What became of the logs added last, with the verdicts and the way on."""
    for item in st.session_state.pop("added", []):
        say_result(book, item)


def say_result(book: Book, item: Mapping[str, Any]) -> None:
    """One log's outcome: the sentence, and for each run the verdict and a link."""
    sentence = page.plain(words.import_sentence(item))
    if item["status"] == "stored":
        st.success(sentence)
    elif item["status"] == "rejected":
        st.error(sentence)
    else:
        st.info(sentence)
    for run in item["runs"]:
        if run.get("run") is None:
            continue
        detail = page_data.run_detail(book, int(run["run"]))
        if detail is None:
            continue
        verdict.show_danger(detail)
        st.markdown(f"**{words.verdict_heading(detail.run, detail.summary.get('verdict'))}.**")
        st.markdown(page.plain(words.verdict_sentence(detail.summary)))
        page.link("run", f"Open run {detail.run}", run=str(detail.run))
    if item["status"] == "held":
        if item["questions"]:
            page.link("held", "Answer its questions")
        elif item.get("reason"):
            st.markdown(page.plain(item["reason"]))


def ask(scope: str, questions: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """The questions of a log as fields; returns the answers given so far. A guess is offered, never taken silently."""
    given = answers_given(scope)
    asked = st.session_state.setdefault(f"answers:{scope}", {})
    for question in questions:
        guess, choices = question.get("guess"), list(question.get("choices") or ())
        key = f"answer:{scope}:{question['id']}"
        hint = f"The best guess is {guess}; choose it if it is right." if guess else None
        if choices:
            answer = st.selectbox(
                page.plain(question["text"]), choices, index=None, placeholder="choose", key=key, help=hint
            )
        else:
            answer = st.text_input(page.plain(question["text"]), key=key, placeholder=str(guess or ""), help=hint)
        if hint:
            st.caption(page.plain(hint))
        if answer and asked.get(question["id"]) != answer:
            asked[question["id"]] = answer
            given[question["id"]] = answer
            if scope.startswith("add-"):
                st.rerun()
    return dict(asked)


def answers_given(scope: str) -> dict[str, str]:
    return dict(st.session_state.get(f"answers:{scope}", {}))


def _tried(book: Book, data: bytes, name: str, options: ImportOptions) -> list[ImportResult]:
    """The dry run, kept for as long as neither the file, nor the options, nor the archive change."""
    kept: dict[Any, list[ImportResult]] = st.session_state.setdefault("tried", {})
    key = (book.counter, name, hashlib.sha256(data).hexdigest(), repr(options))
    if key not in kept:
        if len(kept) > 200:
            kept.clear()
        kept[key] = page_actions.try_log(book, data, name, options)
    return kept[key]


def _one_result(result: ImportResult) -> None:
    item = result.to_json()
    if result.status == "stored":
        if len(result.runs) > 1:
            st.markdown(f"Understood as {len(result.runs)} runs.")
    elif result.status == "rejected":
        st.error(page.plain(words.import_sentence(item)))
    else:
        st.info(page.plain(words.import_sentence(item)))
    for number, run in enumerate(result.runs, 1):
        start = (
            f"started {page.local(run.started_at, run.zone or 'UTC')}"
            if run.started_at
            else "start time not in the log"
        )
        title = f"Run {number} of {len(result.runs)}" if len(result.runs) > 1 else "Understood as one run"
        st.markdown(f"{title}: {start}, lasting {words.duration(run.duration_s)}.")
        page.table(_channels(result, number - 1), None)
    for warning in result.warnings:
        st.caption(f"Note: {page.plain(warning.text)}")
    if result.reading and result.reading.head and result.status != "stored":
        with st.expander("First lines of the log", expanded=bool(result.questions)):
            st.code("\n".join(result.reading.head), language=None, wrap_lines=True)


def _channels(result: ImportResult, index: int) -> pd.DataFrame:
    recordings = result.reading.recordings if result.reading else ()
    known = {c.name: c for c in recordings[index].channels} if index < len(recordings) else {}
    rows = []
    for channel in result.runs[index].channels:
        read = known.get(channel.name)
        rows.append(
            {
                "Column": channel.name,
                "taken for": words.ROLE_WORDS.get(channel.role, channel.role)
                + (
                    ""
                    if read is None or read.judged or read.role != "temperature"
                    else ", an average: shown, not judged"
                ),
                "unit in the log": channel.unit_original or "none",
                "values": channel.samples,
                "peak": "" if channel.peak_c is None else f"{channel.peak_c:.1f} °C at {channel.peak_at_s or 0:.0f} s",
                "sure": "" if read is None else f"{read.confidence:.0%}",
                "because": "" if read is None else "; ".join(read.reasons),
            }
        )
    return pd.DataFrame(rows)


def _name(book: Book, table: str, label: str, column: str = "name") -> str | None:
    rows = page_data.reference(book, table)
    names = [str(v) for v in rows[column]] if len(rows) else []
    return st.selectbox(
        label,
        names,
        index=None,
        placeholder="not given" if names else "none known yet",
        key=f"add-{table}",
        disabled=not names,
    )


def _board(book: Book) -> str | None:
    rows = page_data.reference(book, "boards")
    names = [f"{r['name']} {r['revision'] or ''}".strip() for r in page_data.records(rows)] if len(rows) else []
    return st.selectbox(
        "Board",
        names,
        index=None,
        placeholder="not given" if names else "none known yet",
        key="add-boards",
        disabled=not names,
    )


def _question(question: Any) -> dict[str, Any]:
    return {"id": question.id, "text": question.text, "choices": list(question.choices), "guess": question.guess}


def _key(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:16]
