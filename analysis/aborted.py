"""Whether a log's own state channel says that the run was stopped before it was over."""

from __future__ import annotations

import re

import numpy as np

from ingest.recording import Recording

# Words a controller writes when a run does not end by itself; "stop" and "off" are said at the end of good runs too.
# Common practice, no source; German beside English because its controllers are in use.
_STOPPED = re.compile(
    r"\b(abort(ed)?|cancel(l?ed)?|emergency[ _-]?stop|e-?stop|abbruch|abgebrochen|not-?aus)\b", re.IGNORECASE
)


def says_stopped(label: str) -> bool:
    return _STOPPED.search(label.replace("_", " ")) is not None


def stopped_early(recording: Recording) -> str | None:
    """What the log says about a stop, with its time [s]; None when it has no state channel or says nothing of the kind."""
    for channel in recording.of_role("state"):
        for code, label in enumerate(channel.labels):
            if not says_stopped(label):
                continue
            at = np.flatnonzero(channel.values == code)
            if len(at):
                return f"the log says '{label}' from {float(recording.elapsed_s[at[0]]):.0f} s on"
    return None
