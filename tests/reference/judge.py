"""Exact comparison of misread presses, and boundaries of many looks, by SciPy and mpmath.

Usage: python3 judge.py OUT      (OUT is a file, or a folder that gets judge.csv)
Rows: boschloo,misread before,given before,misread after,given after,p of a fall     scipy.stats.boschloo_exact
      stays,c,chance                 chance that a Brownian motion stays within ±c up to 1, by mpmath: images, not the
                                     sine series that we sum
      boundary,error,shares,c        O'Brien-Fleming constants; the printed ones are those of Jennison & Turnbull 2000,
                                     Group Sequential Methods, table 2.3 (two-sided 0.05), three decimals
      slope,b,times,start:end;...    log-linear rate by scipy.optimize on the conditional likelihood
"""

import os
import sys

import mpmath
import numpy as np
import scipy
from scipy import integrate, optimize, stats

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "judge.csv")

with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}, mpmath {mpmath.__version__}\n")
    for a, n, b, m in ((5, 10, 0, 10), (3, 10, 0, 10), (7, 12, 2, 15), (1, 5, 0, 20), (10, 10, 3, 10), (2, 8, 2, 8), (4, 6, 1, 30)):
        table = [[a, b], [n - a, m - b]]
        p = stats.boschloo_exact(table, alternative="greater", n=256).pvalue
        out.write(f"boschloo,{a},{n},{b},{m},{float(p)!r}\n")
    for c in (1.0, 1.5, 2.0, 2.2414, 3.0):
        images = mpmath.nsum(
            lambda k: (-1) ** int(k) * (mpmath.ncdf((2 * k + 1) * c) - mpmath.ncdf((2 * k - 1) * c)), [-mpmath.inf, mpmath.inf]
        )
        out.write(f"stays,{c},{float(images)!r}\n")
    for looks, c in ((1, 1.960), (2, 1.977), (3, 2.004), (4, 2.024), (5, 2.040), (10, 2.087), (20, 2.126)):
        shares = " ".join(repr((i + 1) / looks) for i in range(looks))
        out.write(f"boundary,0.05,{shares},{c}\n")
    for times, spans in (
        (([1.0, 4.0, 9.0, 16.0, 18.0, 19.0], [24.0, 26.0, 29.5]), ((0.0, 20.0), (20.0, 30.0))),
        (([3.0, 5.0, 6.0, 7.0, 30.0], [61.0, 62.0, 80.0, 99.0]), ((0.0, 60.0), (60.0, 100.0))),
    ):

        def minus(b):
            total = 0.0
            for own, (start, end) in zip(times, spans):
                area = integrate.quad(lambda t: np.exp(b * t), start, end, epsabs=0, epsrel=1e-12)[0]
                total += b * sum(own) - len(own) * np.log(area)
            return -total

        found = optimize.minimize_scalar(minus, bounds=(-0.5, 0.5), method="bounded", options={"xatol": 1e-12})
        sides = ";".join(" ".join(map(repr, own)) + f":{start}:{end}" for own, (start, end) in zip(times, spans))
        out.write(f"slope,{float(found.x)!r},{sides}\n")
