"""Runs become metrics, verdicts, comparisons, drift and defect links.

What a notebook needs is named here and loaded when it is used:

    from analysis import metric_frame, compare_runs
    from ingest import open_archive

    archive = open_archive("archive.duckdb")
    metrics = metric_frame(archive, ["peak_c"])          # a row a run, a column a series
    changed = compare_runs(archive, 12, 34).metrics      # the most unusual difference first

==================  ====================================================================================================
`run_summary`       one run as plain values: verdict, limits, metrics, findings, metadata with origin
`metric_values`     measured numbers of many runs, long form, with uncertainty and status
`metric_frame`      the same, wide: a row a run with its metadata, a column a series
`split_series`      a column of `metric_frame` taken apart: metric, parameters, channel
`compare_runs`      what changed between two runs
`last_good_before`  the last good comparable run, or why there is none
`oven_report`       drift of one oven: what changed, since when, what to check first
`defect_records`    what was inspected and found, with the factors of each run
`rejudge`           which verdicts the windows of today would change; stores nothing
`QUANTITIES`        every metric with unit, meaning and decimals
==================  ====================================================================================================

Temperatures are in °C, differences in K, times in seconds, time stamps in UTC; missing is missing, never zero. Functions
that take an archive raise `ingest.archive.ArchiveError` with one line. Judging a recording without an archive:
`analysis.evaluate.evaluate`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.quantities import QUANTITIES
    from analysis.store.comparing import compare_runs, last_good_before
    from analysis.store.defects import defect_records
    from analysis.store.drift import oven_report
    from analysis.store.evaluating import rejudge
    from analysis.store.frames import metric_frame, metric_values, split_series
    from analysis.store.summary import run_summary

__all__ = [
    "QUANTITIES",
    "compare_runs",
    "defect_records",
    "last_good_before",
    "metric_frame",
    "metric_values",
    "oven_report",
    "rejudge",
    "run_summary",
    "split_series",
]

# On demand: whoever imports one log needs neither statistics nor comparison.
_HOMES = {
    "QUANTITIES": "quantities",
    "compare_runs": "store.comparing",
    "defect_records": "store.defects",
    "last_good_before": "store.comparing",
    "metric_frame": "store.frames",
    "metric_values": "store.frames",
    "oven_report": "store.drift",
    "rejudge": "store.evaluating",
    "run_summary": "store.summary",
    "split_series": "store.frames",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"analysis.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
