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
from scipy.signal import butter, sosfilt, sosfreqz


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
        t, db = lines(min(max(10 / -b / 6, 2 / rate), length / 20), power, rate)
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


def band_filter(rate, mid, width):
    """The band's filter, and how long it rings in samples; width 0 is the whole response."""
    if width == 0:
        return (lambda x: x), 0, (lambda omega: np.ones_like(omega))
    low, high = mid * 10 ** (-0.15 / width), mid * 10 ** (0.15 / width)
    sos = butter(3, [low, high], "bandpass", fs=rate, output="sos")
    return (lambda x: sosfilt(sos, x)), int(8 * rate / (high - low)), (lambda omega: np.abs(sosfreqz(sos, omega)[1]))


def analyse(x, rate, zero, mid, width):
    band, pad, _ = band_filter(rate, mid, width)
    pre = min(zero, int(0.01 * rate))
    h = np.concatenate([np.zeros(pad), x[zero - pre :]])
    zero = pad + pre
    y = band(h[::-1])[::-1]
    power = y * y
    settle = min(int(1.4 / 8 * pad), (len(h) - zero) // 10)
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
        "noise": float(noise),
        "knee": float(cross),
        "slope": float(slope),
        "tail": float(tail),
    }


def energies(x, rate, zero, mid, width, band):
    """Clarity in dB, definition and centre time in seconds.

    The response is cut at the limit before it is filtered, as ISO 3382-1 asks.
    The centre time needs no cut: there the band filter's magnitude alone acts,
    without phase, by the Fourier transform. Noise, knee and tail are those of
    the decay curve."""
    filtered, pad, magnitude = band_filter(rate, mid, width)
    pre = min(zero, int(0.01 * rate))
    noise, knee_at, late_slope, tail = (band[k] for k in ("noise", "knee", "slope", "tail"))
    knee_at = zero + int(knee_at * rate)
    out = {}
    for limit in (0.05, 0.08):
        n = zero + int(round(limit * rate))
        early = filtered(np.concatenate([x[zero - pre : n], np.zeros(pad)]))
        before = (early**2).sum() - noise * (n - zero + pre)
        h = np.concatenate([np.zeros(pad), x[n:]])
        late = filtered(h[::-1])[::-1] ** 2
        after = late[: knee_at - n + pad].sum() - noise * (knee_at - n) + tail
        if before > 0 and after > 0 and knee_at > n:
            out["c%d" % round(1000 * limit)] = float(10 * np.log10(before / after))
            out["d%d" % round(1000 * limit)] = float(before / (before + after))
    n = 1 << int(np.ceil(np.log2(2 * len(x) + 2 * pad)))
    h = x.copy()
    h[: zero - pre] = 0
    spectrum = np.fft.rfft(h, n) * magnitude(np.linspace(0, np.pi, n // 2 + 1))
    power = np.fft.irfft(spectrum) ** 2
    t = (np.arange(n) - zero) / rate
    rings = n - (n - len(x)) // 2  # before the start
    t[rings:] -= n / rate
    power[zero - pre : knee_at] -= noise
    heard = np.r_[0:knee_at, rings:n]
    moment, total = (t[heard] * power[heard]).sum(), power[heard].sum() + tail
    tau = 10 / np.log(10) / -late_slope
    out["ts"] = float((moment + tail * ((knee_at - zero) / rate + tau)) / total)
    return out


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
            if "noise" in b:
                b.update(energies(x, rate, zero, mid, width, b))
            bands.append(b)
    whole = analyse(x, rate, zero, 0, 0)
    whole.update(energies(x, rate, zero, 0, 0, whole))
    n = zero + int(0.05 * rate)
    broad = float(10 * np.log10((x[:n] ** 2).sum() / (x[n:] ** 2).sum()))
    json.dump({"rate": rate, "zero": zero, "c50": broad, "whole": whole, "bands": bands}, sys.stdout)


main()
