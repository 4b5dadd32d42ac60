"""Recomputes the statistics of recurrence with SciPy.

Reads one JSON list of cases from stdin, writes one of results to stdout.
"""
import json
import sys

import numpy as np
from scipy import stats


def case(c):
    n, level, days = c["n"], c["level"], c["days"]
    times, end = np.array(c["times"]), c["end"]
    tail = (1 - level) / 2
    low = stats.chi2.ppf(tail, 2 * n) / 2 if n else 0.0
    high = stats.chi2.ppf(1 - tail, 2 * n + 2) / 2
    m = len(times)
    u = (times.sum() - m * end / 2) / (end * np.sqrt(m / 12))
    shape = m / np.log(end / times).sum()
    unbiased = shape * (m - 1) / m
    # Uniform where the law holds: SciPy's statistic is the handbook's.
    misfit = stats.cramervonmises((times / end) ** unbiased, "uniform").statistic
    k, of, p = c["k"], c["of"], c["p"]
    bounds = stats.binomtest(k, of).proportion_ci(level, "exact")
    angles = np.array(c["angles"])
    mean = 1 - stats.circvar(angles)
    return {
        "low": low, "high": high,
        "rate": n / days,
        "u": u, "trend": 2 * stats.norm.sf(abs(u)),
        "shape": shape,
        "shape_low": shape * stats.chi2.ppf(0.025, 2 * m) / (2 * m),
        "shape_high": shape * stats.chi2.ppf(0.975, 2 * m) / (2 * m),
        "misfit": misfit,
        "at_most": stats.binomtest(k, of, p, alternative="less").pvalue,
        "at_least": stats.binomtest(k, of, p, alternative="greater").pvalue,
        "ratio_low": bounds.low / (1 - bounds.low), "ratio_high": bounds.high / (1 - bounds.high) if k < of else 0.0,
        "direction": stats.circmean(angles), "mean": mean,
    }


json.dump([{k: float(v) for k, v in case(c).items()} for c in json.load(sys.stdin)], sys.stdout)
