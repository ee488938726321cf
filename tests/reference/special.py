"""Incomplete gamma and beta functions and normal and t tails to 40 digits, by mpmath.

Usage: python3 special.py OUT      (OUT is a file, or a folder that gets special.csv)
Columns: function, first, second, third argument, value.
"""

import os
import sys

import mpmath as mp

mp.mp.dps = 40
OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "special.csv")


def lower(a, x):
    return mp.gammainc(a, 0, x, regularized=True)


def upper(a, x):
    return mp.gammainc(a, x, mp.inf, regularized=True)


def beta(a, b, x):
    return mp.betainc(a, b, 0, x, regularized=True)


def rows():
    for a in (0.5, 1.0, 2.5, 3.0, 10.0, 30.5, 100.0, 250.0, 1000.0, 10000.0):
        for ratio in (0.05, 0.3, 0.7, 0.9, 0.99, 1.0, 1.01, 1.1, 1.5, 3.0):
            x = a * ratio
            low, high = lower(a, x), upper(a, x)
            if low > mp.mpf("1e-290"):
                yield "gamma_lower", a, x, 0.0, low
            if high > mp.mpf("1e-290"):
                yield "gamma_upper", a, x, 0.0, high
    for a, b in ((0.5, 0.5), (1, 4), (3, 2), (12, 21), (21, 12), (100, 40), (500, 501), (4000, 5000), (5000, 40),
                 (2.37, 1.9), (0.02, 30.5), (10000, 0.5)):
        for x in (1e-6, 0.01, 0.2, 0.45, 0.5, 0.75, 0.99):
            value = beta(mp.mpf(a), mp.mpf(b), mp.mpf(x))
            if value > mp.mpf("1e-290"):
                yield "beta", a, b, x, value
    for z in (0.0, 0.5, 1.96, 3.0, 6.0, 10.0, 20.0):
        yield "normal_upper", z, 0.0, 0.0, mp.erfc(mp.mpf(z) / mp.sqrt(2)) / 2
    for t in (0.1, 1.0, 2.5, 8.0):
        for v in (1.0, 4.5, 30.0):
            x = mp.mpf(v) / (mp.mpf(v) + mp.mpf(t) ** 2)
            yield "student_upper", t, v, 0.0, beta(mp.mpf(v) / 2, mp.mpf("0.5"), x) / 2
    for x in (0.001, 0.5, 1.0, 1.5, 2.0, 3.7, 25.0, 1000.5, 1e6):
        yield "ln_gamma", x, 0.0, 0.0, mp.loggamma(mp.mpf(x))


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# mpmath {mp.__version__}, 40 digits\n")
    for name, a, b, c, value in rows():
        out.write(f"{name},{float(a)!r},{float(b)!r},{float(c)!r},{mp.nstr(value, 20)}\n")
