"""What came out of a fleet's work, beside the published tables: Parquet files below `fleet/`, and a list of those that count.

fleet/metrics/oven=NAME/month=2025-03/CONTENT.parquet    likewise evaluations, limits, findings
fleet/drift/oven=NAME/CONTENT.parquet
fleet/evaluation.json, fleet/drift.json                  written last, in one piece
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from analysis.evaluate import RULES_VERSION
from ingest.archive import ArchiveError
from ingest.dataset import Manifest, Part, Place, write_json

FOLDER = "fleet/"


def read_parts(place: Place, work: str) -> list[Part]:
    """The parts that count of `work` (evaluation or drift); empty when it was never done."""
    raw = place.read(f"{FOLDER}{work}.json")
    if raw is None:
        return []
    try:
        return [Part(**part) for part in json.loads(raw)["parts"]]
    except (ValueError, KeyError, TypeError):
        raise ArchiveError(f"{place}/{FOLDER}{work}.json is damaged: delete it and do the work again") from None


def write_parts(place: Place, work: str, parts: Sequence[Part], before: Sequence[Part], scratch: Path) -> None:
    """Makes these parts the ones that count; files that no longer do are removed."""
    ordered = sorted(parts, key=lambda part: part.path)
    known = {name for part in before for name in part.files.values()}
    place.settle(sorted({name for part in ordered for name in part.files.values()} - known))
    if ordered != list(before):
        value = {"rules_version": RULES_VERSION, "parts": [asdict(part) for part in ordered]}
        write_json(place, f"{FOLDER}{work}.json", value, scratch)
    place.remove(sorted(known - {name for part in ordered for name in part.files.values()}))


def ovens_of(manifests: Sequence[Manifest]) -> dict[str | None, list[Manifest]]:
    """Each oven's parts alone, publisher by publisher: what a step on it must know."""
    from dataclasses import replace

    out: dict[str | None, list[Manifest]] = {}
    for manifest in manifests:
        of_oven: dict[str | None, list[Part]] = {}
        for part in manifest.parts:
            of_oven.setdefault(part.oven, []).append(part)
        for oven, parts in of_oven.items():
            out.setdefault(oven, []).append(replace(manifest, parts=tuple(parts)))
    return dict(sorted(out.items(), key=lambda item: item[0] or ""))
