"""Writes WAV files with SciPy and with libsndfile (soundfile) into a folder,
and beside each the samples that it must hold: FILE.f64 (raw float64,
interleaved, full scale 1). One line of JSON a file on stdout.
Used by capture/wav/reference_test.go."""
import json
import os
import sys

import numpy as np
import soundfile
from scipy.io import wavfile

folder = sys.argv[1]
rng = np.random.default_rng(20250101)


def note(name, x, rate, comment=""):
    path = os.path.join(folder, name)
    np.asarray(x, "<f8").tofile(path + ".f64")
    channels = 1 if x.ndim == 1 else x.shape[1]
    print(json.dumps({"name": name, "rate": rate, "channels": channels,
                      "frames": x.shape[0], "comment": comment}))


def steps(bits, shape):
    full = 2 ** (bits - 1)
    x = rng.integers(-full, full, size=shape)
    x.flat[:2] = [-full, full - 1]
    return x


for channels in (1, 2, 3, 8):
    for frames in (1, 101):
        shape = frames if channels == 1 else (frames, channels)
        if np.prod(shape) < 2:
            continue
        for dtype, bits in (("u1", 8), ("<i2", 16), ("<i4", 32)):
            x = steps(bits, shape)
            name = f"scipy_{bits}bit_{channels}_{frames}.wav"
            raw = x + 128 if bits == 8 else x
            wavfile.write(os.path.join(folder, name), 44100, raw.astype(dtype))
            note(name, x / 2.0 ** (bits - 1), 44100)
        for dtype in ("<f4", "<f8"):
            x = (rng.standard_normal(shape) * 3).astype(dtype)
            name = f"scipy_{dtype[1:]}_{channels}_{frames}.wav"
            wavfile.write(os.path.join(folder, name), 96000, x)
            note(name, x.astype(float), 96000)
        for fmt in ("WAV", "WAVEX", "RF64"):
            for subtype, bits in (("PCM_U8", 8), ("PCM_16", 16), ("PCM_24", 24), ("PCM_32", 32)):
                x = steps(bits, shape)
                name = f"soundfile_{fmt}_{subtype}_{channels}_{frames}.wav"
                with soundfile.SoundFile(os.path.join(folder, name), "w", 192000, channels, subtype, format=fmt) as f:
                    if channels % 2 == 0:  # text chunks beside plain files
                        f.comment = "seat by the window"
                        f.title = "odd"
                    f.write((x << (32 - bits)).astype("i4"))
                note(name, x / 2.0 ** (bits - 1), 192000, "seat by the window" if channels % 2 == 0 else "")
            for subtype, dtype in (("FLOAT", "f4"), ("DOUBLE", "f8")):
                x = (rng.standard_normal(shape) * 3).astype(dtype)
                name = f"soundfile_{fmt}_{subtype}_{channels}_{frames}.wav"
                with soundfile.SoundFile(os.path.join(folder, name), "w", 192000, channels, subtype, format=fmt) as f:
                    f.write(x)
                note(name, x.astype(float), 192000)
