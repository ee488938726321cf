"""Tests on counts by SciPy and statsmodels.

Usage: python3 counts.py OUT       (OUT is a file, or a folder that gets counts.csv)
Rows: e_test,k1,n1,k2,n2,difference,alternative,statistic,p        scipy.stats.poisson_means_test
      dispersion,statistic,freedom,p,counts...                     chi-square
      permutation,one_sided,two_sided,n_before,counts...           exact: every split counted
      nb2,llf_apart,llf_together,scatter,p,n_before,counts...      statsmodels NegativeBinomial
      weibull,shape,scale,quiet95,gaps...                          scipy.stats.weibull_min, gammaincc, brentq
      holm,p...,adjusted...                                        statsmodels multipletests
"""

import itertools
import os
import sys
import warnings

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.stats.multitest import multipletests

warnings.simplefilter("ignore")
OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "counts.csv")

E_TESTS = [
    (0, 100, 3, 100, "two-sided", 0), (2, 100, 6, 100, "two-sided", 0), (10, 10, 10, 10, "two-sided", 0),
    (50, 15, 1, 1, "two-sided", 0.05), (3, 100, 20, 300, "two-sided", 0), (3, 12, 4, 20, "greater", 0),
    (4, 20, 3, 100, "greater", 0), (4, 20, 3, 10, "less", 0), (1, 1, 50, 15, "less", 0),
    (5, 30, 0, 60, "two-sided", 0), (5, 30, 0, 60, "greater", 0),
]
BEFORE, AFTER = [0, 12, 0, 0, 9, 0, 15, 0, 0, 4], [0, 0, 0, 7, 0, 0, 0, 0, 3, 0]
GAPS = [.8, .9, 1.1, .9, 14, .9, 1.0, .8, 22, .9, .9, 1.2, .8, 35, .9, 1.0]


def text(values):
    return ",".join(repr(float(v)) for v in values)


def permutation(before, after):
    pool = np.array(before + after)
    seen, total, n = sum(before), sum(before) + sum(after), len(before)
    sums = np.array([pool[list(c)].sum() for c in itertools.combinations(range(len(pool)), n)])
    off = abs(seen - total * n / len(pool))
    return (sums >= seen).mean(), (np.abs(sums - total * n / len(pool)) >= off - 1e-9).mean()


def nb2(before, after):
    y = np.array(before + after)
    group = np.array([1.0] * len(before) + [0.0] * len(after))
    fit = lambda x: sm.NegativeBinomial(y, x).fit(disp=0, maxiter=2000, method="bfgs", gtol=1e-9)
    apart, together = fit(sm.add_constant(group)), fit(np.ones((len(y), 1)))
    return apart.llf, together.llf, apart.params[-1], stats.chi2.sf(2 * (apart.llf - together.llf), 1)


def weibull(gaps):
    shape, _, scale = stats.weibull_min.fit(gaps, floc=0)
    quiet = optimize.brentq(lambda t: special.gammaincc(1 / shape, (t / scale) ** shape) - 0.05, 1e-6, 1e6, xtol=1e-10)
    return shape, scale, quiet


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, statsmodels {statsmodels.__version__}, numpy {np.__version__}\n")
    for k1, n1, k2, n2, alternative, diff in E_TESTS:
        r = stats.poisson_means_test(k1, n1, k2, n2, diff=diff, alternative=alternative)
        out.write(f"e_test,{k1},{n1},{k2},{n2},{diff},{alternative},{text([r.statistic, r.pvalue])}\n")
    for counts in (BEFORE, AFTER, [5, 4, 6, 5, 7, 3], [1, 0, 2, 1, 1, 0, 3]):
        d = float(((np.array(counts) - np.mean(counts)) ** 2).sum() / np.mean(counts))
        out.write(f"dispersion,{text([d, len(counts) - 1, stats.chi2.sf(d, len(counts) - 1)])},{text(counts)}\n")
    for before, after in ((BEFORE, AFTER), ([4, 5, 6, 3], [1, 0, 2, 0, 1]), ([3, 3, 3], [0, 0, 0])):
        out.write(f"permutation,{text(permutation(before, after))},{len(before)},{text(before + after)}\n")
    for before, after in ((BEFORE, AFTER), ([4, 9, 6, 3, 0, 8], [1, 0, 2, 0, 5, 0])):
        out.write(f"nb2,{text(nb2(before, after))},{len(before)},{text(before + after)}\n")
    out.write(f"weibull,{text(weibull(GAPS))},{text(GAPS)}\n")
    for p in ((.01, .04, .03, .005), (.0001, .3, .02, .04), (0.3244, 9.7e-9, 0.0185)):
        out.write(f"holm,{text(p)},{text(multipletests(p, method='holm')[1])}\n")
