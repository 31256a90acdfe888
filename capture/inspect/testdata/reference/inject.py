"""Plays a program in a measured room and injects faults, with NumPy and SciPy alone.

usage: inject.py program.wav response.wav folder seconds

program.wav   what is played, mono
response.wav  a measured impulse response; its first channel is used
folder        gets good.wav and one file per fault
seconds       when most of the faults happen, in the first sweep
"""
import sys

import numpy as np
import scipy.signal
import soundfile

program, rate = soundfile.read(sys.argv[1])
response, response_rate = soundfile.read(sys.argv[2], always_2d=True)
assert rate == response_rate
random = np.random.default_rng(20)

late = int(0.015 * rate)
heard = scipy.signal.fftconvolve(program, response[:, 0])[: len(program)]
heard = np.concatenate([np.zeros(late), heard, np.zeros(int(0.3 * rate))])
heard *= 0.3 / np.abs(heard).max()
rms = np.sqrt(np.mean(heard[np.abs(heard) > 0.01] ** 2))
# Pink noise, 35 dB below.
spectrum = random.standard_normal(len(heard) // 2 + 1) + 1j * random.standard_normal(len(heard) // 2 + 1)
spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), 100))
noise = np.fft.irfft(spectrum, len(heard))
noise *= rms * 10 ** (-35 / 20) / noise.std()
good = heard + noise


def write(name, x):
    soundfile.write(f"{sys.argv[3]}/{name}.wav", x, rate, "PCM_24")


write("good", good)
at = int(float(sys.argv[4]) * rate)  # in the first sweep

x = good.copy()
x[at : at + 1323] += rms * 10 ** (-12 / 20) * random.standard_normal(1323)
write("burst", x)

x = good.copy()
x[at:] += rms
write("step", x)

x = good.copy()
x[at : at + 32] = x[at - 32 : at]
write("hold", x)

x = np.insert(good, at, good[at - 32 : at])
write("repeat", x)

# Clipped before the converter, whose noise lies on the flat tops.
x = np.clip(good, -0.85 * np.abs(good).max(), 0.85 * np.abs(good).max())
write("overloaded", x + 2e-5 * random.standard_normal(len(x)))

# Every sound follows its level, three decibels to one.
b, a = scipy.signal.butter(1, 4, fs=rate)
level = np.sqrt(np.maximum(scipy.signal.filtfilt(b, a, good**2), 1e-12))
threshold = 0.02 * level.max()
write("levelled", good * np.minimum(1, (level / threshold) ** (1 / 3 - 1)))

hum = sum(a * np.sin(2 * np.pi * 50 * k * np.arange(len(good)) / rate) for k, a in [(1, 2e-3), (3, 1e-3), (5, 5e-4)])
write("hum", good + hum)
