"""Waterfall and constant-Q energy with NumPy and SciPy, independent of
roomsonde's own code: everything at the full rate, nothing decimated, nothing
moved down in frequency.

usage: waterfall_scipy.py slices RAW.f64 RATE ONSET RISE WINDOW TIMES.f64 HZ.f64 FRACTION OUT.f64
       waterfall_scipy.py energy RAW.f64 RATE ONSET OCTAVES EDGES.f64 HZ.f64 OUT.f64

RAW.f64 is the response as little-endian float64, ONSET the sample that times
count from, FRACTION the mean's width as 1/FRACTION octave (0: none; then the
frequencies are multiples of the first difference). OUT.f64 gets power, slices
by frequencies or frequencies by columns.
"""

import sys

import numpy as np
from scipy import fft
from scipy.interpolate import CubicSpline


def read(path):
    return np.fromfile(path, "<f8")


def slices(raw, rate, onset, rise, window, times, hz, fraction, out):
    h, rate, onset, rise, window = read(raw), float(rate), float(onset), float(rise), float(window)
    times, hz, fraction = read(times), read(hz), float(fraction)
    t = (np.arange(len(h)) - onset) / rate
    result = np.empty((len(times), len(hz)))
    n = fft.next_fast_len(int(rate * (rise + window) * 32)) if fraction else int(round(rate / (hz[1] - hz[0])))
    for i, tau in enumerate(times):
        u = t - tau
        up = 0.5 + 0.5 * np.cos(np.pi * u / rise)
        down = 0.5 + 0.5 * np.cos(np.pi * u / window)
        w = np.where((u > -rise) & (u < 0), up, np.where((u >= 0) & (u < window), down, 0))
        inside = np.flatnonzero(w)
        x = (h * w)[inside[0] : inside[-1] + 1]
        p = np.abs(fft.rfft(x, n)) ** 2
        f = np.arange(len(p)) * rate / n
        if fraction == 0:
            k = np.rint(hz / (rate / n)).astype(int)
            assert np.allclose(f[k], hz)
            result[i] = p[k]
            continue
        area = CubicSpline(f, p).antiderivative()
        lo, hi = hz * 2 ** (-0.5 / fraction), hz * 2 ** (0.5 / fraction)
        result[i] = (area(hi) - area(lo)) / (hi - lo)
    result.astype("<f8").tofile(out)


def energy(raw, rate, onset, octaves, edges, hz, out):
    h, rate, onset, octaves = read(raw), float(rate), float(onset), float(octaves)
    edges, hz = read(edges), read(hz)
    pad = int(1.2 * rate * 20 / hz[0] / (6 * octaves))
    n = fft.next_fast_len(len(h) + 2 * pad)
    x = np.concatenate([np.zeros(pad), h])
    spectrum = fft.fft(x, n)
    f = fft.fftfreq(n, 1 / rate)
    t = (np.arange(n) - pad - onset) / rate
    result = np.empty((len(hz), len(edges) - 1))
    for i, mid in enumerate(hz):
        # 3 dB below its middle the band is 1/octaves wide: half the power there.
        half = mid * (2 ** (octaves / 2) - 2 ** (-octaves / 2)) / 2
        g = np.where(f > 0, 0.5 ** (0.5 * ((f - mid) / half) ** 2), 0)
        e = fft.ifft(spectrum * g) * n / g.sum()
        area = CubicSpline(t, np.abs(e) ** 2).antiderivative()(edges)
        result[i] = np.diff(area) / np.diff(edges)
    result.astype("<f8").tofile(out)


{"slices": slices, "energy": energy}[sys.argv[1]](*sys.argv[2:])
