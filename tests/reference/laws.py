"""The average over laws of the gaps, by numerical integration in SciPy: another way than the closed forms that we use.

Usage: python3 laws.py OUT      (OUT is a file, or a folder that gets laws.csv)
Rows: quiet,joined,seconds,chance,whole;leading;trailing    chance of quiet from an unrelated moment
      lasts,joined,seconds,chance,whole;leading;trailing    the same from the last episode on
      needed,joined,chance,seconds,whole;leading;trailing   root of `quiet` in the seconds (brentq)
      shape,joined,0,mean,whole;leading;trailing            posterior mean of the Weibull shape

Densities and survivals are those of scipy.stats. Rates and scales that we integrate out in closed form are integrated on a
grid of their logarithm (trapezoid rule); integrals of a survival are quadratures. Nodes and prior shares are those of the
method. The posteriors of a Weibull rate, of the short gaps' rate and of the missed beats are Gamma and Beta.
"""

import os
import sys

import numpy as np
import scipy
from scipy import integrate, optimize, special, stats

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "laws.csv")

PRIOR = dict(exponential=0.22, dead=0.06, weibull=0.20, burr=0.08, pareto=0.10, rates=0.006, turns=0.30, beat=0.034)
SHAPES = 0.3 * (12.0 / 0.3) ** (np.arange(37) / 36)
INDICES = 0.05 + 0.1 * np.arange(10)
EVEN = ([41.0, 38.5, 44.2, 40.1, 39.0, 42.7, 40.4], [22.0], [17.5])
UNEVEN = ([3.1, 250.0, 1.2, 14.0, 0.6, 900.0, 33.0, 5.5, 71.0, 2.2], [120.0], [310.0])
FEW = ([60.0, 110.0], [], [45.0])
BURSTS = ([14.0, 22.0, 35.0, 130.0, 61.0], [9.0, 80.0], [4.0, 12.0])
TURNS = ([21.0, 7.0, 33.0, 18.0, 640.0, 12.0, 25.0, 9.0, 44.0, 610.0, 15.0, 30.0], [100.0], [20.0])


class Member:
    """log evidence with prior, mean, and chances of `t` more after `b`, and of `t` from an unrelated moment."""

    def __init__(self, log, mean, lasts, quiet):
        self.log, self.mean, self.lasts, self.quiet = log, mean, lasts, quiet


def weibull(x, cut, joined, c, prior):
    """Scale on a grid; survival of the whole posterior is a mean over it."""
    u = np.linspace(-60, 60, 6001) / c
    scale = np.exp(u)
    log = np.zeros_like(u)
    for v in x:
        log += stats.weibull_min.logpdf(v, c, scale=scale) - stats.weibull_min.logsf(joined, c, scale=scale)
    for v in cut:
        log += stats.weibull_min.logsf(v, c, scale=scale)
    top = log.max()
    weight = np.exp(log - top)
    mass = integrate.trapezoid(weight, u)
    weight /= mass
    # The mean at the posterior mean of the rate scale^-c.
    rate = integrate.trapezoid(weight * scale**-c, u)
    mean = special.gamma(1 + 1 / c) * rate ** (-1 / c)

    def lasts(b, t):
        return integrate.trapezoid(weight * np.exp(stats.weibull_min.logsf(b + t, c, scale=scale) - stats.weibull_min.logsf(b, c, scale=scale)), u)

    def quiet(t):
        return integrate.trapezoid(weight * special.gammaincc(1 / c, (t / scale) ** c), u)

    return Member(np.log(prior) + top + np.log(mass), mean, lasts, quiet)


def dead_time(x, cut, joined, prior):
    """The rate and the dead time on grids; the law then has the dead time of the method, and the rate's whole posterior."""
    y = np.maximum(x - joined, 0)
    shortest = min(y.min(), 0.5)
    ends = np.maximum(cut - joined, 0)
    ends = ends[ends > shortest]
    n, count = len(y), len(y) + len(ends)
    total = y.sum() + ends.sum()
    left = max(total - count * shortest, 1e-9 * total)

    def of_rate(dead):
        power = lambda u: n * u - np.exp(u) * (total - count * dead)
        u = np.linspace(-40, 40, 20001)
        return integrate.trapezoid(np.exp(power(u)), u)

    mass = integrate.quad(of_rate, 0, shortest, epsrel=1e-9, limit=200)[0] / 0.5
    dead = max(shortest - left / (count * n), 0)
    law = stats.lomax(n, scale=total - count * dead, loc=joined + dead)

    def quiet(t):
        top = 1e6 * max(law.mean(), t)
        return (tail_mean(law.sf, t, top) + law.sf(top) * top / (n - 1)) / law.mean()

    return Member(np.log(prior) + np.log(mass), law.mean(), lambda b, t: law.sf(b + t) / law.sf(b), quiet)


