"""Convolves a signal with impulse responses by NumPy, directly in the time
domain: SIGNAL.f64 IMPULSE... (WAV files, read by libsndfile, or .f64 raw
float64). Writes IMPULSE.convolved (raw float64), as long as the signal.
Used by cmd/roomsonde/internal/export/reference_test.go."""
import sys

import numpy as np
import soundfile

x = np.fromfile(sys.argv[1], "<f8")
for path in sys.argv[2:]:
    h = np.fromfile(path, "<f8") if path.endswith(".f64") else soundfile.read(path)[0]
    np.convolve(x, h)[: len(x)].astype("<f8").tofile(path + ".convolved")
