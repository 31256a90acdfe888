"""Transforms sequences with scipy.fft, which is what reference_test.go compares with.

usage: rfft.py FOLDER LENGTH...

For each length N it reads FOLDER/N.x (N float64, little-endian) and writes
FOLDER/N.rfft (N//2+1 complex128) and FOLDER/N.irfft (N float64): the inverse
of the N.X that it finds there (N//2+1 complex128).
"""
import sys

import numpy
import scipy.fft

folder, lengths = sys.argv[1], [int(a) for a in sys.argv[2:]]
for n in lengths:
    x = numpy.fromfile(f"{folder}/{n}.x", "<f8")
    scipy.fft.rfft(x).astype("<c16").tofile(f"{folder}/{n}.rfft")
    coeff = numpy.fromfile(f"{folder}/{n}.X", "<c16")
    scipy.fft.irfft(coeff, n).astype("<f8").tofile(f"{folder}/{n}.irfft")
