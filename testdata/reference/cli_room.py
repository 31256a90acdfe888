"""What a room elsewhere would have recorded, made with NumPy and SciPy alone.

usage: cli_room.py < SETUP.json

SETUP: seed; excitation (WAV to be played) or make ({"kind": "noise" | "mls" |
"chirp", "seconds", "rate", "path"}: an excitation that SciPy makes and writes
first); recording (WAV to write), subtype (libsndfile's name: "FLOAT", "PCM_16",
"PCM_24"), channels, channel (which of them hears), offset_s (silence before),
tail_s (after), gain, noise (RMS of white noise, 0: none); response_s,
decay_s; impulse (raw float64 file to write: the response that was convolved, its
direct sound at sample 0).

The response is a direct sound followed by noise that decays exponentially (60 dB
in decay_s), convolved by scipy.signal.fftconvolve in double precision.
"""

import json
import sys

import numpy as np
import soundfile
from scipy import signal

s = json.load(sys.stdin)
rng = np.random.default_rng(s["seed"])

if "make" in s:
    m = s["make"]
    rate, n = m["rate"], int(m["seconds"] * m["rate"])
    if m["kind"] == "noise":
        x = 0.1 * rng.uniform(-1, 1, n)
    elif m["kind"] == "mls":
        x = 0.05 * (2.0 * signal.max_len_seq(int(np.log2(n)) + 1)[0] - 1)
    else:
        x = 0.1 * signal.chirp(np.arange(n) / rate, 10, n / rate, 0.49 * rate)
        x *= signal.windows.tukey(n, 0.02)
    soundfile.write(m["path"], x.astype("<f4"), rate, subtype="FLOAT")
    s["excitation"] = m["path"]

x, rate = soundfile.read(s["excitation"], always_2d=True)
x = x[:, np.argmax(np.abs(x).max(axis=0))]

n = int(s["response_s"] * rate)
h = rng.standard_normal(n) * 10 ** (-3 * np.arange(n) / rate / s["decay_s"])
h *= 0.05 / np.sqrt(rate / 48000)
h[: int(0.002 * rate)] = 0
h[0] = 0.5
# The end of a response that breaks off would itself be heard: fade it.
fade = n // 20
h[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fade + 1) / fade)
h.astype("<f8").tofile(s["impulse"])

y = s["gain"] * signal.fftconvolve(x, h)
before, after = int(s["offset_s"] * rate), int(s["tail_s"] * rate)
y = np.concatenate([np.zeros(before), y, np.zeros(after)])
if s["noise"]:
    y = y + s["noise"] * rng.standard_normal(len(y))
out = np.zeros((len(y), s["channels"]))
out[:, s["channel"]] = y
soundfile.write(s["recording"], out, rate, subtype=s["subtype"])
print(json.dumps({"rate": rate, "peak": float(np.abs(y).max()), "excitation_rms": float(np.sqrt(np.mean(x**2)))}))
