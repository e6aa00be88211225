"""What people answered to calls, put back to the calls of today, and the record the tool has from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.drift.records import OPEN, Call

REAL, FALSE, WATCH = ("explained", "fixed"), "false", "watch"


@dataclass(frozen=True)
class Answer:
    """An answer as stored; `call` is the JSON form of the call when it was answered."""

    number: int
    call_id: str
    call: Mapping[str, Any]
    answer: str
    note: str | None
    who: str | None
    at: str


@dataclass(frozen=True)
class Record:
    """How often the tool was right, by the people who looked. `calls`: all calls of today."""

    calls: int
    real: int
    false: int
    watched: int
    unanswered: int

    @property
    def text(self) -> str:
        answered = self.real + self.false
        if answered + self.watched == 0:
            return f"{_calls(self.calls)} so far, none answered yet: its record is unknown."
        said = f"Of {_calls(answered)} that someone looked into, {self.real} were real and {self.false} false."
        rest = [f"{self.watched} watched" if self.watched else "", f"{self.unanswered} open" if self.unanswered else ""]
        return " ".join([said, *([f"Beside: {', '.join(filter(None, rest))}."] if any(rest) else [])])


def answered(calls: Sequence[Call], answers: Sequence[Answer]) -> dict[str, Answer]:
    """Call id -> the newest answer to it.

    A call whose id has moved (new rules, a run left out) keeps the answer to the call of the same series and
    channel whose interval of dates, in runs, overlaps its own.
    """
    out: dict[str, Answer] = {}
    for call in calls:
        for answer in answers:
            if answer.call_id == call.id or _same(call, answer.call):
                out[call.id] = answer
    return out


def record_of(calls: Sequence[Call], answers: Sequence[Answer]) -> Record:
    """Counts calls by their newest answer; answers to calls that no longer exist count as well: they were calls."""
    by_call = answered(calls, answers)
    gone: dict[str, str] = {a.call_id: a.answer for a in answers if a not in by_call.values()}
    kept = {a.call_id for a in answers if any(_same(c, a.call) or a.call_id == c.id for c in calls)}
    words = [a.answer for a in by_call.values()] + [word for call, word in gone.items() if call not in kept]
    real, false, watched = sum(w in REAL for w in words), words.count(FALSE), words.count(WATCH)
    return Record(len(calls) + len(words) - len(by_call), real, false, watched, len(calls) - len(by_call))


def is_open(call: Call, answer: Answer | None) -> bool:
    """A call somebody should still look at: not gone back, not ended by an event, not answered except with "watch"."""
    settled = answer is not None and answer.answer != WATCH
    return call.state == OPEN and call.closed_by is None and not settled


def _same(call: Call, other: Mapping[str, Any]) -> bool:
    if (call.series, call.channel) != (other.get("series"), other.get("channel")):
        return False
    interval = other.get("since_run_interval")
    if not interval or call.kind != other.get("kind"):
        return False
    return call.since_run_interval[0] <= interval[1] and interval[0] <= call.since_run_interval[1]


def _calls(n: int) -> str:
    return "1 call" if n == 1 else f"{n} calls"
