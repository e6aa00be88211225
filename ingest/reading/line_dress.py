"""What programs put round the cells of a row: bars or brackets at both ends, a checksum, a logger's prefix. Taken off when
most lines wear it; anything else in the lines stays as it is.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from ingest.reading.dialect import sample_of

MOST = 0.7  # of the sampled lines must wear it
_CHECKSUM = re.compile(r"\*[0-9A-Fa-f]{2}\s*$")
_FRAMES = (("|", "|"), ("[", "]"), ("(", ")"))
_STAMP = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?|\d\d?:\d\d:\d\d(?:[.,]\d+)?"
_PREFIX = re.compile(rf"^\W*({_STAMP})?(?:[^\d\n]{{0,40}}?[^\W\d][^\d\n]{{0,40}}?)[:>\]]\s*([-+]?\d.*)$")


def undressed(lines: Sequence[str]) -> Sequence[str]:
    """Lines without checksums at their end and without a frame of bars or brackets."""
    sample = sample_of(lines)
    if not sample:
        return lines
    if sum(bool(_CHECKSUM.search(ln)) for ln in sample) >= MOST * len(sample):
        lines = [_CHECKSUM.sub("", ln).removeprefix("$") for ln in lines]
    for left, right in _FRAMES:
        if sum(ln.strip().startswith(left) and ln.strip().rstrip(",").endswith(right) for ln in sample) >= MOST * len(
            sample
        ):
            return [
                ln.strip().rstrip(",").removeprefix(left).removesuffix(right) if ln.lstrip().startswith(left) else ln
                for ln in lines
            ]
    return lines


def without_prefix(lines: Sequence[str]) -> Sequence[str] | None:
    """Lines of a logger ("2025-03-27 09:14:03 INFO data: 12.0,25.1") as stamp and cells, or None when they are none."""
    sample = sample_of(lines)
    found = [m for ln in sample if (m := _PREFIX.match(ln))]
    if not sample or len(found) < MOST * len(sample):
        return None
    marks = Counter(c for m in found for c in m.group(2) if c in ",;\t|")
    delimiter = marks.most_common(1)[0][0] if marks else " "
    out = []
    for line in lines:
        m = _PREFIX.match(line)
        out.append((m.group(1) + delimiter if m.group(1) else "") + m.group(2) if m else line)
    return out
