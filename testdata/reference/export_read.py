"""Reads exported files with other people's readers and prints what they saw as
one line of JSON: a CSV (Python's csv module), a text of columns
(numpy.loadtxt), a second CSV of decay times.
Used by cmd/roomsonde/internal/export/reference_test.go."""
import csv
import json
import sys

import numpy as np

curve, text, decay = sys.argv[1:]
with open(curve, newline="") as f:
    rows = list(csv.DictReader(f, strict=True))
with open(decay, newline="") as f:
    times = list(csv.DictReader(f, strict=True))
columns = np.loadtxt(text)
print(json.dumps({"curve": rows, "text": columns.tolist(), "decay": times}))
