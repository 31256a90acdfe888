"""How far levels scatter that are read from a constant with complex noise.

Reads [{"snr": dB, "values": n}, ...] from stdin and prints the standard deviations
in dB of 10·lg of the mean power over n values, the noise's power taken off, by
20000 trials with NumPy.
"""

import json
import sys

import numpy as np

rng = np.random.default_rng(1)
out = []
for job in json.load(sys.stdin):
    n, noise = job["values"], 10 ** (-job["snr"] / 10)
    x = rng.normal(size=(20000, n, 2)) * np.sqrt(noise / 2)
    power = ((1 + x[..., 0]) ** 2 + x[..., 1] ** 2).mean(axis=1) - noise
    out.append(float(np.std(10 / np.log(10) * (power - 1)) if job["snr"] < 15 else np.std(10 * np.log10(power))))
json.dump(out, sys.stdout)
