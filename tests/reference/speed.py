"""The questions of `straykey::analysis` answered the straightforward way with NumPy and SciPy, for its speed.

Usage: python3 speed.py TRAIN.csv      (lines of seconds,key; written by: cargo bench --bench analysis -- write FILE N)

Which beat has each key: Rayleigh power of its times on a grid of frequencies (0.05 to 2 Hz, a fifth of the
resolution apart), the best beat's phases and jitter, the chance by 20 shuffled trains; then episodes by a two-length
mixture (EM, 200 steps), exact rate interval and exact comparison of the two halves. Prints seconds taken.
"""

import sys
import time

import numpy as np
from scipy import stats

rows = [line.split(",") for line in open(sys.argv[1], encoding="utf-8")]
times = np.array([float(r[0]) for r in rows])
keys = np.array([r[1].strip() for r in rows])
span = times[-1] - times[0]
rng = np.random.default_rng(1)
start = time.process_time()


def best(t):
    grid = np.arange(0.05, 2.0, 0.2 / span)
    power = np.empty(len(grid))
    for i in range(0, len(grid), 64):
        phase = 2 * np.pi * np.outer(grid[i:i + 64], t)
        power[i:i + 64] = 2 / len(t) * (np.cos(phase).sum(axis=1) ** 2 + np.sin(phase).sum(axis=1) ** 2)
    top = power.argmax()
    return grid[top], power[top]


for key in np.unique(keys):
    t = times[keys == key]
    frequency, power = best(t)
    gaps = np.diff(t)
    shuffled = [best(np.cumsum(rng.permutation(gaps) * np.exp(0.5 * rng.standard_normal(len(gaps)))))[1] for _ in range(20)]
    chance = (1 + sum(p >= power for p in shuffled)) / 21
    turns = (frequency * t) % 1
    print(key, "period", 1 / frequency, "power", power, "chance", chance, "phases", np.histogram(turns, 20)[0].max())

gaps = np.maximum(np.diff(times), 1e-3)
share, short, long = 0.5, np.quantile(gaps, 0.25), np.quantile(gaps, 0.9)
for _ in range(200):
    a = share / short * np.exp(-gaps / short)
    b = (1 - share) / long * np.exp(-gaps / long)
    r = a / (a + b)
    share, short, long = r.mean(), (r * gaps).sum() / r.sum(), ((1 - r) * gaps).sum() / (1 - r).sum()
half = int((times < times[0] + span / 2).sum())
n = len(times)
print("rate", stats.chi2.ppf([0.025], 2 * n) / 2 / span, stats.chi2.ppf([0.975], 2 * n + 2) / 2 / span)
print("halves", stats.binomtest(half, n, 0.5).pvalue, stats.binomtest(half, n, 0.5).proportion_ci())
print(f"seconds {time.process_time() - start:.3f}")
