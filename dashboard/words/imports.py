"""What became of a log, and the questions of one that is held."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dashboard.words.numbers import counted, duration, listed, number
from dashboard.words.terms import ROLE_WORDS

STATUS_WORDS = {
    "stored": "stored",
    "held": "held: a question must be answered first",
    "duplicate": "already in the archive",
    "rejected": "rejected",
}


def short_path(path: str, longest: int = 48) -> str:
    """A path as given, or its last parts behind an ellipsis when it is long; the file's name is always whole."""
    if len(path) <= longest:
        return path
    *folders, name = path.replace("\\", "/").split("/")
    kept = name
    while folders and len(kept) + len(folders[-1]) + 3 <= longest:
        kept = f"{folders.pop()}/{kept}"
    return f"…/{kept}"


def import_sentence(item: Mapping[str, Any]) -> str:
    """What became of one log, from its item of `import --json`."""
    status, name = item["status"], item["file"]
    runs = item.get("runs") or []
    numbers = [run["run"] for run in runs if run.get("run") is not None]
    if status == "stored":
        if not numbers:
            return f"{name}: would be stored, {counted(len(runs), 'run')}."
        return f"{name}: stored as {_runs_text(runs)}."
    if status == "duplicate":
        tail = f" as {_runs_text(runs)}" if numbers else ""
        return f"{name}: already in the archive{tail}; nothing was stored."
    if status == "held":
        n = len(item.get("questions") or [])
        if not n and item.get("reason"):
            return f"{name}: held: {item['reason'].rstrip('.')}."
        return f"{name}: held, {counted(n, 'question')} to answer. Nothing is stored on a guess."
    reason = item.get("reason") or "no reason was given"
    return f"{name}: rejected: {reason.rstrip('.')}."


def _runs_text(runs: Sequence[Mapping[str, Any]]) -> str:
    return f"run{'' if len(runs) == 1 else 's'} {listed([str(run['run']) for run in runs])}"


def understood_lines(run: Mapping[str, Any]) -> list[str]:
    """What was understood of one run of a log, from its entry in `import --json`: the start, then a line a channel."""
    start = f"starts {run['started_at']}" if run.get("started_at") else "does not tell its start"
    lines = [f"One run: {start}, lasts {duration(run['duration_s'])}."]
    for channel in run["channels"]:
        text = f"{channel['name']}: {ROLE_WORDS.get(channel['role'], channel['role'])}"
        if channel.get("unit_original"):
            text += f" in {channel['unit_original']}"
        text += f", {counted(channel['samples'], 'sample')}"
        if channel.get("peak_c") is not None:
            text += f", peak {number(channel['peak_c'])} °C at {number(channel['peak_at_s'], 0)} s"
        lines.append(text)
    return lines


def question_text(question: Mapping[str, Any]) -> str:
    """A question of a held log with its choices and the guess."""
    text = f"{question['id']}: {question['text']}"
    if question.get("choices"):
        text += f" Choices: {', '.join(question['choices'])}."
    if question.get("guess"):
        text += f" Most likely: {question['guess']}."
    return text


def answer_command(log: int, questions: Iterable[Mapping[str, Any]]) -> str:
    """The command that answers a held log, to be copied, with the likely answers filled in."""
    import shlex

    pairs = [f"{question['id']}={question.get('guess') or 'YOUR_ANSWER'}" for question in questions]
    return shlex.join(["ovenbook", "answer", str(log), *pairs])


def import_counts(counts: Mapping[str, int]) -> str:
    """The totals of an import: "12 stored, 0 held, 1 duplicate, 0 rejected"."""
    return ", ".join(f"{counts.get(status, 0)} {status}" for status in ("stored", "held", "duplicate", "rejected"))
