"""Reads back what `export` wrote, with SciPy, libsndfile, NumPy and Python's csv.

usage: cli_export.py FOLDER SHOWN.json

FOLDER holds kept.wav (the take's impulse response), float.wav, start.wav (--zero
start), later.wav (--zero 100ms), 24.wav, normal.wav (--bits 24 --normalise),
curve.csv, curve.txt, full.csv (--grid full), decay.csv, all.json; and what other
programs made of the WAV files: NAME.sox.f64, NAME.ffmpeg.f64 (raw float64);
signal.f64 and signal.afir.f64, a signal and what FFmpeg's afir made of it with
float.wav. SHOWN.json is what `show --json` printed. Prints one JSON object.
"""

import csv
import json
import sys

import numpy as np
import soundfile
from scipy import signal
from scipy.io import wavfile

folder = sys.argv[1] + "/"
shown = json.load(open(sys.argv[2]))
out = {}

wavs = {}
for name in ("kept", "float", "start", "later", "24", "normal"):
    info = soundfile.info(folder + name + ".wav")
    x, rate = soundfile.read(folder + name + ".wav", always_2d=True, dtype="float64")
    rate2, y = wavfile.read(folder + name + ".wav")
    y = y / 2.0**31 if y.dtype == np.int32 else y.astype(float)
    readers = [x[:, 0], y]
    for tool in ("sox", "ffmpeg"):
        readers.append(np.fromfile(folder + name + "." + tool + ".f64", "<f8"))
    wavs[name] = x[:, 0]
    out[name] = {
        "subtype": info.subtype,
        "channels": info.channels,
        "rate": rate,
        "rates_agree": rate == rate2,
        # SoX works in 32-bit integers inside: that is what it can tell apart.
        "readers_db": [
            float(20 * np.log10(max(np.abs(r - x[:, 0]).max(), 1e-20))) if len(r) == len(x) else 0.0 for r in readers[1:]
        ],
        "frames": len(x),
        "peak": float(np.abs(x).max()),
    }

kept, zero = wavs["kept"], shown["impulse_zero_frame"]
rate = int(shown["sample_rate_hz"])
out["float_same"] = bool(np.array_equal(wavs["float"], kept))
out["start_same"] = bool(np.array_equal(wavs["start"], kept[zero:]))
shift = rate // 10 - zero
moved = np.concatenate([np.zeros(max(shift, 0)), kept[max(-shift, 0) :]])
out["later_same"] = bool(np.array_equal(wavs["later"], moved))
# In steps of 24 bits. Triangular dither of one step either way and rounding.
out["steps_24"] = float(np.abs(wavs["24"] - kept).max() * 2**23)
scale = np.dot(wavs["normal"], kept) / np.dot(kept, kept)
out["normal_scale"] = float(scale)
out["normal_steps"] = float(np.abs(wavs["normal"] - scale * kept).max() * 2**23)

x = np.fromfile(folder + "signal.f64", "<f8")
y = np.fromfile(folder + "signal.afir.f64", "<f8")
z = signal.fftconvolve(x, kept)[: len(y)]
y = y[: len(z)]
gain = np.dot(y, z) / np.dot(z, z)
# FFmpeg 5.1's afir changes the level by a power of two of its own.
whole = 2.0 ** np.round(np.log2(gain))
out["afir_gain_off"] = float(abs(gain / whole - 1))
out["afir_db"] = float(10 * np.log10(np.sum((y / whole - z) ** 2) / np.sum(z**2)))

response = shown["response"]


def table(name):
    with open(folder + name, newline="") as f:
        rows = list(csv.DictReader(f))
    return {k: np.array([float(r[k]) for r in rows]) for k in rows[0]}


def off(got, want):
    want = np.array(want)
    return float(np.abs(got - want).max()) if len(got) == len(want) else 1e9


c = table("curve.csv")
out["csv_off"] = [
    off(c["frequency_hz"], response["frequency_hz"]),
    off(c["magnitude_db"], response["magnitude_db"]),
    off(c["phase_deg"], response["phase_deg"]),
    off(c["noise_db"], response["noise_db"]),
]
low, high = shown["readable"]["from_hz"], shown["readable"]["to_hz"]
inside = (c["frequency_hz"] >= low) & (c["frequency_hz"] <= high)
for gap in shown["readable"]["gaps"]:
    inside &= ~((c["frequency_hz"] > gap["from_hz"]) & (c["frequency_hz"] < gap["to_hz"]))
out["csv_readable"] = bool(np.array_equal(c["readable"] == 1, inside))
t = np.loadtxt(folder + "curve.txt", comments="#", unpack=True)
out["txt_off"] = [off(t[0], c["frequency_hz"]), off(t[1], c["magnitude_db"]), off(t[2], c["phase_deg"])]
full = table("full.csv")
out["full_points"] = len(full["frequency_hz"])
out["full_off"] = float(np.abs(np.interp(c["frequency_hz"], full["frequency_hz"], full["magnitude_db"]) - c["magnitude_db"]).max())

with open(folder + "decay.csv", newline="") as f:
    rows = list(csv.DictReader(f))
worst, same = 0.0, len(rows) == len(shown["decay"])


def plain(reason):  # the CSV's reasons are in ASCII
    for a, b in (("ξ", "nonlinearity"), (" ‰", " per mille"), ("·", "*"), ("−", "-"), ("–", "-")):
        reason = reason.replace(a, b)
    return reason


for row, want in zip(rows, shown["decay"]):
    same &= float(row["band_hz"]) == want["band_hz"] and row["width"] == want["width"] and row["reason"] == plain(want["reason"])
    for k in ("edt_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s"):
        same &= (row[k] == "") == (want[k] is None)
        if row[k] and want[k] is not None:
            worst = max(worst, abs(float(row[k]) - want[k]))
out["decay_same"], out["decay_off"] = bool(same), worst
out["all_same"] = json.load(open(folder + "all.json")) == shown
print(json.dumps(out))
