"""Reads a calibration file and interpolates it, with NumPy alone.

stdin: JSON {"text": the file, "delimiter": null for blanks, "decimal": ".",
"at": [Hz, ...]}. stdout: JSON {"hz", "db", "degrees" or null, "db_at",
"degrees_at" or null}. numpy.loadtxt cuts the columns, numpy.unwrap joins the
phase, numpy.interp interpolates over log(f) and holds the ends.
"""
import io
import json
import sys

import numpy as np

job = json.load(sys.stdin)
text = job["text"]
if job["decimal"] == ",":
    text = text.replace(",", ".")
columns = np.loadtxt(io.StringIO(text), delimiter=job["delimiter"], comments="#", ndmin=2)
columns = columns[np.argsort(columns[:, 0], kind="stable")]
hz, db = columns[:, 0], columns[:, 1]
at = np.log(np.array(job["at"]))
out = {"hz": hz.tolist(), "db": db.tolist(), "degrees": None,
       "db_at": np.interp(at, np.log(hz), db).tolist(), "degrees_at": None}
if columns.shape[1] == 3:
    degrees = np.unwrap(columns[:, 2], period=360)
    out["degrees"] = degrees.tolist()
    out["degrees_at"] = np.interp(at, np.log(hz), degrees).tolist()
json.dump(out, sys.stdout)
