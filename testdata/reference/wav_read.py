"""Reads WAV files with SciPy and with libsndfile (soundfile), and writes what
each of them saw beside the file: FILE.scipy.f64 and FILE.soundfile.f64 (raw
float64, interleaved, full scale 1), and one line of JSON a file on stdout.
Used by capture/wav/reference_test.go."""
import json
import sys
import warnings

import numpy as np
import soundfile
from scipy.io import wavfile

warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks it does not know

for path in sys.argv[1:]:
    rate, x = wavfile.read(path)
    if x.dtype == np.uint8:
        x = (x.astype(float) - 128) / 128
    elif x.dtype.kind == "i":  # 24 bits come at the top of 32
        x = x / float(2 ** (8 * x.dtype.itemsize - 1))
    x.astype("<f8").tofile(path + ".scipy.f64")
    y, rate2 = soundfile.read(path, always_2d=True)
    y.astype("<f8").tofile(path + ".soundfile.f64")
    with soundfile.SoundFile(path) as f:
        comment = f.comment
        subtype = f.subtype
    assert rate == rate2
    print(json.dumps({"rate": rate, "channels": y.shape[1], "frames": y.shape[0],
                      "subtype": subtype, "comment": comment}))
