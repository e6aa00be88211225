"""What a sheet is made of, before it becomes HTML or PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Heading:
    text: str


@dataclass(frozen=True)
class Paragraph:
    text: str
    strong: bool = False


@dataclass(frozen=True)
class Facts:
    """Name and value, a row each."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Table:
    """All cells are text. `widths`: shares of the page's width."""

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]


@dataclass(frozen=True)
class Picture:
    """A PNG with what it shows in words."""

    png: bytes
    words: str


Block = Heading | Paragraph | Facts | Table | Picture


@dataclass(frozen=True)
class Part:
    """One part of the sheet; it begins on a new page when printed."""

    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Sheet:
    """A whole sheet. `identity` is the same for the same runs, logs, rules and verdicts: it joins HTML and PDF."""

    title: str
    identity: str
    made: str  # when, in words, with the zone
    version: str
    parts: Sequence[Part]