def tail_mean(sf, t, top):
    """Integral of a survival from t to top, by Simpson's rule in the logarithm."""
    low = max(t, 1e-9)
    v = np.linspace(np.log(low), np.log(top), 4001)
    return integrate.simpson(sf(np.exp(v)) * np.exp(v), x=v) + (low - t)


def burr(x, cut, joined, prior):
    members = []
    step = np.log(50 / 0.02) / 40
    y, z = np.maximum(x - joined, 0), np.maximum(cut - joined, 0)
    for c in (1.0, 2.0):
        for s in 0.02 * (50 / 0.02) ** (np.arange(41) / 40):
            for index in INDICES:
                k = 1 / (index * c)
                law = stats.burr12(c, k, scale=s)
                log = law.logpdf(y).sum() + law.logsf(z).sum() + np.log(prior / 20 * step)

                def lasts(b, t, law=law):
                    return np.exp(law.logsf(max(b + t - joined, 0)) - law.logsf(max(b - joined, 0)))

                # Beyond the horizon the tail is a power, whose integral is known.
                def quiet(t, law=law, c=c, k=k, s=s):
                    top = 1e6 * max(s, t, 1)
                    rest = law.sf(top) * top / (c * k - 1)
                    return (tail_mean(law.sf, max(t - joined, 0), top) + rest) / law.mean()

                members.append(Member(log, joined + law.mean(), lasts, quiet))
    return members


def pareto(x, cut, prior):
    members = []
    least = x.min()
    n = len(x)
    for index in INDICES:
        alpha = 1 / index
        # The least gap's prior dm/m integrated up to the shortest gap; those cut off are taken from the shortest.
        mass = integrate.quad(lambda r: np.exp(n * alpha * r), -200 / (n * alpha), 0, epsrel=1e-11)[0]
        law = stats.pareto(alpha, scale=least)
        log = law.logpdf(x).sum() + np.log(mass) + law.logsf(np.maximum(cut, least)).sum() + np.log(prior / 10)

        def lasts(b, t, law=law):
            return law.sf(b + t) / law.sf(b)

        def quiet(t, law=law, alpha=alpha):
            top = 1e6 * max(least, t)
            return (tail_mean(law.sf, t, top) + law.sf(top) * top / (alpha - 1)) / law.mean()

        members.append(Member(log, law.mean(), lasts, quiet))
    return members


def rates(x, cut, joined, begun):
    members = []
    y = np.maximum(np.sort(x) - joined, 1e-6)
    z = np.maximum(cut - joined, 0)
    n = len(y)
    for k in range(0, n - 1):
        rest, longs = y[: n - k], y[n - k :]
        short = max(rest.sum(), 1e-9) / len(rest)
        if k > 0 and longs[0] < short:
            break
        if k == 0 and not (z > 3 * short).any():
            continue
        ways = special.betaln(k + 0.3, n - k + 1.7) - special.betaln(0.3, 1.7)
        base = ways + special.gammaln(n - k) - (n - k) * np.log(short * (n - k)) - np.log(41)
        share = (k + 0.3) / (n + 2)
        posterior = stats.lomax(n - k, scale=short * (n - k))
        for i in range(41):
            length = short * 3 * (1000 / 3) ** (i / 40)
            laws = [(PRIOR["rates"], stats.expon(scale=length), False)]
            laws += [(PRIOR["turns"] / 3, stats.lognorm(s, scale=length), True) for s in (0.05, 0.12, 0.3)]
            for prior, law, turns in laws:
                ends = np.log((1 - share) * np.exp(-z / short) + share * law.sf(z)).sum()
                log = np.log(prior) + base + law.logpdf(longs).sum() + ends
                sure = turns and k > 0

                def lasts(b, t, law=law, sure=sure, share=share, posterior=posterior):
                    b, e = max(b - joined, 0), max(b + t - joined, 0)
                    part = lambda v: share * law.sf(v) + (0 if sure else (1 - share) * posterior.sf(v))
                    return part(e) / part(b) if part(b) > 1e-12 else 0.0

                def quiet(t, law=law, share=share, posterior=posterior, short=short):
                    t = max(t - joined, 0)
                    excess = tail_mean(law.sf, t, max(t, law.mean()) * 60) if law.sf(t) > 1e-14 else 0.0
                    return (share * excess + (1 - share) * short * posterior.sf(t)) / (share * law.mean() + (1 - share) * short)

                members.append(Member(log, joined + share * law.mean() + (1 - share) * short, lasts, quiet))
    top = max((m.log for m in members), default=0)
    return [m for m in members if m.log > top - 18]


