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
    told, cannot = [], []
    first = group[0]
    for other in group[1:]:
        a, b = first.factor, other.factor
        beside_a = any(f"beside {b.label}" in text for text in first.missing)
        beside_b = any(f"beside {a.label}" in text for text in other.missing)
        if beside_b and not beside_a:
            told.append(f"Beside {a.label}, {b.label} has nothing left to explain; the other way round it has.")
        elif a.kind == b.kind:
            cannot.append(
                f"{a.label} and {b.label} are two readings of the same {_KIND.get(a.kind, a.kind)}: "
                "these runs cannot tell which of them matters."
            )
        elif {a.kind, b.kind} & {"board", "oven"} and first.factor.kind == "thermal":
            told.append(
                f"Inside each board and lot {a.label} still goes with {defect}; {b.label} alone does not show that."
            )
        else:
            cannot.append(f"{a.label} and {b.label} changed together here: these runs cannot tell them apart.")
    return Entangled(defect, tuple(group), tuple(told), tuple(cannot), _how(group))


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
