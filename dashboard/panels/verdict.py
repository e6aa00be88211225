"""Danger first, then whether the sensors can be believed, then the verdict in a sentence and what to check first."""

from __future__ import annotations

import json
from html import escape

import streamlit as st

from analysis.results import LimitResult
from dashboard import words
from dashboard.figures.margins import MarginRow, margin_bars, margins_in_words, margins_table
from dashboard.page_data import RunDetail
from dashboard.panels import page
from dashboard.panels.downloads import draw

_CLASSES = {"meets": "meets", "fails": "fails", "too close to call": "close"}


def show_danger(detail: RunDetail) -> None:
    """The stop texts. They lead everything else."""
    for line in words.stop_lines(detail.findings):
        st.html(f'<div class="ob-stop" role="alert">{escape(line)}</div>')


def show_credibility(detail: RunDetail) -> None:
    """Findings that make a sensor not believable, before any verdict."""
    for finding in detail.findings:
        if finding["state"] == "fail":
            text = f"**{page.plain(words.finding_sentence(finding))}**"
            if finding["meaning"]:
                text += f"  \nWhat it would mean: {page.plain(finding['meaning'])}"
            if finding["check_first"]:
                text += f"  \nCheck first: {page.plain(finding['check_first'])}"
            st.warning(text)


def show_verdict(detail: RunDetail) -> None:
    """The verdict as a heading, the sentence with margin and limit, and the first check."""
    summary = detail.summary
    verdict = summary.get("verdict") or "not evaluated"
    lines = [
        f'<p class="ob-first">{escape(words.verdict_heading(detail.run, verdict))}</p>',
        f"<p>{escape(_verdict_detail(detail))}</p>",
    ]
    if detail.overview.get("complete") is False:
        lines.append("<p>The run stopped early: what is shown holds up to the stop.</p>")
    lines.append(f"<p><b>Check first:</b> {escape(words.check_first(summary))}</p>")
    st.html(f'<div class="ob-verdict {_CLASSES.get(verdict, "")}">{"".join(lines)}</div>')


def _verdict_detail(detail: RunDetail) -> str:
    """What decided: the limit with value, uncertainty, margin and source; without one, the reason."""
    run = detail.overview
    reason = detail.summary.get("reason")
    if reason and (detail.summary.get("verdict") or "not evaluated") == "not evaluated":
        return f"{reason[0].upper()}{reason[1:].rstrip('.')}."
    for result in detail.limits:
        if (
            result.margin is not None
            and result.value is not None
            and result.limit.metric == run["limiting_metric"]
            and result.margin == run["limiting_margin"]
            and detail.channel_name(result.channel) == run["limiting_channel"]
        ):
            limit = result.limit
            sentence = words.limit_sentence(
                limit.metric,
                json.loads(limit.parameters),
                run["limiting_channel"],
                result.value,
                result.uncertainty,
                limit.unit,
                limit.low,
                limit.high,
                result.margin,
                limit.source,
                limit.revision,
            )
            if detail.summary.get("verdict") == "meets":
                return f"Smallest margin: {sentence[0].lower()}{sentence[1:]}"
            if detail.summary.get("verdict") == "too close to call":
                return f"{sentence} The margin is smaller than the uncertainty of the measurement."
            return f"The solder did not melt. {sentence}" if words.never_melted(detail.summary) else sentence
    return words.verdict_sentence(detail.summary)


def show_suspects(detail: RunDetail) -> None:
    """Findings that look odd without taking the run's word away."""
    suspects = [f for f in detail.findings if f["state"] == "suspect"]
    if suspects:
        st.markdown("Worth a look:")
        for finding in suspects:
            text = f"- {page.plain(words.finding_sentence(finding))}"
            if finding["check_first"]:
                text += f" Check first: {page.plain(finding['check_first'])}"
            st.markdown(text)


def margin_rows(detail: RunDetail) -> list[MarginRow]:
    """The limits of a run as rows of the margin chart, smallest margin relative to its uncertainty first."""
    return [_row(detail, result) for result in sorted(detail.limits, key=_order)]


def show_margins(detail: RunDetail) -> None:
    """The margin bars with their text alternative and download."""
    rows = margin_rows(detail)
    if not rows:
        st.info(words.NO_LIMITS)
        return
    chart = margin_bars(rows)
    title = f"Run {detail.run}: margins"
    draw(chart, f"run-{detail.run}-margins", margins_in_words(rows), title, margins_table(rows))


def _order(result: LimitResult) -> tuple[int, float]:
    rank = {"fails": 0, "too close to call": 1, "meets": 2, "not evaluated": 3}[result.verdict]
    if result.margin is None:
        return rank, 0.0
    return rank, result.margin / result.uncertainty if result.uncertainty else result.margin


def _row(detail: RunDetail, result: LimitResult) -> MarginRow:
    limit = result.limit
    heading = words.metric_text(limit.metric, json.loads(limit.parameters))
    if limit.scope == "body":
        heading += ", at the component body"
    value = words.quantity_text(limit.metric, result.value, result.uncertainty, limit.unit)
    return MarginRow(
        heading=heading,
        where=detail.channel_name(result.channel) or "whole run",
        verdict=result.verdict,
        low=limit.low,
        high=limit.high,
        value=result.value,
        uncertainty=result.uncertainty,
        value_text=value,
        low_text=words.limit_text(limit.metric, limit.low, None, limit.unit) if limit.low is not None else "",
        high_text=words.limit_text(limit.metric, None, limit.high, limit.unit) if limit.high is not None else "",
        margin_text="" if result.margin is None else words.margin_text(limit.metric, result.margin, limit.unit),
        source=words.source_text(limit.source, limit.revision),
        note="" if result.value is not None else (result.reason or "no value, and no reason was recorded"),
    )
