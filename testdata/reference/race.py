"""The whole chain, from a recording to the impulse response, the calibrated
response and the decay per band, with NumPy and SciPy: the other side of
`make race`. It computes the same figures by the same definitions as roomsonde,
as fast as we could write it without leaving NumPy and SciPy.

usage: race.py SETUP.json

SETUP.json is written by cmd/roomsonde/internal/race. After a warm-up the line
`ready` is printed; then every line on stdin is answered by one line of JSON:

  run                    {"read": seconds, "deconvolution": ..., "total": ...}
  results N HZ,HZ,...    the results of the last run; the response once more,
                         untimed, through a transform of N points and at HZ

Choices, each the fastest of what was tried on two cores (SciPy 1.10):
- transforms of lengths from next_fast_len(real=True). scipy.fft's `workers`
  share out several transforms, never one, so that the excitation's and the
  recording's, which do not need each other, run in two threads instead.
- two threads elsewhere where two things do not need each other: NumPy's and
  SciPy's loops release the interpreter lock, also sosfilt's.
- in-place arithmetic; masks and skirts only where they are not constant.
- band filters are designed before the clock starts, as ours are kept from take
  to take. With "full_rate" they run on the response as it is, in two threads
  (8 bands: 6.9 ms, one after the other 10.1). Without it they run on a signal
  halved in rate (polyphase FIR as long as ours) as often as the band allows,
  which takes about half the time (26 for 63 ms), and is how ours gain theirs.
- noise and knee on the running sum of the squared signal, so that no interval
  is ever summed twice; closed-form regression (numpy.polyfit takes 39 us for
  600 points, this 8).
"""

import json
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.io import wavfile
from scipy.signal import butter, firwin, sosfilt, upfirdn, welch
from scipy.special import gammaincinv

cores = sorted(os.sched_getaffinity(0))[:2] if hasattr(os, "sched_getaffinity") else []
if cores:
    os.sched_setaffinity(0, cores)
pool = ThreadPoolExecutor(2)


def db(power):
    return 10 * np.log10(np.maximum(power, 1e-40))


# ---- deconvolution ----


def make_sweep(p):
    """Novak et al. 2015, with its fades, as a card plays it."""
    t = np.arange(p["frames"]) * (1 / (p["rate"] * p["rate_s"]))
    np.exp(t, out=t)
    t *= p["start_hz"] * p["rate_s"]
    t -= np.floor(t)
    t *= 2 * np.pi
    np.sin(t, out=t)
    t *= p["amplitude"]
    n = p["fade_in"]
    t[:n] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    if p["fade_out"]:
        n = p["fade_out"]
        t[-n:] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(n, 0, -1) - 0.5) / n)
    else:
        cycles = p["start_hz"] * p["rate_s"]
        step = 1 / (p["rate"] * p["rate_s"])
        half = np.floor(2 * cycles * np.exp(p["frames"] * step))
        t[int(np.log(half / (2 * cycles)) / step) + 1 :] = 0
    return t.astype(np.float32)


def padded(x, n):
    out = np.zeros(n)
    out[: len(x)] = x
    return out


