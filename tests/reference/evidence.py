"""Mixtures over rates by numerical integration in mpmath: another way than the closed forms that we use.

Usage: python3 evidence.py OUT     (OUT is a file, or a folder that gets evidence.csv)
Rows: marginal,k,T,a,b,ln             integral of the likelihood (without T^k/k!) over the prior
      scaled,k1,T1,k2,T2,phi,lnE      product of the marginals of counts divided by phi over the best single rate (a 1/2, b 1)
      posterior,p0 p1 ...,k T;k T;... one change at most, all places equally likely
"""

import os
import sys

import mpmath as mp

mp.mp.dps = 30
OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "evidence.csv")


def prior(x, a, b):
    return b**a * x ** (a - 1) * mp.exp(-b * x) / mp.gamma(a)


def integral(f, low, high, peak):
    # substitute x = y^2, which takes off the pole of the prior at zero
    g = lambda y: f(y * y) * 2 * y
    root = mp.sqrt(peak)
    cuts = [mp.sqrt(low)] + [c for c in (root / 2, root, root * 2, root * 4) if mp.sqrt(low) < c < mp.sqrt(high)]
    return mp.quad(g, cuts + [mp.sqrt(high)])


def marginal(k, t, a, b):
    peak = (k + a) / (t + b)
    return mp.log(integral(lambda x: prior(x, a, b) * x**k * mp.exp(-x * t), mp.mpf(0), mp.inf, peak))


SESSIONS = [
    [(40, 20), (36, 20), (3, 20), (0, 40)],
    [(12, 20), (9, 20), (4, 20), (0, 20)],
    [(5, 30), (0, 60)],
]
HALF = mp.mpf(1) / 2

with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# mpmath {mp.__version__}, quadrature at 30 digits\n")
    for k, t, a, b in ((0, 10, HALF, 1), (12, 20, HALF, 1), (40, 20, HALF, 1), (3, 7.5, 2, 3)):
        out.write(f"marginal,{k},{t},{float(a)},{float(b)},{mp.nstr(marginal(k, mp.mpf(t), mp.mpf(a), mp.mpf(b)), 17)}\n")
    for k1, t1, k2, t2, phi in ((40, 20, 4, 20, mp.mpf("2.5")), (12, 60, 7, 90, mp.mpf("1.3"))):
        a, b, t = k1 / phi, k2 / phi, t1 + t2
        n = a + b
        value = marginal(a, t1, HALF, 1) + marginal(b, t2, HALF, 1) - (n * mp.log(n / t) - n)
        out.write(f"scaled,{k1},{t1},{k2},{t2},{float(phi)},{mp.nstr(value, 17)}\n")
    for session in SESSIONS:
        groups = [[session]] + [[session[:i], session[i:]] for i in range(1, len(session))]
        logs = [sum(marginal(sum(k for k, _ in g), sum(t for _, t in g), HALF, 1) for g in parts) for parts in groups]
        top = max(logs)
        weights = [mp.exp(x - top) for x in logs]
        shares = " ".join(mp.nstr(w / sum(weights), 17) for w in weights)
        out.write(f"posterior,{shares},{';'.join(f'{k} {t}' for k, t in session)}\n")
