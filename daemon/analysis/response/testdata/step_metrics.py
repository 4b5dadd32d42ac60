#!/usr/bin/python3
"""Measures steps with NumPy and SciPy (Debian's python3-scipy), for tests.

Reads JSON {"dt": s, "at": index of the step, "set": [...], "act": [...]}, one
record a line, and prints the measures of each as one line of JSON. Levels: mean
of the later half before the step, mean of the last fifth after it.
"""
import json
import sys

import numpy as np
from scipy.interpolate import interp1d
from scipy.signal import find_peaks


def crossing(t, y, level):
    k = np.nonzero(y >= level)[0][0]
    return float(interp1d(y[k - 1:k + 1], t[k - 1:k + 1])(level))


def settling(t, dev, band):
    k = np.nonzero(np.abs(dev) > band)[0][-1]
    edge = np.copysign(band, dev[k])
    low, high = sorted((k, k + 1), key=lambda i: dev[i])
    return float(interp1d(dev[[low, high]], t[[low, high]])(edge))


def peak(t, y, k):
    c = np.polyfit(t[k - 1:k + 2] - t[k], y[k - 1:k + 2], 2)
    at = -c[1] / (2 * c[0])
    return at + t[k], np.polyval(c, at)


def measure(record):
    dt, at = record["dt"], record["at"]
    r, y = np.array(record["set"]), np.array(record["act"])
    before = y[at - max(5, at // 2):at].mean()
    n = len(y) - at
    tail = slice(len(y) - max(5, n // 5), len(y))
    final = y[tail].mean()
    sign = np.sign(final - before)
    size = abs(final - before)
    t = (np.arange(at - 1, len(y)) - at) * dt
    dev = (y[at - 1:] - final) * sign
    out = {
        "rise time": crossing(t, dev, -0.1 * size) - crossing(t, dev, -0.9 * size),
        "settling time 2 %": settling(t, dev, 0.02 * size),
        "settling time 5 %": settling(t, dev, 0.05 * size),
        "steady-state error": float(np.mean(r[tail] - y[tail])),
        "ripple RMS": float(np.sqrt(np.mean((r[tail] - y[tail]) ** 2))),
    }
    tops = [peak(t, dev, k) for k in find_peaks(dev, height=1e-5 * size)[0]]
    dips = [peak(t, -dev, k) for k in find_peaks(-dev, height=1e-5 * size)[0] if tops and t[k] > tops[0][0]]
    if tops:
        out["peak time"], out["overshoot"] = tops[0][0], 100 * tops[0][1] / size
    if dips:
        out["undershoot"] = 100 * dips[0][1] / size
    if len(tops) > 1:
        out["decay ratio"] = tops[1][1] / tops[0][1]
    return out


for line in sys.stdin:
    print(json.dumps(measure(json.loads(line))))