def make_inverse(X, step, p):
    """X*/(|X|² + ε) and what ε takes away below and above the range."""
    start, stop = p["start_hz"], p["stop_hz"]
    power = X.real**2
    power += X.imag**2
    lo, hi = int(np.ceil(max(start, 20) / step)), int(min(stop, 20000) / step) + 1
    ref = np.median(power[lo : hi : max(1, (hi - lo) // 8192)])
    low, high = int(np.ceil(start / step)), min(len(X), int(stop / step) + 1)
    edge = 1e-8 * ref
    span = np.log(1e8)
    with np.errstate(divide="ignore"):
        way = np.minimum(np.log2(start / (np.arange(low) * step)) / 0.5, 1)
    below = edge * np.exp(span * (0.5 - 0.5 * np.cos(np.pi * way)))
    way = np.minimum(np.log2(np.arange(high, len(X)) * step / stop) * 24, 1)
    above = edge * np.exp(span * (0.5 - 0.5 * np.cos(np.pi * way)))
    power[:low] += below
    power[low:high] += edge
    power[high:] += above
    below /= power[:low]
    above /= power[high:]
    inverse = np.conj(X, out=X)
    inverse /= power
    return inverse, below, above


def first_arrival(h, back, ahead, rate):
    around = np.abs(np.concatenate((h[-back:], h[:ahead])))
    first = int(np.argmax(around >= around.max() / 10))
    return first + int(np.argmax(around[first : first + int(rate / 1000) + 1])) - back


def continuation(H, n, lag, pre, keep, below, above, p):
    """What continues the response past the ends of its range, so that it ends
    where it is cut: conjugate gradients on a short transform."""
    step = p["rate"] / n
    low, high = len(below), len(H) - len(above)

    def turn(k):
        return np.exp(2j * np.pi * np.modf(k * (lag / n))[0])

    out_low = np.zeros(low, complex)
    edge = complex(H[low] * turn(np.float64(low)))
    phase, sign = np.angle(edge), 1.0
    if abs(phase) > np.pi / 2:
        sign, phase = -1.0, phase - np.copysign(np.pi, phase)
    k = np.arange(low)
    out_low[:] = sign * below * abs(edge) * np.exp(1j * phase * k / low)
    end = min(2 * high, len(H))
    k = np.arange(high, end)
    fade = 0.5 + 0.5 * np.cos(np.pi * (k - high + 1) / (end - high + 1))
    out_high = fade * above[: end - high] * complex(H[high - 1] * turn(np.float64(high - 1)))

    # The bass end alone: the top of the range is faded out, its ringing is short.
    top, flat = min(high, int(8 * p["start_hz"] / step)), int(2 * p["start_hz"] / step)
    m = next_fast_len(2 * top + 2, real=True)
    start = np.zeros(m // 2 + 1, complex)
    k = np.arange(top)
    start[:top] = H[:top] * turn(k)
    start[:low] += out_low
    start[flat:top] *= 0.5 + 0.5 * np.cos(np.pi * (k[flat:] - flat) / (top - flat))
    per = n / m
    a, b = int(keep / per), m - int(pre / per)

    def outside(spectrum):
        x = irfft(spectrum, m)
        x[:a] = 0
        x[b:] = 0
        got = rfft(x)[:low]
        got[0] = got[0].real
        return got

    def dot(a, b):
        return np.dot(a.view(float), b.view(float))

    full = np.zeros(m // 2 + 1, complex)
    e = np.zeros(low, complex)
    r = -outside(start)
    q = r.copy()
    power = first = dot(r, r)
    for _ in range(100):
        if power <= 1e-16 * first or power == 0:
            break
        full[:low] = q
        w = outside(full)
        w += 1e-6 * q
        along = dot(q, w)
        if along <= 0:
            break
        a_ = power / along
        e += a_ * q
        r -= a_ * w
        now = dot(r, r)
        q *= now / power
        q += r
        power = now
    out = np.zeros(len(H), complex)
    out[:low] = (out_low + e) * np.conj(turn(np.arange(low)))
    out[high:end] = out_high * np.conj(turn(np.arange(high, end)))
    return out


def cut(h, start, length):
    start %= len(h)
    return h[start : start + length] if start + length <= len(h) else np.concatenate((h[start:], h[: start + length - len(h)]))


def hear(x, inverse, step, rate):
    """Welch's spectrum of a silence, as it comes out of the inverse, in sixths
    of octaves: mid frequencies, density, degrees of freedom."""
    x = x - x.mean(dtype=float)
    size = 1 << int(np.log2(len(x) / 2))
    hz, psd = welch(x.astype(float), rate, "hann", size, size // 2, detrend=False)
    bin_hz = hz[1]
    edges = [bin_hz / 2]
    while edges[-1] < rate / 2:
        edges.append(max(edges[-1] * 2 ** (1 / 6), edges[-1] + bin_hz))
    edges = np.array(edges)
    lo, hi = edges[:-1], edges[1:]
    total = np.concatenate(([0], np.cumsum(psd)))
    a = np.maximum(np.ceil(lo / bin_hz).astype(int), 1)
    b = np.minimum(np.ceil(hi / bin_hz).astype(int), len(psd))
    count = b - a
    power = inverse.real**2
    power += inverse.imag**2
    passed = np.concatenate(([0], np.cumsum(power)))
    c = np.minimum(np.ceil(lo / step).astype(int), len(inverse) - 1)
    d = np.minimum(np.maximum((hi / step).astype(int) + 1, c + 1), len(inverse))
    gain = (passed[d] - passed[c]) / (d - c)
    periodograms = max(1, ((len(x) - size) // (size // 2) + 1) / (1 + 2 / 36))
    keep = count > 0
    freedom = 2 * periodograms * np.maximum(1, count / (1 + 8 / 9))
    density = (total[b] - total[a]) / np.maximum(count, 1) * rate / 2 * gain
    return np.sqrt(lo * hi)[keep], density[keep], freedom[keep]


def separate(h, lag, p):
    """The distortion products of orders 2 to 5, windowed."""
    rate, products = p["rate"], []

    def advance(k):
        return p["rate_s"] * np.log(k)

    for order in range(2, 6):
        gap = advance(order) - advance(order - 1)
        rise = min(0.25 * (advance(order + 1) - advance(order)), 0.08)
        length = min(0.9 * gap - rise, 1.0)
        if length < 0.04:
            break
        pre = int(rise * rate)
        total = pre + int(length * rate)
        w = np.ones(total)
        w[:pre] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(pre) + 0.5) / pre)
        fall = total // 4
        w[-fall:] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fall, 0, -1) - 0.5) / fall)
        x = cut(h, lag - int(round(advance(order) * rate)) - pre, total) * w
        products.append((order, x, np.dot(w, w)))
    return products


def deconvolve(rec, p):
    rate, start = p["rate"], p["sweep_start"]
    length = p["frames"] + p["tail"] + max(0, len(rec) - p["program_frames"])
    n = next_fast_len(length + int(0.25 * rate), real=True)
    step = rate / n
    recorded = pool.submit(lambda: rfft(padded(rec[start : start + length], n)))
    X = rfft(padded(make_sweep(p), n))
    inverse, below, above = make_inverse(X, step, p)
    H = recorded.result()
    H *= inverse
    h = irfft(H, n)
    lag = first_arrival(h, min(int(0.05 * rate), n // 8), min(length - p["frames"], n // 2), rate)
    pre, keep = int(round(p["pre_s"] * rate)), int(round(p["keep_s"] * rate))
    arrival = start + lag
    silence = rec[int(0.1 * rate) : min(arrival - int(0.03 * rate), len(rec))]
    aside = pool.submit(lambda: (hear(silence, inverse, step, rate), separate(h, lag, p)))
    impulse = cut(h, lag - pre, pre + keep) + cut(irfft(continuation(H, n, lag, pre, keep, below, above, p), n), lag - pre, pre + keep)
    noise, products = aside.result()
    return {"impulse": impulse, "zero": pre, "noise": noise, "products": products, "from": p["start_hz"], "to": p["stop_hz"]}


# ---- response ----


def smooth(power, step, at, fraction, low, high):
    """Mean power over 1/fraction octave, bins counted by their share, of
    nothing that lies outside low to high."""
    total = np.concatenate(([0], np.cumsum(power)))
    n = len(power)
    first, last = int(np.ceil(low / step - 1e-9)), min(int(high / step + 1e-9), n - 1)

    def integral(x):
        x = np.clip(x + 0.5, 0, n)
        k = np.minimum(x.astype(int), n - 1)
        return total[k] + (x - k) * power[k]

    half = 2 ** (0.5 / fraction)
    lo, hi = at / half / step, at * half / step
    narrow = hi - lo < 1
    bottom, top = np.maximum(lo, first - 0.5), np.minimum(hi, last + 0.5)
    narrow |= top - bottom < 1e-3
    out = np.maximum(0, (integral(top) - integral(bottom)) / np.where(narrow, 1, top - bottom))
    if narrow.any():
        x = np.clip(at[narrow] / step, first, last)
        k = x.astype(int)
        out[narrow] = (1 - (x - k)) * power[k] + (x - k) * power[np.minimum(k + 1, last)]
    return out


def independent(hz, fraction, low, high, length_s):
    """How many independent values a smoothed point holds."""
    half = 2 ** (0.5 / fraction)
    return np.maximum(1, (np.minimum(hz * half, high) - np.maximum(hz / half, low)) * length_s)


def log_interp(hz, at, values):
    return np.interp(np.log(np.maximum(hz, at[0])), np.log(at), values)


def respond(d, p, n=None, hz=None):
    rate, zero = p["rate"], d["zero"]
    h = d["impulse"]
    post = len(h) - zero
    n = n or next_fast_len(max(len(h), int(rate / 1.5)), real=True)
    step = rate / n
    x = np.zeros(n)
    fall = post // 4
    x[:post] = h[zero:]
    down = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fall, 0, -1) - 0.5) / fall)
    x[post - fall : post] *= down
    up = 0.5 - 0.5 * np.cos(np.pi * (np.arange(zero) + 0.5) / zero)
    x[n - zero :] = h[:zero] * up
    energy = post - fall + np.dot(down, down) + np.dot(up, up)
    H = rfft(x)
    mic_hz, mic_db = p["mic_hz"], p["mic_db"]
    H *= np.exp(log_interp(np.arange(len(H)) * step, mic_hz, mic_db) * (-np.log(10) / 20))
    power = H.real**2
    power += H.imag**2
    if hz is None:
        f = max(d["from"], step) * 2 ** (np.arange(0, np.log2(d["to"] / max(d["from"], step)), 1 / 96))
        bins = np.unique(np.rint(f / step).astype(int))
        hz = bins * step
    else:
        bins = np.rint(hz / step).astype(int)
    smoothed = smooth(power, step, hz, p["smoothing"], d["from"], d["to"])
    noise_hz, density, freedom = d["noise"]

    def gain(f):
        return 10 ** (log_interp(f, mic_hz, mic_db) / -10)

    noise = log_interp(hz, noise_hz, density) * energy * gain(hz)
    single = independent(hz, p["smoothing"], d["from"], d["to"], post / rate)
    ratio = noise / np.maximum(smoothed - noise, 1e-40)
    out = {
        "hz": hz,
        "db": db(smoothed),
        "noise_db": db(noise),
        "degrees": np.angle(H[bins], deg=True),
        "error_db": np.minimum(20, 20 / np.log(10) / np.sqrt(2) * np.sqrt(ratio / single)),
    }
    out["readable"] = readable(d, p, power, step, energy, gain, post / rate)
    out["thd"] = distortion(d, p, power, step, gain)
    return out


def readable(d, p, power, step, energy, gain, length_s):
    low = max(d["from"], p["mic_hz"][0])
    high = min(d["to"], p["mic_hz"][-1])
    count = max(2, int(np.ceil(np.log2(high / low) * 24)) + 1)
    hz = low * (high / low) ** (np.arange(count) / (count - 1))
    noise_hz, density, freedom = d["noise"]
    signal = smooth(power, step, hz, 6, d["from"], d["to"])
    hiss = log_interp(hz, noise_hz, density) * energy * gain(hz)
    nu = log_interp(hz, noise_hz, freedom)
    hiss *= nu / (2 * gammaincinv(nu / 2, 0.05))
    values = independent(hz, 6, d["from"], d["to"], length_s)
    need = np.maximum(10, (20 / np.log(10) / np.sqrt(2) * 8) ** 2 / values)  # 0.5 dB at four standard errors
    margin = db(np.maximum(signal - hiss, hiss / 10)) - db(hiss) - db(need)
    best = int(np.argmax(margin))
    if margin[best] < 0:
        return None
    good = np.flatnonzero(margin >= 0)
    holes = np.flatnonzero(np.diff(good) > 9)
    at = int(np.searchsorted(good, best))
    first = max((holes[holes < at] + 1).tolist(), default=0)
    last = min(holes[holes >= at].tolist(), default=len(good) - 1)
    # A single point beyond a gap is no range of its own.
    while first < last and good[first + 1] > good[first] + 1:
        first += 1
    while first < last and good[last - 1] < good[last] - 1:
        last -= 1
    if hz[good[last]] < hz[good[first]] * 2 ** (1 / 3):
        return None
    return [hz[good[first]], hz[good[last]]]


def distortion(d, p, power, step, gain):
    rate = p["rate"]
    top = min(d["to"], rate / 2)
    lowest = max(d["from"], 10)
    grid = lowest * 2 ** (np.arange(0, np.log2(top / 2 / lowest) + 1e-12, 1 / 24))
    noise_hz, density, freedom = d["noise"]
    base = smooth(power, step, grid, 12, d["from"], d["to"])
    total = np.zeros(len(grid))
    for order, x, energy in d["products"]:
        m = int(np.searchsorted(grid, top / order, "right"))
        at = grid[:m] * order
        n = next_fast_len(max(len(x), int(rate / 4)), real=True)
        P = rfft(x, n)
        g = gain(at)
        own = smooth(P.real**2 + P.imag**2, rate / n, at, 12, order * d["from"], top) * g
        floor = log_interp(at, noise_hz, density) * energy * g
        there = smooth(power, step, at, 12, d["from"], d["to"])
        nu = log_interp(at, noise_hz, freedom)
        most = floor * (nu / (2 * gammaincinv(nu / 2, 0.05)))
        told = (own >= 4 * np.maximum(most, base[:m] * 1e-14)) & (there > 0)
        ends = np.flatnonzero(np.diff(np.concatenate(([0], told, [0]))))
        for a, b in zip(ends[::2], ends[1::2]):
            if b - a < 8 or at[b - 1] - at[a] < 4 * rate / energy:  # noise, not a product
                told[a:b] = False
        ratio = db((own - floor) / base[:m])  # re the fundamental
        referred = db((own - floor) / there)  # re the input
        total[:m] += np.where(told, (own - floor) / base[:m], 0)
    with np.errstate(divide="ignore"):
        return grid, 10 * np.log10(total)


# ---- decay ----

HALVER = firwin(41, 0.5, window=("kaiser", 11.2))  # as long as ours


def halvings(high, rate):
    steps = 0
    while rate / 2 >= 2000 and high <= 0.25 * (rate / 2):
        rate /= 2
        steps += 1
    return steps


def design(p):
    """The band filters and how long each rings: before the clock starts."""
    bands = []
    for b in p["bands"]:
        steps = 0 if p.get("full_rate") else halvings(b["high"], p["rate"])
        rate = p["rate"] / 2**steps
        sos = butter(3, [b["low"], b["high"]], "bandpass", fs=rate, output="sos")
        pulse = np.zeros(int(12 * rate / (b["high"] - b["low"])) + 16)
        pulse[0] = 1
        y = sosfilt(sos, pulse) ** 2
        total = np.cumsum(y)
        last = int(np.argmax(total[-1] - total < 1e-7 * total[-1]))
        centre = np.dot(np.arange(len(y)), y) / total[-1] / rate
        bands.append({**b, "sos": sos, "steps": steps, "rate": rate, "last": last + 1, "centre": centre, "width_hz": b["high"] - b["low"]})
    # The longest first, so that the threads end together.
    return sorted(bands, key=lambda b: b["steps"])


def line(x, y):
    """Least squares: slope, offset, r²."""
    mx, my = x.mean(), y.mean()
    x, y = x - mx, y - my
    xx, xy, yy = np.dot(x, x), np.dot(x, y), np.dot(y, y)
    slope = xy / xx
    return slope, my - slope * mx, (xy * xy / (xx * yy) if yy > 0 else 1.0)


def at_time(sums, zero, rate, t):
    """The running sum up to times t, between samples too."""
    at = np.clip(zero - t * rate - 0.5, 0, len(sums) - 1.000001)
    k = at.astype(int)
    return sums[k] + (at - k) * (sums[k + 1] - sums[k])


def one_time(sums, zero, rate, t):
    at = zero - t * rate - 0.5
    if at <= 0:
        return sums[0] * max(0.0, at + 1)
    if at >= len(sums) - 1:
        return sums[-1]
    k = int(at)
    return sums[k] + (at - k) * (sums[k + 1] - sums[k])


def falls_below(levels, start, limit):
    low = levels[start:] < limit
    pair = low[:-1] & low[1:]
    if len(pair) and pair.any():
        return start + int(np.argmax(pair))
    return len(levels) - 1 if len(low) and low[-1] else len(levels)


def find_floor(sums, zero, rate, end, width):
    """Lundeby et al. 1995: noise power per sample, knee, late line, reached."""

    def mean(a, b):
        return max(0.0, one_time(sums, zero, rate, a) - one_time(sums, zero, rate, b)) / ((b - a) * rate)

    def levels(dt):
        t = np.arange(int(end / dt) + 1) * dt
        s = at_time(sums, zero, rate, t)
        return db((s[:-1] - s[1:]) / (dt * rate))

    noise = mean(0.9 * end, end)
    dt = min(max(1 / width, 0.010), 0.050, end / 20)
    while True:
        l = levels(dt)
        peak = int(np.argmax(l))
        last = falls_below(l, peak, db(noise) + 8)
        if last - peak >= 3:
            slope, offset, _ = line((np.arange(peak, last) + 0.5) * dt, l[peak:last])
            if slope < -0.1:
                break
        dt /= 3
        if dt * rate < 2:
            return None
    knee = (db(noise) - offset) / slope
    for turn in range(8):
        ten = 10 / -slope
        if turn < 2:
            dt = max(ten / 6, 2 / rate, end / 4000)
        begin = min(knee + ten, 0.9 * end)
        power = mean(begin, end)
        if begin < knee + ten:
            fall = -slope * np.log(10) / 10
            line_mean = (10 ** ((offset + slope * begin) / 10) - 10 ** ((offset + slope * end) / 10)) / (fall * (end - begin))
            power = max(0.0, power - line_mean)
        l = levels(dt)
        peak = int(np.argmax(l))
        power_db = db(power)
        bottom = max(power_db, db(mean(0.95 * end, end)) - 7)
        last = falls_below(l, peak, bottom + 7)
        first = falls_below(l, peak, bottom + 22)
        first = max(peak, min(first, last - 3))
        if last - first < 2:
            break
        s, o, _ = line((np.arange(first, last) + 0.5) * dt, l[first:last])
        if not s < -0.1:
            break
        now = (power_db - o) / s
        moved = abs(now - knee)
        noise, slope, offset, knee = power, s, o, now
        if moved < 0.001:
            break
    reached = knee < end
    return (noise if reached else 0.0), max(0.0, min(knee, end)), slope, offset, reached


def decay_of(x, zero, length_s, b):
    """One band of the response x, reversed in time and padded with zeros; zero is the position of time zero."""
    rate, width = b["rate"], b["width_hz"]
    sums = sosfilt(b["sos"], x[: len(x) - PAD + b["last"]])
    sums *= sums
    np.cumsum(sums, out=sums)
    end = length_s - min(2 * b["centre"], 0.1 * length_s)
    out = {"mid": b["mid"], "width": b["width"], "edt": None, "t20": None, "t30": None}
    floor = find_floor(sums, zero, rate, end, width)
    if floor is None:
        return out
    noise, knee, slope, offset, reached = floor
    span = max(1, int(rate / width))
    noise_power = noise if reached else 10 ** ((offset + slope * knee) / 10)
    out["inr_db"] = float(db((sums[span:] - sums[:-span]).max() / span) - db(noise_power))
    out["knee"] = knee

    tail = 10 ** ((offset + slope * knee) / 10) * rate * 10 / (-slope * np.log(10))
    minus = one_time(sums, zero, rate, knee) - tail - noise * (zero - knee * rate)
    total = sums[-1] - minus - noise * len(sums)
    top, bottom = int(zero), max(1, int(np.ceil(zero - knee * rate)))
    # The curve from the end of the reversed signal down to the knee.
    curve = 0.5 * (sums[bottom - 1 : -1] + sums[bottom:])
    curve -= minus + noise * bottom
    curve -= np.arange(len(curve)) * noise
    falling = curve[: top - bottom + 1][::-1]  # with time, from time zero

    def crossing(level):
        k = int(np.argmax(falling < level))
        if falling[k] >= level:
            return None
        if k == 0:
            return (zero - top) / rate
        return (zero - top + k - 1 + (falling[k - 1] - level) / (falling[k - 1] - falling[k])) / rate

    def fit(high, low):
        a, c = crossing(total * 10 ** (high / 10)), crossing(total * 10 ** (low / 10))
        if a is None or c is None:
            return None
        a, c = max(0.0, a), max(0.0, c)
        if (c - a) * rate < 2:
            return None
        t = np.linspace(a, c, min(max(200, int((c - a) * rate)), 600))
        y = db((at_time(sums, zero, rate, t) - minus - noise * (zero - t * rate)) / total)
        s, _, r2 = line(t, y)
        return {"s": -60 / s, "xi": 1000 * (1 - r2)} if s < 0 else None

    out["edt"], out["t20"], out["t30"] = fit(0, -10), fit(-5, -25), fit(-5, -35)

    def late(limit):
        t = min(limit - b["centre"], knee)
        return (one_time(sums, zero, rate, t) - minus - noise * (zero - t * rate)) / total

    for name, limit in (("c50", 0.05), ("c80", 0.08)):
        share = late(limit)
        out[name] = float(10 * np.log10((1 - share) / share)) if 0 < share < 1 else None
    out["d50"] = 1 - late(0.05)
    beyond = falling[-1] * 10 / (-slope * np.log(10))
    out["centre_s"] = (zero - len(sums) + 1) / rate + (curve.sum() / rate + beyond) / total + b["centre"]
    return out


def analyse(d, p, bands):
    h, rate, zero = d["impulse"], p["rate"], d["zero"]
    peak = np.abs(h).max()
    early = np.abs(h[zero - int(0.005 * rate) : zero]) >= 0.1 * peak
    onset = zero - len(early) + int(np.argmax(early)) if early.any() else zero
    start = max(0, onset - int(0.010 * rate))
    # Reversed in time, the first half of what precedes the onset faded in.
    r = h[start:][::-1].copy()
    n = (onset - start) // 2
    r[-n:] *= (0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n))[::-1]
    position = float(len(h) - 1 - onset)
    length_s = (position + 1) / rate
    rungs = {}
    at = position
    for s in range(max(b["steps"] for b in bands) + 1):
        if s:
            r = upfirdn(HALVER, r, 1, 2)
            # The filter delays by 20 of the higher rate's samples.
            at = (at + 20) / 2
        rungs[s] = (np.concatenate((r, np.zeros(PAD))), at)
    return list(pool.map(lambda b: decay_of(*rungs[b["steps"]], length_s, b), bands))


# ---- the race ----


def chain(p, bands):
    clock = time.perf_counter
    t = [clock()]
    rate, rec = wavfile.read(p["recording"])
    if not np.isfinite(rec).all():
        raise ValueError("the recording holds something that is no number")
    t.append(clock())
    d = deconvolve(rec, p)
    t.append(clock())
    r = respond(d, p)
    t.append(clock())
    b = analyse(d, p, bands)
    t.append(clock())
    wavfile.write(p["impulse"], rate, d["impulse"].astype(np.float32))
    t.append(clock())
    names = ("read", "deconvolution", "response", "decay", "store")
    took = {name: t[i + 1] - t[i] for i, name in enumerate(names)}
    took["total"] = t[-1] - t[0]
    return took, (d, r, b)


def plain(v):
    if isinstance(v, np.ndarray):
        return [x if np.isfinite(x) else None for x in v.tolist()]
    if isinstance(v, np.generic):
        return v.item()
    raise TypeError(type(v))


def main():
    global PAD
    with open(sys.argv[1]) as f:
        p = json.load(f)
    p["mic_hz"], p["mic_db"] = np.array(p["mic_hz"]), np.array(p["mic_db"])
    bands = design(p)
    PAD = max(b["last"] for b in bands)
    last = None
    for _ in range(2):
        _, last = chain(p, bands)
    print("ready", flush=True)
    for command in sys.stdin:
        if command.startswith("run"):
            took, last = chain(p, bands)
            print(json.dumps(took), flush=True)
        elif command.startswith("results"):
            _, n, hz = command.split()
            d, _, b = last
            r = respond(d, p, int(n), np.array([float(f) for f in hz.split(",")]))
            del r["thd"]
            r["bands"] = b
            r["impulse"] = d["impulse"]
            print(json.dumps(r, default=plain), flush=True)


main()
