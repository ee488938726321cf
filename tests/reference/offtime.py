"""How counts scatter for off-times of unknown Weibull shape, by numerical integration in SciPy: another way than the closed forms that we use.

Usage: python3 offtime.py OUT      (OUT is a file, or a folder that gets offtime.csv)
Rows: dispersion,joined,0,value,side|side...     squared variation of the gaps beyond the joining gap; a side is
                                                 whole;leading;trailing

The scale is integrated out on a grid of its logarithm (trapezoid rule on 2001 points, prior flat); the shape is a sum over
31 values from 1/4 to 3, evenly spaced in the logarithm, and 1 as likely as all of them together, as the method says.
"""

import os
import sys

import numpy as np
import scipy
from scipy import integrate, special, stats

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "offtime.csv")

SHAPES = np.append(0.25 * 12 ** (np.arange(31) / 30), 1.0)
PRIOR = np.append(np.zeros(31), np.log(31))
EVEN = ([41.0, 38.5, 44.2, 40.1, 39.0, 42.7, 40.4], [22.0], [17.5])
UNEVEN = ([3.1, 250.0, 1.2, 14.0, 0.6, 900.0, 33.0, 5.5, 71.0, 2.2], [120.0], [310.0])
BURSTS = ([14.0, 22.0, 35.0, 130.0, 61.0], [9.0, 80.0], [4.0, 12.0])


def log_likelihood(side, joined, c, scale):
    """Of every stretch, by SciPy's Weibull: gaps given that they exceed the joining gap; a watch begun at an unrelated
    moment sees a first stretch with density S(t)/mean; a last stretch has lasted at least so long."""
    whole, leading, trailing = side
    total = np.zeros_like(scale)
    for x in whole:
        total += stats.weibull_min.logpdf(max(x, joined), c, scale=scale) - stats.weibull_min.logsf(joined, c, scale=scale)
    for x in leading:
        total += stats.weibull_min.logsf(x, c, scale=scale) - np.log(scale * special.gamma(1 + 1 / c))
    for x in trailing:
        total += stats.weibull_min.logsf(x, c, scale=scale)
    return total


def posterior(side, joined):
    everything = [x for part in side for x in part]
    middle = np.log(np.mean(everything))
    tables = []
    for c in SHAPES:
        # A Weibull scale of shape c is spread as 1/c in its logarithm.
        u = middle + np.linspace(-40, 40, 2001) / c
        logs = log_likelihood(side, joined, c, np.exp(u))
        top = logs.max()
        weight = np.exp(logs - top)
        mass = integrate.trapezoid(weight, u)
        tables.append((c, np.exp(u), weight / mass, u, top + np.log(mass)))
    return tables


def variation(c, scale, joined):
    gap = stats.weibull_min(c, scale=scale)
    tail = gap.sf(joined)
    one, two = (
        integrate.quad(lambda x: k * x ** (k - 1) * gap.sf(joined + x) / tail, 0, np.inf, limit=500, epsabs=0, epsrel=1e-11)[0]
        for k in (1, 2)
    )
    return two / one**2 - 1


def dispersion(sides, joined):
    logs, values = [], []
    tables = [posterior(side, joined) for side in sides]
    for i, c in enumerate(SHAPES):
        log, weighted, gaps = PRIOR[i], 0.0, 0.0
        for (whole, leading, trailing), table in zip(sides, tables):
            log += table[i][4]
            a = len(whole) + len(leading) / c
            power = sum(max(x, joined) ** c - joined**c for x in whole) + sum(x**c for x in leading + trailing)
            weighted += a * variation(c, (power / a) ** (1 / c), joined)
            gaps += a
        logs.append(log)
        values.append(weighted / gaps)
    shares = np.exp(np.array(logs) - special.logsumexp(logs))
    return float(np.clip((shares * values).sum(), 1, 20))


def text(side):
    return ";".join(" ".join(map(repr, part)) for part in side)


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}\n")
    for sides, joined in (([UNEVEN], 0.0), ([EVEN, UNEVEN], 0.0), ([BURSTS], 4.3), ([EVEN], 0.0)):
        out.write(f"dispersion,{joined},0,{dispersion(sides, joined)!r},{'|'.join(text(s) for s in sides)}\n")
