"""Decay per band with NumPy and SciPy, independent of roomsonde's own code.

usage: decay_scipy.py SOURCE OUT.f64

SOURCE is `wav:PATH:CHANNEL`, `sofa:PATH:AZIMUTH:EAR` (AES69, h5py) or
`raw:PATH:RATE:ZERO` (little-endian float64). Writes the response as raw float64
to OUT.f64 and prints one JSON object: rate, zero (sample of the onset), and per
band what came out.

Written from the definitions only (ISO 3382-1, ISO 3382-2, Schroeder 1965,
Lundeby et al. 1995): scipy.signal.butter(3, edges, 'bandpass') at the full
rate, run backwards with sosfilt; backward integral by cumsum; noise and knee
by iteration; numpy.polyfit over every sample of the range. 0 dB is the energy of
the whole band and the curve is read from the onset on, as roomsonde documents.
"""

import json
import sys
import warnings

import numpy as np
from scipy.signal import butter, sosfilt


def load(source):
    kind, rest = source.split(":", 1)
    if kind == "wav":
        import soundfile

        path, channel = rest.rsplit(":", 1)
        x, rate = soundfile.read(path, always_2d=True)
        x = x[:, int(channel)]
    elif kind == "sofa":
        import h5py

        path, azimuth, ear = rest.rsplit(":", 2)
        with h5py.File(path) as f:
            at = f["SourcePosition"][:, 0]
            m = int(np.argmin(np.abs((at - float(azimuth) + 180) % 360 - 180)))
            x = f["Data.IR"][m, int(ear)]
            rate = float(f["Data.SamplingRate"][0])
    else:
        path, rate, zero = rest.rsplit(":", 2)
        return np.fromfile(path, "<f8"), float(rate), int(zero)
    a = np.abs(x)
    onset = int(np.argmax(a >= 0.1 * a.max()))
    return np.asarray(x, float), float(rate), onset


def lines(block_s, power, rate):
    n = max(1, int(round(block_s * rate)))
    m = len(power) // n
    mean = power[: m * n].reshape(m, n).mean(axis=1)
    t = (np.arange(m) + 0.5) * n / rate
    return t, 10 * np.log10(np.maximum(mean, 1e-300))


