"""Two-sample tests by SciPy.

Usage: python3 samples.py OUT      (OUT is a file, or a folder that gets samples.csv)
Rows: test,statistic,freedom,p,low,high,n_first,values...
Tests: welch, brunner_munzel (t), energy (statistic only), energy_exact (p over every split).
"""

import itertools
import os
import sys

import numpy as np
import scipy
from scipy import stats

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "samples.csv")

NAN = float("nan")
SLEEP = ([.7, -1.6, -.2, -1.2, -.1, 3.4, 3.7, .8, 0, 2], [1.9, .8, 1.1, .1, -.1, 4.4, 5.5, 1.6, 4.6, 3.4])
PERMEABILITY = ([.80, .83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, .73, 1.46], [1.15, .88, .90, .74, 1.21])
ADC = ([512, 514, 511, 513, 515, 512, 510, 513, 514, 512], [508, 541, 509, 507, 540, 510, 508, 542, 509, 507])
PAIN = ([1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1], [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4])
SHORT = ([3, 5, 1, 4], [9, 8, 2, 7, 6])


def energy(x, y):
    x, y = np.asarray(x, float), np.asarray(y, float)
    mean = lambda a, b: np.abs(a[:, None] - b[None, :]).mean()
    return 2 * mean(x, y) - mean(x, x) - mean(y, y)


def energy_exact(x, y):
    pool, n, seen = np.array(x + y, float), len(x), energy(x, y)
    reached = whole = 0
    for chosen in itertools.combinations(range(len(pool)), n):
        mask = np.zeros(len(pool), bool)
        mask[list(chosen)] = True
        reached += energy(pool[mask], pool[~mask]) >= seen * (1 - 1e-12)
        whole += 1
    return reached / whole


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}\n")

    def row(name, x, y, statistic, freedom=NAN, p=NAN, low=NAN, high=NAN):
        cells = ",".join(repr(float(v)) for v in (statistic, freedom, p, low, high))
        out.write(f"{name},{cells},{len(x)},{','.join(repr(float(v)) for v in list(x) + list(y))}\n")

    for x, y in (SLEEP, PERMEABILITY, ADC, PAIN, SHORT):
        t = stats.ttest_ind(x, y, equal_var=False)
        ci = t.confidence_interval(0.95)
        row("welch", x, y, t.statistic, t.df, t.pvalue, ci.low, ci.high)
        b = stats.brunnermunzel(x, y, distribution="t")
        row("brunner_munzel", x, y, b.statistic, p=b.pvalue)
        row("energy", x, y, energy(x, y))
    # SciPy's documentation example; energy_distance is the square root of ours.
    x, y = [0.7, 7.4, 2.4, 6.8], [7.6, 8.8, 1.1]
    row("energy", x, y, stats.energy_distance(x, y) ** 2)
    row("energy_exact", *SHORT, energy(*SHORT), p=energy_exact(*SHORT))
    row("energy_exact", *PERMEABILITY, energy(*PERMEABILITY), p=energy_exact(*PERMEABILITY))