def beats(x, cut):
    members = []
    if len(x) < 4:
        return members
    n = len(x)
    for part in (1.0, 2.0, 3.0):
        period = np.median(x) / part
        for _ in range(4):
            turns = np.maximum(np.floor(x / period + 0.5), 1)
            period = x.sum() / turns.sum()
        turns = np.maximum(np.floor(x / period + 0.5), 1)
        missed = turns.sum() - n
        share = special.betaln(missed + 0.5, n + 0.5) - np.log(np.pi)
        gone = lambda j, missed=missed: np.exp(special.betaln(missed + 0.5 + j, n + 0.5) - special.betaln(missed + 0.5, n + 0.5))
        for jitter in (0.01, 0.02, 0.04, 0.08, 0.14):
            past = lambda v, jitter=jitter, period=period: max(np.floor(v / period - 3 * jitter), 0)
            lasts = lambda b, t, past=past, gone=gone: gone(past(b + t) - past(b))

            def quiet(t, jitter=jitter, period=period, gone=gone):
                m = max(t / period - 3 * jitter, 0)
                return np.interp(m, [np.floor(m), np.floor(m) + 1], [gone(np.floor(m)), gone(np.floor(m) + 1)])

            log = stats.norm.logpdf(x / period, turns, jitter).sum() - n * np.log(period)
            log += np.log(np.sqrt(2 * np.pi) * jitter / np.sqrt((turns**2).sum()))
            log += np.log(PRIOR["beat"] / 15) + share + sum(np.log(lasts(0.0, v)) for v in cut)
            members.append(Member(log, period * (missed + n) / n, lasts, quiet))
    return members


def fit(side, joined):
    whole, leading, trailing = side
    unit = np.mean([v for part in side for v in part])
    x = np.maximum(np.array(whole), max(joined, 1e-3)) / unit
    cut = np.array(leading + trailing) / unit
    g = joined / unit
    members = [weibull(x, cut, g, 1.0, PRIOR["exponential"])]
    family = [weibull(x, cut, g, c, PRIOR["weibull"] / 37) for c in SHAPES]
    logs = np.array([m.log for m in family])
    # The shape's prior is flat, the exponential counts with its own share.
    weight = np.exp(np.append(logs, members[0].log) - logs.max())
    shape = (weight * np.append(SHAPES, 1.0)).sum() / weight.sum()
    members += family + burr(x, cut, g, PRIOR["burr"]) + pareto(x, cut, PRIOR["pareto"])
    members += rates(x, cut, g, len(leading)) + beats(x, cut) + [dead_time(x, cut, g, PRIOR["dead"])]
    logs = np.array([m.log for m in members])
    begun = logs - len(leading) * np.log([m.mean for m in members])
    share, unrelated = (np.exp(v - special.logsumexp(v)) for v in (logs, begun))
    since = trailing[-1] / unit if trailing else 0.0
    keep = lambda v: [(s, m) for s, m in zip(v, members) if s > 1e-8]
    running, later = keep(share), keep(unrelated)
    lasts = lambda t: sum(s * m.lasts(since, t / unit) for s, m in running)
    quiet = lambda t: sum(s * m.quiet(t / unit) for s, m in later)
    return lasts, quiet, shape


def text(side):
    return ";".join(" ".join(map(repr, part)) for part in side)


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}\n")
    for side, joined in ((EVEN, 0.0), (UNEVEN, 0.0), (FEW, 0.0), (BURSTS, 4.3), (TURNS, 0.0)):
        lasts, quiet, shape = fit(side, joined)
        for seconds in (10.0, 100.0, 1000.0, 10000.0):
            out.write(f"quiet,{joined},{seconds},{float(quiet(seconds))!r},{text(side)}\n")
            out.write(f"lasts,{joined},{seconds},{float(lasts(seconds))!r},{text(side)}\n")
        root = optimize.brentq(lambda t: quiet(t) - 0.1, 1.0, 1e5, rtol=1e-7)
        out.write(f"needed,{joined},0.1,{float(root)!r},{text(side)}\n")
        out.write(f"shape,{joined},0,{float(shape)!r},{text(side)}\n")
