"""What roomsonde made of a recording, against the response that was convolved.

usage: cli_compare.py RESULT.json IMPULSE.f64 GAIN FROM_HZ TO_HZ RESPONSE_HZ

RESULT.json is what `recover --json` or `measure --json` printed, IMPULSE.f64 the
true response as raw little-endian float64 with time zero at sample 0. Prints one
JSON object with what NumPy, SciPy and soundfile find:

  readers_agree   SciPy and libsndfile read the same samples from the impulse WAV
  shift           whole frames by which the kept response stands off the true one
  error_db        energy of the difference over FROM..TO re the true response's
  magnitude_db    largest difference of magnitude in that range, at magnitude_hz
  windowed_db     the JSON's response against NumPy's transform of the kept impulse
                  response through the same window, from the lowest to the highest frequency
  response_db     the same of the JSON's response from RESPONSE_HZ on, against the discrete-time
                  Fourier transform of the true response at its frequencies
"""

import json
import sys

import numpy as np
import soundfile
from scipy import fft, signal
from scipy.io import wavfile

result = json.load(open(sys.argv[1]))
truth = float(sys.argv[3]) * np.fromfile(sys.argv[2], "<f8")
low, high = float(sys.argv[4]), float(sys.argv[5])

impulse, rate = soundfile.read(result["impulse"], always_2d=True)
rate2, impulse2 = wavfile.read(result["impulse"])
readers_agree = bool(rate == rate2 and impulse.shape[1] == 1 and np.array_equal(impulse[:, 0], impulse2.astype(float)))
impulse = impulse[:, 0]

zero = result["impulse_zero_frame"]
# By correlation, so that a wrong time zero shows.
near = int(0.05 * rate)
part = impulse[max(0, zero - near) : zero + near + len(truth)]
c = signal.correlate(part, truth, "full", method="fft")
shift = int(np.argmax(np.abs(c))) - (len(truth) - 1) - (zero - max(0, zero - near))

n = len(impulse) + len(truth)
want = np.zeros(n)
at = zero + shift
if at < 0:
    raise SystemExit("the response begins before the file")
want[at : at + len(truth)] = truth
H, W = fft.rfft(impulse, n), fft.rfft(want)
f = fft.rfftfreq(n, 1 / rate)
use = (f >= low) & (f <= high)
error = 10 * np.log10(np.sum(np.abs(H - W)[use] ** 2) / np.sum(np.abs(W)[use] ** 2))
off = np.abs(20 * np.log10(np.abs(H[use]) / np.abs(W[use])))

# Every fifth frequency: sums over all samples take their time.
hz = np.array(result["response"]["frequency_hz"])[::5]
db = np.array(result["response"]["magnitude_db"])[::5]
t = np.arange(len(truth)) / rate
dtft = np.array([np.dot(truth, np.exp(-2j * np.pi * v * t)) for v in hz])
inside = (hz >= float(sys.argv[6])) & (hz <= high)
response = np.abs(db - 20 * np.log10(np.abs(dtft)))[inside]

# The window as roomsonde documents it: all that is kept, rising along a half
# cosine up to time zero, falling along one over the last quarter.
pre, post = zero, len(impulse) - zero
window = np.ones(len(impulse))
window[:pre] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(pre) + 0.5) / pre)
fall = post // 4
window[-fall:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
t = np.arange(len(impulse)) / rate
windowed = np.array([np.dot(window * impulse, np.exp(-2j * np.pi * v * t)) for v in hz[::3]])
windowed_off = np.abs(db[::3] - 20 * np.log10(np.abs(windowed)))

print(
    json.dumps(
        {
            "readers_agree": readers_agree,
            "frames": len(impulse),
            "shift": shift,
            "error_db": float(error),
            "magnitude_db": float(off.max()),
            "magnitude_hz": float(f[use][off.argmax()]),
            "response_db": float(response.max()),
            "response_hz": float(hz[inside][response.argmax()]),
            "windowed_db": float(windowed_off.max()),
            "points": int(inside.sum()),
        }
    )
)
