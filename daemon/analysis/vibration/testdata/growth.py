#!/usr/bin/python3
"""Frequencies and growth rates by NumPy and SciPy (Debian's python3-scipy), for tests.

Reads JSON {"x": [...], "dt": s, "hz": f, "length": n, "hop": n, "size": n}, one
record a line; prints the amplitude's rate (1/s) and its standard error by
scipy.stats.linregress over the logarithms of Hann-weighted projections on the
tone at hz, and the tone's frequency by Hann ratio interpolation of scipy's welch.
"""
import json
import sys

import numpy as np
from scipy.signal import welch
from scipy.stats import linregress

for line in sys.stdin:
    r = json.loads(line)
    x, dt, n = np.array(r["x"]), r["dt"], r["length"]
    w = 1 - np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    turn = np.exp(-2j * np.pi * r["hz"] * dt * np.arange(n))
    times, logs = [], []
    for at in range(0, len(x) - n + 1, r["hop"]):
        part = x[at:at + n] - x[at:at + n].mean()
        times.append((at + (n - 1) / 2) * dt)
        logs.append(np.log(2 * abs(np.sum(w * part * turn)) / w.sum()))
    fit = linregress(times, logs)
    f, density = welch(x, fs=1 / dt, nperseg=r["size"], window="hann")
    k = int(np.argmax(density[4:])) + 4
    side = 1 if density[k + 1] >= density[k - 1] else -1
    ratio = np.sqrt(density[k + side] / density[k])
    hz = f[k] + side * (2 * ratio - 1) / (ratio + 1) * f[1]
    print(json.dumps({"rate": fit.slope, "stderr": fit.stderr, "hz": hz}))
