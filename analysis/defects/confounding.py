"""Factors that move together, said aloud: what the data can tell apart and what they cannot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.defects.linking import HINT, SHOWN, TOGETHER, TRIAL, Link


@dataclass(frozen=True)
class Entangled:
    """Factors linked with one defect that move together. `told_apart`: what the data say; `cannot`: what they do not."""

    defect: str
    links: tuple[Link, ...]
    told_apart: tuple[str, ...]
    cannot: tuple[str, ...]
    how_to_tell: str


def entangled(links: Sequence[Link], together: Mapping[tuple[str, str], float]) -> list[Entangled]:
    """Groups of factors per defect, each linked beyond chance and moving together with another of the group."""
    out = []
    for defect in dict.fromkeys(link.defect for link in links):
        mine = [link for link in links if link.defect == defect and link.grade in (HINT, TRIAL, SHOWN)]
        for group in _groups(mine, together):
            if len(group) > 1:
                out.append(_said(defect, group))
    return out


def _groups(links: list[Link], together: Mapping[tuple[str, str], float]) -> list[list[Link]]:
    """Grown from the strongest link: everything that moves with it directly, not over third ones."""
    left, groups = list(links), []
    while left:
        first = left.pop(0)
        near = [k for k in left if together.get((first.factor.name, k.factor.name), 0.0) >= TOGETHER]
        left = [k for k in left if k not in near]
        groups.append([first, *near])
    return groups


def _said(defect: str, group: list[Link]) -> Entangled:
    first = group[0]
    told, alike, unlike = [], [], []
    for other in group[1:]:
        if f"it does not hold beside {first.factor.label}" in other.missing:
            told.append(f"Beside {first.factor.label}, {other.factor.label} has nothing left to explain.")
        elif other.factor.kind == first.factor.kind:
            alike.append(other.factor.label)
        elif first.factor.kind == "thermal" and other.factor.kind in ("board", "oven"):
            told.append(
                f"Inside each board and lot {first.factor.label} still goes with {defect}, whatever the {other.factor.label}."
            )
        else:
            unlike.append(other.factor.label)
    cannot = []
    if alike:
        what = _KIND.get(first.factor.kind, first.factor.kind)
        names = _listed([first.factor.label, *alike])
        cannot.append(f"{names} are readings of the same {what}: these runs cannot tell which of them matters.")
    if unlike:
        names = _listed([first.factor.label, *unlike])
        cannot.append(f"{names} changed together here: these runs cannot tell them apart.")
    said = [text[:1].upper() + text[1:] for text in cannot]
    return Entangled(defect, tuple(group), tuple(told), tuple(said), _how(group))


def _listed(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


_KIND = {"thermal": "heat", "paste": "paste", "person": "person", "room": "room", "oven": "oven", "board": "board"}


def _how(group: list[Link]) -> str:
    kinds = {link.factor.kind for link in group}
    if kinds == {"thermal"}:
        return "A planned trial that changes one of them and holds the others would tell."
    if "paste" in kinds:
        return "Ten runs of the same board from a fresh jar, at unchanged heat, would tell paste from the rest."
    if "board" in kinds:
        return "The same board with the factor on either side would tell; different boards cannot."
    return "Runs in which only one of them changes would tell."
