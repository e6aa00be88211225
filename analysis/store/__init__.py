"""The one place where analysis meets the archive: contexts and recordings come out, evaluations go in.

Reads its own queries; everything it writes goes through ingest.archive.
"""

from analysis.store.contexts import context_for, contexts_for
from analysis.store.evaluating import evaluate_and_write, reevaluate, refresh, rejudge
from analysis.store.frames import metric_frame, metric_values
from analysis.store.seeding import seed_defaults
from analysis.store.summary import run_summary

__all__ = [
    "context_for",
    "contexts_for",
    "evaluate_and_write",
    "metric_frame",
    "metric_values",
    "reevaluate",
    "refresh",
    "rejudge",
    "run_summary",
    "seed_defaults",
]
