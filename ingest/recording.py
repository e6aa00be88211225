"""What a log becomes once it has been understood: plain data, no archive and no file behind it.

A *reading* is the answer of the reader for one log: read, held with questions, or rejected with a reason. A read log
holds one or more *recordings*, one per run. Times and values are quantised here, once, to what the archive stores, so
that evaluating a recording before or after storage gives the same digits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Role = Literal["temperature", "setpoint", "duty", "state", "reference_junction", "other"]
ROLES: tuple[Role, ...] = ("temperature", "setpoint", "duty", "state", "reference_junction", "other")

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Notice:
    """Something the reader did or saw that changes no value silently: a code for programs, a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True)
class Question:
    """What the reader must ask before a log can be stored. `id` is stable: the key of the answer."""

    id: str
    text: str
    choices: tuple[str, ...] = ()  # empty: free text
    guess: str | None = None


@dataclass(frozen=True)
class Fault:
    """A fault marker seen in one channel: the sample is missing, the marker is evidence."""

    elapsed_s: float
    marker: str  # as written in the log
    kind: Literal["open", "short", "out_of_range", "fault"]


@dataclass(frozen=True)
class Channel:
    """One column of a run.

    `values`: temperatures and set points in °C, duty as a fraction 0 to 1, states as whole-number codes into `labels`;
    NaN is missing. `unit_original` is the unit in the log as understood ("°C", "°F", "K", "%", "").
    `judged` is False for a temperature column that is an average of others: kept and shown, never judged.
    `confidence` 0 to 1 and `reasons` say why the column was taken for what it is.
    """

    name: str
    role: Role
    unit_original: str
    values: FloatArray
    judged: bool = True
    labels: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    confidence: float = 1.0
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Recording:
    """One run.

    `elapsed_s`: seconds from the first sample, starts at 0, strictly increasing, whole milliseconds.
    `started_at`: aware UTC wall-clock time of the first sample, or None when the log does not tell.
    `zone`: the zone the stamps were read in (IANA name or "+02:00"), or None when unknown.
    `first_line`, `last_line`: 1-based lines of the decoded log that the run came from.
    """

    elapsed_s: FloatArray
    channels: tuple[Channel, ...]
    started_at: datetime | None = None
    zone: str | None = None
    first_line: int = 1
    last_line: int = 1
    notices: tuple[Notice, ...] = ()

    @property
    def duration_s(self) -> float:
        return float(self.elapsed_s[-1]) if len(self.elapsed_s) else 0.0

    def of_role(self, role: Role) -> tuple[Channel, ...]:
        return tuple(c for c in self.channels if c.role == role)


def quantise_elapsed(seconds: FloatArray) -> FloatArray:
    """Seconds [s] to the whole milliseconds the archive keeps."""
    return np.round(np.asarray(seconds, dtype=np.float64) * 1000.0) / 1000.0


def quantise_values(values: FloatArray) -> FloatArray:
    """Values to the 32-bit floats the archive keeps, given back as 64-bit. NaN stays NaN."""
    return np.asarray(values, dtype=np.float32).astype(np.float64)


@dataclass(frozen=True)
class LayoutFound:
    """How this log is laid out, as understood, in plain values that can be stored and shown.

    `fingerprint` is the hash of what does not change between two logs of one controller (delimiter, decimal mark,
    header words, units, column count). `decisions` holds everything needed to read another log of the kind without a
    question, and the reason behind each decision.
    """

    fingerprint: str
    decisions: dict[str, Any] = field(default_factory=dict[str, Any])


@dataclass(frozen=True)
class Reading:
    """The reader's answer for one log (or one member of an archive file)."""

    status: Literal["read", "held", "rejected"]
    reason: str | None = None
    questions: tuple[Question, ...] = ()
    notices: tuple[Notice, ...] = ()
    metadata: dict[str, str] = field(default_factory=dict[str, str])
    recordings: tuple[Recording, ...] = ()
    layout: LayoutFound | None = None
    head: tuple[str, ...] = ()  # the first lines, for the question to be answered
