"""What an import is asked to do, and what it answers, in plain values that pages and command line print."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np

from ingest.recording import FloatArray, Notice, Question, Reading, Recording

Status = Literal["stored", "held", "duplicate", "rejected"]
Source = Literal["file", "stdin", "page", "http", "watch", "capture", "demo"]


@dataclass(frozen=True)
class ImportOptions:
    """How to take logs in. Everything about the run is a name or a value; None means not given.

    `oven`, `paste`, `jar`, `board` must be known to the archive; `profile` may be new. `started_at` is the start of
    the log's first run: an aware datetime, or text, read in the archive's zone if it names none. `answers` are
    question id -> answer. `origin` is what the values given here are recorded as: "typed", or "imported" when
    they come from a sheet. `carry` False: nothing is carried over from earlier runs. `dry_run`: say what would happen.
    """

    source: Source = "file"
    oven: str | None = None
    profile: str | None = None
    paste: str | None = None
    jar: str | None = None
    board: str | None = None
    kind: str | None = None
    orientation: str | None = None
    load_count: int | None = None
    operator: str | None = None
    note: str | None = None
    started_at: datetime | str | None = None
    dry_run: bool = False
    who: str | None = None
    answers: Mapping[str, str] = field(default_factory=dict[str, str])
    origin: Literal["typed", "imported", "derived"] = "typed"
    started_at_origin: Literal["typed", "imported", "derived"] | None = None  # None: as `origin`
    carry: bool = True

    def to_json(self) -> dict[str, Any]:
        """Plain values, only what was given: kept with a held log so that it can be finished later."""
        kept: dict[str, Any] = {}
        for key in (one.name for one in fields(self)):
            value = getattr(self, key)
            if key == "dry_run" or value is None or value == {}:
                continue
            value = dict(value) if key == "answers" else value
            kept[key] = value.isoformat() if isinstance(value, datetime) else value
        return kept

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> ImportOptions:
        """Options from what `to_json` kept; unknown keys, of a newer version, are left out."""
        known = {f.name for f in fields(cls)}
        return cls(**{key: value for key, value in kept.items() if key in known})

    def over(self, kept: Mapping[str, Any]) -> ImportOptions:
        """These options on top of those a held log was kept with: what is given now wins, answers add up."""
        earlier = ImportOptions.from_json(kept)
        now = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) != f.default}
        return replace(earlier, **{**now, "answers": {**earlier.answers, **self.answers}, "dry_run": self.dry_run})


@dataclass(frozen=True)
class ChannelResult:
    """One channel as stored: peak [°C] of the running median of three samples and when [s]; None when not a temperature."""

    name: str
    role: str
    unit_original: str
    samples: int
    peak_c: float | None
    peak_at_s: float | None


@dataclass(frozen=True)
class RunResult:
    """One run of a log. `run` is None in a dry run."""

    run: int | None
    started_at: datetime | None
    zone: str | None
    duration_s: float
    verdict: str | None
    channels: tuple[ChannelResult, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "run": self.run,
            "started_at": self.started_at.isoformat() if self.started_at else None,
            "zone": self.zone,
            "duration_s": self.duration_s,
            "verdict": self.verdict,
            "channels": [asdict(c) for c in self.channels],
        }


@dataclass(frozen=True)
class ImportResult:
    """The answer for one log. `log` is its number in the archive, None when nothing was kept of it."""

    file: str
    sha256: str
    status: Status
    reason: str | None = None
    questions: tuple[Question, ...] = ()
    warnings: tuple[Notice, ...] = ()
    runs: tuple[RunResult, ...] = ()
    log: int | None = None
    reading: Reading | None = None  # as understood just now; None when the log was not read again, or came among many

    def to_json(self) -> dict[str, Any]:
        """The item that `ovenbook import --json` prints for one file."""
        return {
            "file": self.file,
            "sha256": self.sha256,
            "status": self.status,
            "reason": self.reason,
            "questions": [questions_json(q) for q in self.questions],
            "warnings": [{"code": n.code, "text": n.text} for n in self.warnings],
            "runs": [r.to_json() for r in self.runs],
        }


def questions_json(question: Question) -> dict[str, Any]:
    return {
        "id": question.id,
        "text": question.text,
        "choices": list(question.choices),
        "guess": question.guess,
    }


def describe_run(run_id: int | None, recording: Recording, verdict: str | None) -> RunResult:
    channels: list[ChannelResult] = []
    for channel in recording.channels:
        peak = peak_at = None
        if channel.role == "temperature":
            peak, peak_at = peak_of(recording.elapsed_s, channel.values)
        present = int(np.isfinite(channel.values).sum())
        channels.append(ChannelResult(channel.name, channel.role, channel.unit_original, present, peak, peak_at))
    return RunResult(run_id, recording.started_at, recording.zone, recording.duration_s, verdict, tuple(channels))


def peak_of(elapsed_s: FloatArray, values_c: FloatArray) -> tuple[float | None, float | None]:
    """Peak [°C] and its time [s]: highest running median of three present samples, the first time it is reached.

    With one or two present samples the highest of them; (None, None) when none is present.
    """
    present = np.isfinite(values_c)
    t, v = elapsed_s[present], values_c[present]
    if not len(v):
        return None, None
    if len(v) > 2:
        a, b, c = v[:-2], v[1:-1], v[2:]
        v = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))  # the median, at a tenth of np.median's cost
        t = t[1:-1]
    at = int(np.argmax(v))
    return float(v[at]), float(t[at])
