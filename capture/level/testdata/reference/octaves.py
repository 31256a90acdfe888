"""Signal over noise in octave bands of a recorded sweep, by SciPy.

usage: octaves.py RATE SWEEP_RATE_S recording.f32 silence.f32 HZ...

Both files are raw float32. Prints one JSON list: for each octave around HZ the
power of the recording while the sweep passes, over that of the silence, in dB.
The sweep passes an octave in SWEEP_RATE_S * ln 2 seconds; what it causes there is
all the energy of the band-filtered recording, less the silence's.
"""
import json
import sys

import numpy as np
from scipy import signal

rate, sweep_rate = float(sys.argv[1]), float(sys.argv[2])
recording = np.fromfile(sys.argv[3], dtype=np.float32).astype(float)
silence = np.fromfile(sys.argv[4], dtype=np.float32).astype(float)
out = []
for mid in map(float, sys.argv[5:]):
    edges = [mid * 10 ** -0.15, mid * 10 ** 0.15]
    sos = signal.butter(8, edges, "bandpass", fs=rate, output="sos")
    settle = int(rate)
    noise = np.mean(signal.sosfilt(sos, silence)[settle:] ** 2)
    energy = np.sum(signal.sosfilt(sos, recording) ** 2) - noise * len(recording)
    seconds = sweep_rate * np.log(10 ** 0.3)
    out.append(10 * np.log10(energy / rate / seconds / noise))
json.dump(out, sys.stdout)
