"""Poisson intervals and the exact comparison of two rates, by SciPy and statsmodels.

Usage: python3 rates.py OUT        (OUT is a file, or a folder that gets rates.csv)
Rows: garwood,k,0,confidence,low,high
      scaled,k1,T1,k2,T2,dispersion,fall,rise,low,high  (counts divided by it: SciPy betainc, mpmath roots)
      ratio,k1,T1,k2,T2,fall,fall_mid,rise,doubled,low,high,low_mid,high_mid   (SciPy binomial, Clopper-Pearson by beta
      quantiles; mid-P limits by SciPy's brentq on its binomial)
"""

import math
import os
import sys

import mpmath as mp
import scipy
import statsmodels
from scipy import optimize, stats
from statsmodels.stats.rates import confint_poisson

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "rates.csv")

PAIRS = [
    (11, 800, 21, 3011), (2, 17877, 9, 16660), (60, 51477.5, 30, 54308.7), (41, 28010, 15, 19017),
    (20, 10, 6, 10), (12, 60, 0, 60), (5, 30, 0, 60), (3, 60, 0, 60), (0, 10, 4, 20), (0, 5, 0, 5),
    (1, 1, 1, 1000), (400, 3600, 380, 3600), (5000, 7200, 4800, 7200), (7, 600.5, 3, 1800.25), (1, 10, 0, 190),
]


def mid_limits(k1, t1, k2, t2, confidence):
    """Odds at which P(X > k1) + P(X = k1)/2, and the same of the other side, leave half of the rest."""
    tail, n = (1 - confidence) / 2, k1 + k2
    share = lambda u: 1 / (1 + math.exp(-u))
    above = lambda u: stats.binom.sf(k1, n, share(u)) + 0.5 * stats.binom.pmf(k1, n, share(u)) - tail
    below = lambda u: stats.binom.cdf(k1 - 1, n, share(u)) + 0.5 * stats.binom.pmf(k1, n, share(u)) - tail
    root = lambda f: math.exp(optimize.brentq(f, -30, 30, xtol=1e-13)) * t2 / t1
    return (root(above) if k1 else 0.0), (root(below) if k2 else math.inf)


def limits(k1, t1, k2, t2, confidence):
    tail = (1 - confidence) / 2
    n = k1 + k2
    scale = t2 / t1
    # odds of a beta quantile as a ratio of the quantile and that of its mirror, so that neither loses digits
    low = 0.0
    if k1 > 0:
        low = stats.beta.ppf(tail, k1, n - k1 + 1) / stats.beta.isf(tail, n - k1 + 1, k1)
    high = math.inf
    if k2 > 0:
        high = stats.beta.isf(tail, k1 + 1, n - k1) / stats.beta.ppf(tail, n - k1, k1 + 1)
    return low * scale, high * scale


def scaled(k1, t1, k2, t2, dispersion, confidence=0.95):
    """Tails by the incomplete beta function in mpmath, limits by its root finder; nothing of ours."""
    mp.mp.dps = 30
    a, b, tail = mp.mpf(k1) / dispersion, mp.mpf(k2) / dispersion, (1 - mp.mpf(str(confidence))) / 2
    p = mp.mpf(t1) / (mp.mpf(t1) + mp.mpf(t2))
    at_least = lambda k, rest, chance: mp.betainc(k, rest + 1, 0, chance, regularized=True)

    def root(f, low, high):
        for _ in range(120):
            middle = (low + high) / 2
            low, high = (middle, high) if f(middle) < 0 else (low, middle)
        return mp.exp(low)

    share = lambda u: 1 / (1 + mp.exp(-u))
    low = root(lambda u: at_least(a, b, share(u)) - tail, mp.mpf(-30), mp.mpf(30))
    high = root(lambda u: tail - at_least(b, a, share(-u)), mp.mpf(-30), mp.mpf(30))
    ratio = mp.mpf(t2) / t1
    return at_least(a, b, p), at_least(b, a, 1 - p), low * ratio, high * ratio


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, statsmodels {statsmodels.__version__}\n")
    for k in (0, 1, 2, 3, 4, 5, 7, 10, 20, 50, 100, 1000):
        for confidence in (0.9, 0.95, 0.99):
            tail = (1 - confidence) / 2
            low = 0.0 if k == 0 else stats.gamma.ppf(tail, k)
            high = stats.gamma.isf(tail, k + 1)
            out.write(f"garwood,{k},0,{confidence},{low!r},{high!r}\n".replace("np.float64(", "").replace(")", ""))
    for k1, t1, k2, t2 in PAIRS:
        n, p = k1 + k2, t1 / (t1 + t2)
        fall = stats.binom.sf(k1 - 1, n, p)
        rise = stats.binom.cdf(k1, n, p)
        mid = stats.binom.sf(k1, n, p) + 0.5 * stats.binom.pmf(k1, n, p)
        doubled = min(1.0, 2 * min(fall, rise))
        low, high = limits(k1, t1, k2, t2, 0.95)
        values = ",".join(repr(float(v)) for v in (fall, mid, rise, doubled, low, high, *mid_limits(k1, t1, k2, t2, 0.95)))
        out.write(f"ratio,{k1},{t1},{k2},{t2},{values}\n")
    for k1, t1, k2, t2, dispersion in ((40, 60, 12, 60, 2.5), (7, 600.5, 3, 1800.25, 1.37), (400, 3600, 380, 3600, 6.0)):
        values = ",".join(repr(float(v)) for v in scaled(k1, t1, k2, t2, dispersion))
        out.write(f"scaled,{k1},{t1},{k2},{t2},{dispersion},{values}\n")
