"""Difference, mean and spread of responses with NumPy, peaks with SciPy;
independent of roomsonde's own code.

Reads one JSON object from stdin: takes (path of little-endian float64 impulse
response, rate, length n of the transform), fraction, per_octave, From, To, MatchFrom, MatchTo, PeaksTo.
Prints one JSON object.

Written from the definitions: each response is seen from its first sample on, the
last quarter falling along half a cosine; power is averaged over 1/fraction octave
by integrating the staircase of the bins of a transform with roomsonde's spacing of
bins (so that nothing but the arithmetic differs); levels are matched by the mean
power over a band; the mean over seats is that of power.
"""

import json
import sys

import numpy as np
from scipy.signal import find_peaks, peak_widths


def power_of(path, rate, n):
    h = np.fromfile(path, "<f8")
    fall = len(h) // 4
    w = np.ones(len(h))
    left = np.arange(fall, 0, -1)
    w[-fall:] = 0.5 - 0.5 * np.cos(np.pi * (left - 0.5) / fall)
    return np.abs(np.fft.rfft(h * w, n)) ** 2


def smooth(power, step, at, fraction):
    out = []
    low_edges = (np.arange(len(power)) - 0.5) * step
    for f in at:
        lo, hi = f * 2 ** (-0.5 / fraction), f * 2 ** (0.5 / fraction)
        overlap = np.minimum(low_edges + step, hi) - np.maximum(low_edges, lo)
        overlap = np.maximum(overlap, 0)
        if hi - lo < step:
            x = f / step
            k = int(x)
            out.append((1 - (x - k)) * power[k] + (x - k) * power[k + 1])
        else:
            out.append((power * overlap).sum() / overlap.sum())
    return np.array(out)


def features(hz, y, per_octave):
    top, props = find_peaks(y, prominence=3, wlen=2 * per_octave + 1)
    data = (props["prominences"], props["left_bases"], props["right_bases"])
    _, _, left, right = peak_widths(y, top, 0.5, prominence_data=data)
    at = lambda x: float(hz[0] * 2 ** (x / per_octave))
    return [
        {"Hz": float(hz[t]), "Height": float(p), "From": at(a), "To": at(b)}
        for t, p, a, b in zip(top, props["prominences"], left, right)
    ]


def main():
    job = json.load(sys.stdin)
    per = job["per_octave"]
    first = int(np.ceil(np.log2(job["From"] / 1000) * per - 1e-9))
    last = int(np.floor(np.log2(job["To"] / 1000) * per + 1e-9))
    hz = 1000 * 2.0 ** (np.arange(first, last + 1) / per)
    powers = []
    for take in job["takes"]:
        n = take["n"]
        powers.append(smooth(power_of(take["path"], take["rate"], n), take["rate"] / n, hz, job["fraction"]))
    powers = np.array(powers)
    db = 10 * np.log10(powers)
    band = (hz >= job["MatchFrom"] * (1 - 1e-9)) & (hz <= job["MatchTo"] * (1 + 1e-9))
    offset = 10 * np.log10(powers[0, band].mean() / powers[1, band].mean())
    low = hz <= job["PeaksTo"]
    json.dump(
        {
            "Hz": hz.tolist(),
            "Difference": (db[1] - db[0] + offset).tolist(),
            "Offset": float(offset),
            "Mean": (10 * np.log10(powers.mean(axis=0))).tolist(),
            "Lowest": db.min(axis=0).tolist(),
            "Highest": db.max(axis=0).tolist(),
            "Standard": db.std(axis=0, ddof=1).tolist(),
            "Peaks": features(hz[low], db[0, low], per),
            "Dips": features(hz[low], -db[0, low], per),
        },
        sys.stdout,
    )


main()
