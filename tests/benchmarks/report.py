"""One line a benchmark: what was done, against what, the ratios, the goal; as a table or as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Line:
    """`wall`, `cpu`: ratios of seconds to the baseline of the same run; of a size, `wall` is the ratio and `cpu` None.
    `goal`: at most this, None where there is none."""

    point: str
    what: str
    baseline: str
    wall: float
    cpu: float | None
    goal: float | None
    note: str = ""


def show(lines: Sequence[Line], *, as_json: bool = False) -> None:
    if as_json:
        print(json.dumps([asdict(line) for line in lines], ensure_ascii=False, indent=1))
        return
    print(f"{'':<3}{'ratio':>8}{'of CPU':>8}{'goal':>7}   what, against what")
    for line in lines:
        cpu = "" if line.cpu is None else f"{line.cpu:.2f}"
        goal = "" if line.goal is None else f"{line.goal:g}"
        print(f"{line.point:<3}{line.wall:>8.2f}{cpu:>8}{goal:>7}   {line.what}, against {line.baseline}")
        if line.note:
            print(f"{'':<29}{line.note}")
