#!/usr/bin/env python3
"""Modes of an impulse response by the matrix pencil, with NumPy and SciPy alone.

usage: modes_pencil.py samples.f64 rate_hz first_arrival top_hz order [seconds]

Reads raw little-endian doubles, filters them with a zero-phase Butterworth
low-pass, decimates by resampling in the frequency domain, and takes the poles
as the eigenvalues of pinv(Y0)·Y1, where Y0 and Y1 are the Hankel matrix of the
samples without its last and first column and Y0 is cut to `order` singular values
(Y. Hua and T. K. Sarkar, IEEE Trans. ASSP 38, 1990; from memory). Amplitudes by
least squares over all poles. Prints JSON: a list of [Hz, T60 in s, level of the
peak in dB re a wire of gain 1, phase at the first arrival in rad].
"""
import json
import sys

import numpy as np
from scipy import signal

path, rate, arrival, top, order = sys.argv[1], float(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]), int(sys.argv[5])
seconds = float(sys.argv[6]) if len(sys.argv) > 6 else 0.8
x = np.fromfile(path, "<f8")
sos = signal.butter(8, 1.25 * top, fs=rate, output="sos")
y = signal.sosfiltfilt(sos, x)
step = int(rate / (4 * top))
start = arrival + int(0.030 * rate)  # past the filter's reach before the first arrival
y = y[start::step]
fs = rate / step
y = y[: int(seconds * fs)]
n = len(y)
length = n // 2
hankel = np.lib.stride_tricks.sliding_window_view(y, length + 1)
y0, y1 = hankel[:, :-1], hankel[:, 1:]
u, s, vh = np.linalg.svd(y0, full_matrices=False)
u, s, vh = u[:, :order], s[:order], vh[:order]
z = np.linalg.eigvals((u.conj().T @ y1 @ vh.conj().T) / s[:, None])
z = z[np.abs(z) > 1e-3]
basis = z[None, :] ** np.arange(n)[:, None]
amp = np.linalg.lstsq(basis, y.astype(complex), rcond=None)[0]
out = []
for p, a in zip(z, amp):
    if np.imag(p) <= 0:
        continue
    decay, omega = -np.log(np.abs(p)) * fs, np.angle(p) * fs
    hz = omega / 2 / np.pi
    if not (0 < hz < top and decay > 0):
        continue
    h = np.abs(signal.sosfreqz(sos, [hz], fs=rate)[1][0]) ** 2  # forward and backward
    pole = complex(-decay, omega)
    a = 2 * a / h * np.exp(-pole * (start - arrival) / rate)
    out.append([hz, float(np.log(1000) / decay), float(20 * np.log10(np.abs(a) / 2 / decay * rate)), float(np.angle(a))])
json.dump(sorted(out), sys.stdout)
