"""Randomisation tests by SciPy's `permutation_test`, all orders counted.

Usage: python3 provoke.py OUT      (OUT is a file, or a folder that gets provoke.csv)
Rows: direction,rows,p ...             rows are rounds, `;` between them: leave alone, then each stressor; one adjusted p a
                                       stressor: the largest over all sets of stressors that hold it
      shift,confidence,rows,low,high   ends of the shift of the first stressor, by bisection of the same test
The first three tables are the fifteen pairs of Darwin's maize, in eighths of an inch (Fisher 1935, The Design of
Experiments, chapter III; the counts of 863 and 1726 of 32 768 orders are his as well).
"""

import itertools
import os
import sys

import numpy as np
import scipy
from scipy import stats

OUT = sys.argv[1]
if os.path.isdir(OUT):
    OUT = os.path.join(OUT, "provoke.csv")

MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def exact(columns, statistic):
    """Share of all orders within rounds with a statistic at least as large."""
    found = stats.permutation_test(
        columns, statistic, permutation_type="samples", n_resamples=np.inf, alternative="greater", vectorized=False
    )
    return float(found.pvalue)


def adjusted(rows, direction):
    columns = np.array(rows, dtype=float).T
    stressors = range(1, len(columns))
    result = {j: 0.0 for j in stressors}
    for size in range(1, len(columns)):
        for chosen in itertools.combinations(stressors, size):

            def largest(*samples):
                middle = sum(np.sum(sample) for sample in samples) / len(samples)
                moved = [np.sum(sample) - middle for sample in samples[1:]]
                # Equal sums must stay equal whatever the order of adding.
                return round(max(moved if direction == "more" else map(abs, moved)), 9)

            p = exact([columns[0], *(columns[j] for j in chosen)], largest)
            for j in chosen:
                result[j] = max(result[j], p)
    return list(result.values())


def ends(rows, confidence):
    moved = np.array([row[1] - row[0] for row in rows], dtype=float)
    tail = (1 - confidence) / 2

    def p(shift, sign):
        zero = np.zeros(len(moved))
        return exact([zero, sign * (moved - shift)], lambda a, b: round(np.sum(b) - np.sum(a), 9))

    def crossing(sign):
        low, high = np.min(sign * moved) - 1, np.max(sign * moved) + 1
        while high - low > 1e-7:
            middle = (low + high) / 2
            low, high = (low, middle) if p(sign * middle, sign) > tail else (middle, high)
        return float(sign * high)

    return crossing(1), crossing(-1)


def text(rows):
    return ";".join(" ".join(repr(float(value)) for value in row) for row in rows)


with open(OUT, "w", encoding="utf-8", newline="\n") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}\n")
    random = np.random.default_rng(20261129)
    maize = [[0, d] for d in MAIZE]
    tables = [("more", maize), ("either", maize), ("more", [[d, 0] for d in MAIZE])]
    for stressors, rounds in ((1, 5), (1, 8), (1, 11), (2, 4), (2, 5), (3, 3)):
        for direction in ("more", "either"):
            for effect in (0.0, 4.0):
                rows = random.poisson(2.0, (rounds, stressors + 1)).astype(float)
                rows[:, 1] += random.poisson(effect, rounds)
                if direction == "either":
                    rows = 1000 - rows + np.round(random.normal(0, 0.7, rows.shape), 3)
                tables.append((direction, rows.tolist()))
    for direction, rows in tables:
        out.write(f"{direction},{text(rows)},{','.join(map(repr, adjusted(rows, direction)))}\n")
    for rounds, confidence in ((6, 0.95), (8, 0.95), (9, 0.9)):
        rows = np.round(random.normal(1000, 1, (rounds, 2)), 3).tolist()
        low, high = ends(rows, confidence)
        out.write(f"shift,{confidence},{text(rows)},{low!r},{high!r}\n")
