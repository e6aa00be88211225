"""Which calls of drift have not been told yet, for alerts. What was told is kept in a small file beside the archive.

The file outlives a restart: a call that came with the last log before it, or through the terminal while the service was
down, is told then, and no call twice. A call whose id moves as later runs sharpen it is the same one by the rule that keeps
people's answers with their calls.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.service.alerts import Alert

if TYPE_CHECKING:
    from analysis.drift.records import Call
    from ingest.archive import Archive


class DriftNews:
    """With no file yet (alerts were just turned on), calls of the runs that are there now count as told.

    Raises ArchiveError when the archive cannot be read.
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self._place = archive.path.with_name(archive.path.name + ".told.json")
        self._told = _read(self._place)
        self._silent_up_to = 0
        if self._told is None:
            self._silent_up_to = int(archive.read("SELECT coalesce(max(run_id), 0) AS n FROM run")["n"].iloc[0])

    def of_ovens(self, ovens: Iterable[str] | None = None) -> list[Alert]:
        """An alert for each open call of these ovens (None: of all) that is new, noted as told before it is returned.

        Raises ArchiveError when the archive cannot be read; then nothing is noted. A file that cannot be written is no
        reason to be silent: a restart may then tell once more.
        """
        from analysis.store.drift import oven_names, oven_report

        told = self._told or []
        before = len(told)
        alerts: list[Alert] = []
        for oven in sorted(oven_names(self.archive) if ovens is None else ovens):
            calls = oven_report(self.archive, oven).open_calls()
            known = _known(calls, told)
            for call in calls:
                if call.id in known:
                    continue
                told.append(call.to_json())
                if call.alarm_run > self._silent_up_to:
                    alerts.append(_alert(call))
        if self._told is None or len(told) > before:
            self._told = told
            with contextlib.suppress(OSError):
                _write(self._place, told)
        return alerts


def _alert(call: Call) -> Alert:
    since = f"since about run {call.since_run}"
    text = f"{call.oven}: drift is called, {call.size_text}, {since}. Check first: {call.check_first}"
    return Alert("drift_called", text, call.alarm_run, call.oven)


def _known(calls: list[Call], told: list[dict[str, Any]]) -> set[str]:
    """Ids of the calls that were told."""
    from analysis.drift.answers import Answer, answered

    if not calls:
        return set()
    mine = [one for one in told if one["oven"] == calls[0].oven]
    return set(answered(calls, [Answer(n, one["id"], one, "watch", None, None, "") for n, one in enumerate(mine)]))


def _read(place: Path) -> list[dict[str, Any]] | None:
    """What was told; None when nothing is written down, or not so that it can be read."""
    try:
        told = json.loads(place.read_text(encoding="utf-8"))
        return [{**one, "oven": str(one["oven"]), "id": str(one["id"])} for one in told]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _write(place: Path, told: list[dict[str, Any]]) -> None:
    part = place.with_name(place.name + ".part")
    part.write_text(json.dumps(told, ensure_ascii=False), encoding="utf-8")
    os.replace(part, place)
