"""Seasons of an oven that nobody tuned for, from log files through `ovenbook import` to `ovenbook drift`.

    python tests/benchmarks/bench_seasons.py [seasons, 3] [first seed, 21]

Every fault of tests/benchmarks/other_oven.py after run 100 of 200, and clean seasons: what was called, since when, with
which cause first. "found": the first call made after the change that names the cause; "besides": all other calls.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from other_oven import BOARDS, FAULTS, season, write

CAUSE = {"set points": "setpoint_or_firmware", "control": "setpoint_or_firmware"}
ONSET, RUNS = 100, 200


def calls_of(fault: str, seed: int) -> list[dict]:
    with tempfile.TemporaryDirectory() as place:
        logs = Path(place) / "logs"
        sheet = write(logs, season(seed, fault, RUNS, ONSET))
        env = {**os.environ, "OVENBOOK_ARCHIVE": str(Path(place) / "book.duckdb")}

        def ovenbook(*words: str) -> str:
            done = subprocess.run(
                [sys.executable, "-m", "dashboard.cli", *words], env=env, capture_output=True, text=True, check=False
            )
            return done.stdout

        ovenbook("oven", "add", "North")
        for board in BOARDS:
            ovenbook("board", "add", board)
        stored = json.loads(ovenbook("import", str(logs), "--metadata", str(sheet), "--oven", "North", "--json"))
        if any(one["status"] != "stored" for one in stored):
            raise SystemExit(f"{fault}, seed {seed}: not every log was stored")
        return json.loads(ovenbook("drift", "--json"))


def main() -> None:
    seasons, first = ([int(a) for a in sys.argv[1:]] + [3, 21][len(sys.argv) - 1 :])[:2]
    for fault in ("", *FAULTS):
        found, delays, dated, besides = 0, [], 0, 0
        for seed in range(first, first + seasons):
            calls = calls_of(fault, seed)
            wanted = CAUSE.get(fault, fault)
            mine = [c for c in calls if c["called_at_run"] > ONSET and c["causes"][0]["cause"] == wanted][:1]
            for call in mine:
                found += 1
                delays.append(call["called_at_run"] - ONSET)
                dated += abs(call["since_run"] - ONSET - 1) <= 15
            besides += len(calls) - len(mine)
        what = (
            f"found and named {found} of {seasons}, after {sorted(delays)} runs, {dated} dated within 15; "
            if fault
            else ""
        )
        print(f"{fault or 'clean':14} {what}{besides} other calls in {seasons * RUNS} runs", flush=True)


if __name__ == "__main__":
    main()
