"""The plain facts of one run: channels, findings, metrics, and the log it came from."""

from __future__ import annotations

import json

import pandas as pd
import streamlit as st

from analysis.quantities import QUANTITIES
from dashboard import page_data, words
from dashboard.page_data import Book, RunDetail
from dashboard.panels import page
from dashboard.panels.downloads import table_download

_GROUPS = {
    "result": ("What the board saw", "Judged by the window where it has a limit."),
    "effort": (
        "How hard the oven worked",
        "A controlled oven hides its own decline; these move before the result does.",
    ),
    "sensor": ("How the sensors behaved", "What the checks look at."),
}
_SOURCES = {
    "file": "a file on the command line",
    "stdin": "standard input",
    "page": "the Add logs page",
    "http": "a program that posted it",
    "watch": "a watched folder",
    "capture": "a serial port",
    "demo": "the demo season, invented",
}


def heading_line(detail: RunDetail, zone: str) -> str:
    run = detail.overview
    parts = [page.local(run["started_at"], zone), f"lasting {words.duration(run['duration_s'])}"]
    parts += [str(run[k]) for k in ("oven", "board", "profile") if run[k] is not None]
    return " · ".join(parts)


def show_channels(detail: RunDetail) -> None:
    rows = page_data.records(detail.channels)
    page.table(
        pd.DataFrame(
            {
                "Channel": [r["name"] for r in rows],
                "is": [
                    str(words.ROLE_WORDS.get(r["role"], r["role"]))
                    + ("" if r["judged"] or r["role"] != "temperature" else ", an average: not judged")
                    for r in rows
                ],
                "unit in the log": [r["unit_original"] or "none" for r in rows],
                "values": [f"{r['samples']}" + (f", {r['missing']} missing" if r["missing"] else "") for r in rows],
                "place": [r["placement"] or "place unknown" if r["role"] == "temperature" else "" for r in rows],
                "fixed by": [r["attachment"] or "" for r in rows],
            }
        ),
        f"run-{detail.run}-channels",
    )


def show_findings(detail: RunDetail) -> None:
    """Every finding in words; those that could not be checked stand apart, with the reason."""
    seen = [f for f in detail.findings if f["state"] in ("fail", "suspect")]
    silent = [f for f in detail.findings if f["state"] in ("not evaluated", "missing")]
    if seen:
        page.table(
            pd.DataFrame(
                {
                    "Seen": [words.finding_name(f["code"]) for f in seen],
                    "channel": [f["channel"] or "whole run" for f in seen],
                    "state": [f"{f['state']} ({words.STATE_MEANINGS[f['state']]})" for f in seen],
                    "evidence": [f["evidence"] for f in seen],
                    "would mean": [f["meaning"] for f in seen],
                    "check first": [f["check_first"] for f in seen],
                }
            ),
            f"run-{detail.run}-findings",
        )
    else:
        st.markdown("No check found anything odd.")
    if silent:
        with st.expander(f"{words.counted(len(silent), 'check')} could not speak, and why"):
            page.table(
                pd.DataFrame(
                    {
                        "Check": [words.finding_name(f["code"]) for f in silent],
                        "channel": [f["channel"] or "whole run" for f in silent],
                        "because": [f["evidence"] for f in silent],
                    }
                ),
                f"run-{detail.run}-not-checked",
            )


def show_metrics(detail: RunDetail) -> None:
    """Metrics by group; a metric without a value gives its reason instead."""
    rows = page_data.records(detail.metrics)
    for group, (title, intro) in _GROUPS.items():
        of_group = [r for r in rows if r["metric"] in QUANTITIES and QUANTITIES[r["metric"]].group == group]
        if not of_group:
            continue
        with st.expander(title, expanded=group == "effort"):
            st.caption(intro)
            _metric_tables(detail, of_group)
            _definitions([r["metric"] for r in of_group])
    if rows:
        table_download(_table(rows), f"run-{detail.run}-metrics", "All numbers as CSV")