def knee(power, rate):
    """Noise power, knee in seconds and late slope in dB/s, power of the line there; power from time zero on."""
    length = len(power) / rate
    noise = power[-len(power) // 10 :].mean()
    t, db = lines(min(0.03, length / 30), power, rate)
    noise_db = 10 * np.log10(max(noise, 1e-300))
    start = int(np.argmax(db))
    stop = start + 3
    while stop < len(db) and db[stop - 1] > noise_db + 8:
        stop += 1
    b, a = np.polyfit(t[start:stop], db[start:stop], 1)
    cross = (noise_db - a) / b
    for _ in range(6):
        t, db = lines(max(10 / -b / 6, 2 / rate), power, rate)
        begin = min(cross + 10 / -b, 0.9 * length)
        noise = power[int(begin * rate) :].mean()
        noise_db = 10 * np.log10(max(noise, 1e-300))
        start = int(np.argmax(db))
        inside = np.flatnonzero(db[start:] < noise_db + 7)
        stop = start + (inside[0] if len(inside) else len(db) - start)
        inside = np.flatnonzero(db[start:stop] < noise_db + 22)
        first = start + (inside[0] if len(inside) else 0)
        first = max(start, min(first, stop - 3))
        if stop - first < 2:
            break
        slope, a2 = np.polyfit(t[first:stop], db[first:stop], 1)
        if slope >= 0:
            break
        b, a = slope, a2
        cross = (noise_db - a) / b
    if cross + 10 / -b > length:
        # The response ends before the noise can be told from the decay: the
        # plain integral, nothing subtracted and nothing added.
        return 0.0, length, b, 0.0
    cross = max(cross, 0)
    return noise, cross, b, 10 ** ((a + b * cross) / 10)


def line(t, level, high, low):
    below = np.flatnonzero(level < low)
    under = np.flatnonzero(level <= high)
    if not len(below) or not len(under) or below[0] - under[0] < 4:
        return None
    s = slice(under[0], below[0])
    slope, offset = np.polyfit(t[s], level[s], 1)
    r = np.corrcoef(t[s], level[s])[0, 1]
    return {"s": -60 / slope, "xi": 1000 * (1 - r * r)}


def analyse(x, rate, zero, mid, width):
    low, high = mid * 10 ** (-0.15 / width), mid * 10 ** (0.15 / width)
    sos = butter(3, [low, high], "bandpass", fs=rate, output="sos")
    pad = int(8 * rate / (high - low))
    pre = min(zero, int(0.01 * rate))
    h = np.concatenate([np.zeros(pad), x[zero - pre :]])
    zero = pad + pre
    y = sosfilt(sos, h[::-1])[::-1]
    power = y * y
    settle = min(int(1.4 * rate / (high - low)), (len(h) - zero) // 10)
    after = power[zero : len(power) - settle]
    noise, cross, slope, atknee = knee(after, rate)
    stop = zero + int(cross * rate)
    tail = atknee * rate * 10 / (-slope * np.log(10))
    energy = np.cumsum((power[:stop] - noise)[::-1])[::-1] + tail
    curve = energy[zero:] / energy[0]
    good = np.flatnonzero(curve <= 0)
    curve = curve[: good[0]] if len(good) else curve
    level = 10 * np.log10(curve)
    t = np.arange(len(level)) / rate
    # Without any compensation, over the whole file, as a first look would.
    plain = np.cumsum(power[::-1])[::-1]
    plain = 10 * np.log10(np.maximum(plain[zero:] / plain[0], 1e-300))
    tp = np.arange(len(plain)) / rate
    return {
        "mid": mid,
        "width": width,
        "edt": line(t, level, 0, -10),
        "t20": line(t, level, -5, -25),
        "t30": line(t, level, -5, -35),
        "plain_t20": line(tp, plain, -5, -25),
        "plain_t30": line(tp, plain, -5, -35),
        "noise_db": float(10 * np.log10(max(noise, 1e-300))),
        "knee": cross,
    }


def cut_first(x, rate, zero, mid, width, limit):
    """Clarity in dB with the response cut at the limit before it is filtered."""
    low, high = mid * 10 ** (-0.15 / width), mid * 10 ** (0.15 / width)
    sos = butter(3, [low, high], "bandpass", fs=rate, output="sos")
    pad = np.zeros(int(8 * rate / (high - low)))
    n = zero + int(limit * rate)
    early = sosfilt(sos, np.concatenate([x[:n], pad]))
    late = sosfilt(sos, np.concatenate([x[n:], pad]))
    return float(10 * np.log10((early**2).sum() / (late**2).sum()))


def main():
    warnings.simplefilter("ignore")  # two points to a line, in bands without a decay
    x, rate, zero = load(sys.argv[1])
    x.astype("<f8").tofile(sys.argv[2])
    bands = []
    for width, ks in ((1, range(-15, 10, 3)), (3, range(-15, 10))):
        for k in ks:
            mid = 1000 * 10 ** (k / 10)
            if mid * 10 ** (0.15 / width) > 0.4 * rate:
                continue
            try:
                b = analyse(x, rate, zero, mid, width)
            except Exception as e:  # a band without any decay: nothing to compare
                b = {"mid": mid, "width": width, "error": str(e)}
            b["c50"] = cut_first(x, rate, zero, mid, width, 0.05)
            b["c80"] = cut_first(x, rate, zero, mid, width, 0.08)
            bands.append(b)
    n = zero + int(0.05 * rate)
    broad = float(10 * np.log10((x[:n] ** 2).sum() / (x[n:] ** 2).sum()))
    json.dump({"rate": rate, "zero": zero, "c50": broad, "bands": bands}, sys.stdout)


main()
