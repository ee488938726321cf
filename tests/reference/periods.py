"""Periodogram and folding statistics by astropy and NumPy; change points by ruptures.

Usage: python3 periods.py OUT      (OUT is a file, or a folder that gets periods.csv)
Rows: power,frequency,power                       astropy LombScargle, standard normalisation, floating mean
      chance,power,highest,baluev,single          its false-alarm probabilities
      alias,frequency,rate,seen                   folding about the nearest multiple, in exact fractions
      pelt,kind,penalty,ends...;values...         ruptures Pelt(min_size=2, jump=1) or dynamic programming
"""

import os
import sys
from fractions import Fraction

import astropy
import numpy as np
import ruptures as rpt
from astropy.timeseries import LombScargle

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "periods.csv")

i = np.arange(60)
T = np.round(0.1 * i + 0.03 * np.sin(i**2), 6)
V = np.round(2 + 0.3 * np.sin(2 * np.pi * 1.7 * T + 0.4) + 0.25 * np.sin(12.9898 * i**2), 6)
NILE = [1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
        1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
        831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865,
        845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050,
        918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740]
COAL = [int(c) for c in "4541043406334026335453144155342522342132211113001011003103220111010100021000110233112111124200014000100000100101"]
BENCH = [7, 5, 6, 8, 7, 6, 5, 9, 6, 7, 1, 0, 1, 0, 0, 2, 0, 1] + [0] * 12


class Poisson(rpt.base.BaseCost):
    """2 (K - K ln(K/n)), as in our own cost."""

    model, min_size = "", 2

    def fit(self, signal):
        self.signal = signal
        return self

    def error(self, start, end):
        k, n = float(self.signal[start:end].sum()), end - start
        return 2 * (k - k * np.log(k / n)) if k > 0 else 0.0


def pelt(values, penalty, cost):
    signal = np.array(values, float).reshape(-1, 1)
    if cost == "level":
        return rpt.Pelt(model="l2", min_size=2, jump=1).fit(signal).predict(pen=penalty)
    return rpt.Pelt(custom_cost=Poisson(), min_size=2, jump=1).fit(signal).predict(pen=penalty)


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# astropy {astropy.__version__}, ruptures {rpt.__version__}, numpy {np.__version__}\n")
    ls = LombScargle(T, V, fit_mean=True)
    for f in (0.05, 0.9, 1.7, 1.71, 2.35, 4.9):
        out.write(f"power,{f},{float(ls.power(f, method='slow'))!r}\n")
    for z in (0.05, 0.2, 0.3, 0.633939766040):
        baluev = ls.false_alarm_probability(z, method="baluev", maximum_frequency=4.9)
        single = ls.false_alarm_probability(z, method="single")
        # astropy rounds the highest frequency to its own grid before it uses it
        highest = ls.autofrequency(maximum_frequency=4.9, return_freq_limits=True)[1]
        out.write(f"chance,{z},{float(highest)!r},{float(baluev)!r},{float(single)!r}\n")
    for rate in ("10", "20", "25", "30", "40", "50", "60", "62.5", "64", "80", "100", "125", "128", "200", "250", "500", "1000"):
        for f in ("50", "60", "100", "120", "180", "240", "480", "50.2", "59.98"):
            a, b = Fraction(f), Fraction(rate)
            out.write(f"alias,{f},{rate},{float(min(a % b, b - a % b))!r}\n")
    for kind, values, penalties in (
        ("level", NILE, [k * np.log(100) * np.var(NILE) for k in (1, 2, 3)]),
        ("counts", COAL, [k * np.log(112) for k in (1, 2, 3)]),
        ("counts", BENCH, [k * np.log(30) for k in (2, 3)]),
    ):
        for penalty in penalties:
            ends = pelt(values, penalty, kind)
            out.write(f"pelt,{kind},{float(penalty)!r},{' '.join(map(str, ends))},{' '.join(map(str, values))}\n")
