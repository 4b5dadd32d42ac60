#!/usr/bin/python3
"""Spectra by SciPy (Debian's python3-scipy), for tests.

Reads JSON {"x": [...], "rate": Hz, "size": n, "hop": n, "window": name}, one
record a line, and prints {"f": [...], "density": [...], "amplitude": [...]} of
each; amplitudes are those of scaling="spectrum", as peak values.
"""
import json
import sys

import numpy as np
from scipy.signal import get_window, welch

NAMES = {"": "hann", "rectangular": "boxcar", "flat-top": "flattop"}

for line in sys.stdin:
    r = json.loads(line)
    x, n = np.array(r["x"]), r["size"]
    window = get_window(NAMES.get(r["window"], r["window"]), n, fftbins=True)
    more = dict(fs=r["rate"], window=window, nperseg=n, noverlap=n - r["hop"], detrend="constant")
    f, density = welch(x, scaling="density", **more)
    _, power = welch(x, scaling="spectrum", **more)
    factor = np.full(len(f), 2.0)
    factor[0] = 1
    if n % 2 == 0:
        factor[-1] = 1
    print(json.dumps({"f": list(f), "density": list(density), "amplitude": list(np.sqrt(power * factor))}))
