"""How often the links are right on invented shops with a known cause, beside plain correlation on the same shops.

    python tests/benchmarks/bench_defects.py [SHOPS]

Plain correlation is what a spreadsheet does: every run counted alike, the defect's count against every numeric factor
(Pearson) or yes/no against every level (chi-squared), p below 0.05 called a find. For the shops see
tests/analysis/simulated_shops.py.

Measured with 200 shops a cause (percent of shops; the plain correlation of the same shops behind the stroke):

    cause planted            thermal       jar           jar, heat moving with it   none
    guilty factor first      93.0 / 93.5   99.0 / 98.5   98.5 / 97.5                -
    it is worth a trial      84.5          94.0          93.5                       -
    heat accused of it       85.0 / 99.5    0.0 / 26.0    3.0 / 92.5                 0.0 / 28.5
    something else accused    2.5 / 60.5    0.5 / 69.5    2.5 / 67.5                 1.0 / 83.5
"""

from __future__ import annotations

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import chi2_contingency, pearsonr

sys.path.insert(0, str(Path(__file__).parents[1] / "analysis"))

from simulated_shops import CAUSES, DEFECT, FACTORS, GUILTY, Shop, shop

from analysis.defects.linking import TRIAL, link_defects

KIND = {factor.name: factor.kind for factor in FACTORS}


def plain_correlation(one: Shop) -> dict[tuple[str, str], tuple[float, float]]:
    """(defect, factor) -> strength and p."""
    out = {}
    for defect, rows in one.defects.groupby("defect"):
        counts = rows.groupby("run")["count"].sum().reindex(one.runs["run"], fill_value=0).to_numpy(dtype=float)
        for factor in FACTORS:
            column = one.runs[factor.name]
            if factor.numeric:
                r, p = pearsonr(column, counts)
                out[str(defect), factor.name] = (abs(float(r)), float(p))
            else:
                table = pd.crosstab(column, counts > 0)
                if table.shape[1] == 2:
                    statistic, p, _, _ = chi2_contingency(table)
                    out[str(defect), factor.name] = (float(np.sqrt(statistic / len(counts))), float(p))
    return out


def judge(one: Shop) -> dict[str, bool]:
    links = link_defects(one.runs, one.defects, FACTORS)
    guilty, defect = GUILTY[one.cause], DEFECT[one.cause]
    mine = [link for link in links if link.defect == defect]
    elsewhere = [link for link in links if one.cause == "none" or link.defect != defect]
    plain = plain_correlation(one)
    plain_mine = {f: v for (d, f), v in plain.items() if d == defect}
    return {
        "first": bool(mine) and mine[0].factor.name == guilty,
        "right trial": any(link.grade == TRIAL and link.factor.name == guilty for link in mine),
        "heat accused": any(link.grade == TRIAL and link.factor.kind == "thermal" for link in mine),
        "false trial": any(link.grade == TRIAL for link in elsewhere),
        "plain first": bool(plain_mine) and max(plain_mine, key=lambda f: plain_mine[f][0]) == guilty,
        "plain heat accused": any(p < 0.05 and KIND[f] == "thermal" for f, (_, p) in plain_mine.items()),
        "plain false find": any(p < 0.05 for (d, _), (_, p) in plain.items() if one.cause == "none" or d != defect),
    }


def main() -> None:
    warnings.simplefilter("ignore")
    shops = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{shops} shops a cause, 60 to 400 runs each; percent of shops")
    for cause in CAUSES:
        began = time.time()
        table = pd.DataFrame([judge(shop(seed, cause)) for seed in range(shops)])
        shares = (table.mean() * 100).round(1)
        print(f"\ncause planted: {cause} ({(time.time() - began) / shops:.2f} s a shop)")
        for name, share in shares.items():
            print(f"  {name:20s} {share:5.1f}")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