def _metric_tables(detail: RunDetail, rows: list[dict]) -> None:
    """A row a quantity and a column a channel; what holds for the whole run, or alike for all channels, stands before."""
    names = [n for n in detail.channels["name"] if any(r["channel"] == n for r in rows)]
    whole: list[tuple[str, str]] = []
    by_channel: list[list[str]] = []
    for key in dict.fromkeys((r["metric"], r["parameters"]) for r in rows):
        of_metric = {r["channel"]: _value(r) for r in rows if (r["metric"], r["parameters"]) == key}
        label = words.metric_text(key[0], json.loads(key[1]))
        if None in of_metric:
            whole.append((label, of_metric[None]))
        elif len(set(of_metric.values())) == 1 and len(of_metric) > 1:
            whole.append((label, f"{next(iter(of_metric.values()))} (all channels)"))
        else:
            by_channel.append([label, *(of_metric.get(n, "") for n in names)])
    if by_channel:
        unjudged = set(detail.channels.loc[~detail.channels["judged"], "name"])
        heads = [f"{n} (average, not judged)" if n in unjudged else n for n in names]
        page.table(pd.DataFrame(by_channel, columns=["Quantity", *heads]), None)
    if whole:
        page.table(pd.DataFrame(whole, columns=["Quantity", "whole run"]), None)


def _value(row: dict) -> str:
    text = words.quantity_text(row["metric"], row["value"], row["uncertainty"], row["unit"])
    reason = row["reason"] or ""
    if not text:
        return f"{row['status']}: {reason}" if reason else row["status"]
    return f"{text} ({row['status']}: {reason})" if row["status"] != "ok" else text


def _table(rows: list[dict]) -> pd.DataFrame:
    return pd.DataFrame(rows).drop(columns=["run"])


def _definitions(metrics: list[str]) -> None:
    lines = [f"- **{QUANTITIES[m].label}**: {QUANTITIES[m].meaning}" for m in dict.fromkeys(metrics)]
    st.caption("What the words mean:\n\n" + "\n".join(lines))


def show_log(book: Book, detail: RunDetail) -> None:
    """Where the run came from, its hash, and the original bytes to take away."""
    log = detail.log
    warnings = json.loads(log["warnings"]) if isinstance(log["warnings"], str) else (log["warnings"] or [])
    page.facts(
        [
            ("File", log["file_name"], ""),
            ("Came through", str(_SOURCES.get(log["source"], log["source"])), ""),
            ("Received", page.local(log["received_at"], book.zone), ""),
            ("Size", f"{log['size_bytes']} bytes", ""),
            ("Lines", f"{log['first_line']} to {log['last_line']}", f"part {log['part']} of the log"),
            ("Sample interval", f"{detail.overview['sample_interval_s']:g} s", "median"),
            ("Layout", log["layout"] or "not named", ""),
            ("SHA-256", log["sha256"], "of the original bytes"),
            ("Rules", detail.overview["rules_version"] or "not evaluated", f"reader {log['reader_version']}"),
        ]
    )
    for warning in warnings:
        st.caption(f"Note: {page.plain(warning['text'])}")
    st.download_button(
        "Original log, byte for byte",
        lambda: page_data.original_log(book, int(log["log_id"])),
        file_name=log["file_name"].replace("/", "_"),
        mime="application/octet-stream",
        key=f"original-{detail.run}",
        on_click="ignore",
    )
    if len(detail.changes):
        st.markdown("Corrections:")
        rows = page_data.records(detail.changes)
        page.table(
            pd.DataFrame(
                {
                    "Field": [r["field"] for r in rows],
                    "was": [r["old_value"] or "unknown" for r in rows],
                    "is": [r["new_value"] or "unknown" for r in rows],
                    "who": [r["who"] or "not said" for r in rows],
                    "when": [page.local(r["changed_at"], book.zone) for r in rows],
                    "why": [r["why"] or "not said" for r in rows],
                }
            ),
            f"run-{detail.run}-corrections",
        )
