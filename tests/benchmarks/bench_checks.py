"""Hit rate and false rate of every channel check on simulated runs (invented data, not the demo's oven).

    python tests/benchmarks/bench_checks.py [runs per fault] [clean runs] [codes] [size=0.5] [seed=0] [-v]

found: any suspect or fail. named: the planted code on the right channel, and no other code above it but its own
consequences. clean: share of clean runs with any suspect or fail.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "analysis")]

import numpy as np  # noqa: E402
from planted_faults import FAULTS, Case, clean, plant  # noqa: E402

from analysis.checks import check_channels  # noqa: E402
from analysis.metrics import measure  # noqa: E402
from analysis.results import Finding  # noqa: E402


def spoken(case: Case) -> list[Finding]:
    findings = check_channels(case.recording, case.context, measure(case.recording, case.context), case.history)
    broken = [f for f in findings if "did not run" in f.evidence]
    if broken:
        raise AssertionError(broken)
    return [f for f in findings if f.state in ("suspect", "fail")]


def is_named(code: str, case: Case, findings: list[Finding]) -> bool:
    above = [f for f in findings if f.code not in case.also]
    return bool(above) and above[0].code == code and above[0].channel == case.channel


def main(runs: int, clean_runs: int) -> None:
    print(f"{'fault':<22}{'runs':>6}{'found %':>9}{'named %':>9}   otherwise named")
    size = next((float(a[5:]) for a in sys.argv if a.startswith("size=")), 1.0)
    base = next((int(a[5:]) for a in sys.argv if a.startswith("seed=")), 0)
    print(f"planted at size {size:g} (1 is clear)")
    chosen = [a for a in sys.argv[1:] if a in FAULTS] or list(FAULTS)
    for code in chosen:
        found = named = 0
        other: Counter[str] = Counter()
        for seed in range(base, base + runs):
            case = plant(code, np.random.default_rng([seed, sum(map(ord, code))]), size)
            findings = spoken(case)
            found += bool(findings)
            if is_named(code, case, findings):
                named += 1
            else:
                top = [f for f in findings if f.code not in case.also]
                other[top[0].code if top else "nothing"] += 1
                if "-v" in sys.argv:
                    print("   ", code, seed, case.channel, [(f.code, f.channel, f.evidence) for f in findings])
        told = ", ".join(f"{name} {count}" for name, count in other.most_common(4))
        print(f"{code:<22}{runs:>6}{100 * found / runs:>9.1f}{100 * named / runs:>9.1f}   {told}", flush=True)
    for with_history, count in ((False, clean_runs), (True, clean_runs // 4)):
        false: Counter[str] = Counter()
        bad = 0
        spent = 0.0
        for seed in range(base, base + count):
            case = clean(np.random.default_rng([seed, 7, int(with_history)]), with_history=with_history)
            metrics = measure(case.recording, case.context)
            begin = time.perf_counter()
            check_channels(case.recording, case.context, metrics, case.history)
            spent += time.perf_counter() - begin
            findings = spoken(case)
            bad += bool(findings)
            false.update(f.code for f in findings)
            if findings and "-v" in sys.argv:
                print("    clean", with_history, seed, [(f.code, f.channel, f.evidence) for f in findings])
        words = "with history" if with_history else "no history"
        told = ", ".join(f"{name} {n}" for name, n in false.most_common())
        if count:
            rate, cost = 100 * bad / count, 1e3 * spent / count
            print(f"clean, {words:<15}{count:>6}   false {rate:.2f} %   {cost:.2f} ms a run   {told}", flush=True)


if __name__ == "__main__":
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    main(*(numbers + [100, 1000][len(numbers) :]))
