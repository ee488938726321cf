"""Keypad ladders with faults, fitted by SciPy's least squares, with profile-likelihood intervals.

Usage: python3 ladder.py OUT        (OUT is a file, or a folder that gets ladder.json)
       python3 ladder.py --time     seconds for one full fit of all models, printed

Every job: a random parallel ladder, one or two faults, noisy codes in several conditions; then one or more models
fitted to the codes: best values, 95 % intervals (chi2 - chi2_min = 3.8415, all other numbers refitted), chi2.
The forward solution is Gaussian elimination of the nodal matrix by numpy.linalg.solve, part by part.
"""

import json
import math
import os
import sys
import time

import numpy
import scipy
from scipy.optimize import brentq, least_squares
from scipy.stats import chi2 as chi2_law

CUT = float(chi2_law.ppf(0.95, 1))
OPEN = 1e15
WIRE = 0.01

# name: (logarithmic, low, high) in search coordinates
RANGE = {
    "main-board-leak-to-ground": (True, 2.0, 8.0),
    "main-board-leak-to-supply": (True, 2.0, 8.0),
    "main-board-leak-to-higher-supply": (True, 2.0, 8.0),
    "key-board-leak-to-ground": (True, 2.0, 8.0),
    "key-board-leak-to-supply": (True, 2.0, 8.0),
    "key-board-leak-to-higher-supply": (True, 2.0, 8.0),
    "series-resistance": (True, -2.0, 4.0),
    "ground-offset": (False, -1.2, 1.2),
    "pull-up-value": (True, 3.0, 7.0),
    "pull-up-on-key-board": (True, 3.0, 7.0),
    "supply-or-reference": (False, 0.5, 1.5),
}
KEYS = ["power", "volumedown", "volumeup", "channeldown", "channelup", "menu"]
for k in KEYS:
    RANGE["switch-leak-" + k] = (True, 0.0, 8.0)
    RANGE["contact-" + k] = (True, -2.0, 6.0)


def solve(net, faults, condition):
    """Pin voltage by the nodal matrix; nodes: line, key board, return."""
    value = dict(faults)
    vcc = net["supply"] * value.get("supply-or-reference", 1.0)
    matrix = numpy.zeros((3, 3))
    current = numpy.zeros(3)

    def tie(node, ohm, volts):
        matrix[node, node] += 1.0 / ohm
        current[node] += volts / ohm

    def join(a, b, ohm):
        g = 1.0 / ohm
        matrix[a, a] += g
        matrix[b, b] += g
        matrix[a, b] -= g
        matrix[b, a] -= g

    kind, what = condition
    plugged = kind in ("idle", "key")
    if "pull-up-on-key-board" in value:
        if plugged:
            tie(1, value["pull-up-on-key-board"], vcc)
    else:
        tie(0, value.get("pull-up-value", net["pull_up"]), vcc)
    tie(0, value.get("main-board-leak-to-ground", OPEN), 0.0)
    tie(0, value.get("main-board-leak-to-supply", OPEN), vcc)
    tie(0, value.get("main-board-leak-to-higher-supply", OPEN), net["higher"])
    if kind == "substituted":
        tie(0, what, 0.0)
    join(0, 1, value.get("series-resistance", 0.0) + WIRE if plugged else OPEN)
    tie(1, OPEN, 0.0)
    join(1, 2, value.get("key-board-leak-to-ground", OPEN))
    tie(1, value.get("key-board-leak-to-supply", OPEN) if plugged else OPEN, vcc)
    tie(1, value.get("key-board-leak-to-higher-supply", OPEN) if plugged else OPEN, net["higher"])
    for name, ohm in zip(KEYS, net["keys"]):
        leak = value.get("switch-leak-" + name, OPEN)
        closed = 0.05 + value.get("contact-" + name, 0.0) if kind == "key" and what == name else OPEN
        join(1, 2, ohm + 1.0 / (1.0 / leak + 1.0 / closed))
    tie(2, WIRE, value.get("ground-offset", 0.0))
    return float(numpy.linalg.solve(matrix, current)[0])


def cut(mean, full, spread):
    """Mean of a normal variable that the ends of the scale cut (a truncated normal would leave out what they cut)."""
    def tail(z):
        return 0.5 * math.erfc(z / math.sqrt(2.0))

    def density(z):
        return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)

    low, high = -mean / spread, (full - mean) / spread
    inside = tail(low) - tail(high)
    return mean * inside + spread * (density(low) - density(high)) + full * tail(high)


def number(name, u):
    return 10.0**u if RANGE[name][0] else u


class Fit:
    def __init__(self, net, conditions, codes, sigma, tolerance):
        self.net, self.conditions, self.codes, self.sigma = net, conditions, codes, sigma
        self.score = tolerance / math.sqrt(3.0)
        self.parts = 1 + len(net["keys"]) if tolerance > 0 else 0

    def residuals(self, model, numbers):
        u, z = numbers[: len(model)], numbers[len(model) :]
        net = dict(self.net)
        if self.parts:
            net["pull_up"] = net["pull_up"] * (1 + self.score * z[0])
            net["keys"] = [r * (1 + self.score * s) for r, s in zip(net["keys"], z[1:])]
        faults = [(name, number(name, x)) for name, x in zip(model, u)]
        full = net["full_scale"]
        out = []
        for condition, code in zip(self.conditions, self.codes):
            m = (full + 1) * solve(net, faults, condition) / net["reference"] - 0.5
            out.append((cut(m, full, self.sigma) - code) / self.sigma)
        return numpy.array(out + list(z))

    def run(self, model, start, held=None):
        """Least squares from a start; held = (index, value) keeps one number."""
        low = [RANGE[m][1] for m in model] + [-8.0] * self.parts
        high = [RANGE[m][2] for m in model] + [8.0] * self.parts
        free = [i for i in range(len(low)) if held is None or i != held[0]]
        full = numpy.array(start, dtype=float)
        if held is not None:
            full[held[0]] = held[1]

        def residuals(x):
            numbers = full.copy()
            numbers[free] = x
            return self.residuals(model, numbers)

        if not free:
            return full, float(numpy.sum(residuals(numpy.array([])) ** 2))
        def slopes(x):
            # Steps well above the rounding of the solved matrix.
            columns = []
            for i in range(len(x)):
                step = numpy.zeros(len(x))
                step[i] = 1e-4
                columns.append((residuals(x + step) - residuals(x - step)) / 2e-4)
            return numpy.array(columns).T

        lo, hi = numpy.array(low)[free], numpy.array(high)[free]
        x0 = numpy.clip(full[free], lo + 1e-9, hi - 1e-9)
        found = least_squares(residuals, x0, slopes, bounds=(lo, hi), xtol=1e-12, ftol=1e-12, gtol=1e-12)
        full[free] = found.x
        return full, float(2.0 * found.cost)

    def best(self, model, count=24):
        """Coarse grid, then least squares from the three lowest points."""
        axes = [numpy.linspace(RANGE[m][1], RANGE[m][2], count if len(model) == 1 else 9 + 4)[1:-1] for m in model]
        zero = [0.0] * self.parts
        if not model:
            return self.run(model, zero)
        points = [list(p) for p in numpy.array(numpy.meshgrid(*axes)).reshape(len(model), -1).T]
        heights = [float(numpy.sum(self.residuals(model, numpy.array(p + zero)) ** 2)) for p in points]
        starts = [points[i] for i in numpy.argsort(heights)[:3]]
        return min((self.run(model, p + zero) for p in starts), key=lambda found: found[1])

    def interval(self, model, best, chi2, index):
        ends = []
        for bound in RANGE[model[index]][1:]:
            warm = best.copy()

            def height(u):
                found, value = self.run(model, warm, held=(index, u))
                return value - chi2 - CUT

            centre = best[index]
            stride, inside = 2e-3 * (1 if bound > centre else -1), centre
            end = None
            while True:
                outside = inside + stride
                if (outside - bound) * (1 if bound > centre else -1) >= 0:
                    outside = bound - 1e-9 * (1 if bound > centre else -1)
                    if height(outside) < 0:
                        break
                if height(outside) >= 0:
                    u = brentq(height, inside, outside, xtol=1e-10, rtol=1e-10)
                    end = number(model[index], u)
                    break
                inside, stride = outside, stride * 3
            ends.append(end)
        return ends


def job(random, truth, tolerance, wanted, taken):
    """One simulated job with known truth, and its fits."""
    ohms = [0.0, 1800.0, 3900.0, 7500.0, 13000.0, 27000.0]
    net = {"supply": 3.3, "reference": 3.3, "higher": 5.0, "pull_up": 10000.0, "full_scale": 1023, "keys": ohms}
    real = dict(net)
    spread = tolerance / math.sqrt(3.0)
    real["pull_up"] = net["pull_up"] * (1 + spread * random.standard_normal())
    real["keys"] = [r * (1 + spread * random.standard_normal()) for r in ohms]
    conditions = [c for c in CONDITIONS if c[0] in taken or (c[0] == "key" and c[1] in taken)]
    codes = []
    for condition in conditions:
        v = solve(real, truth, condition)
        codes.append(int(min(1023, max(0, math.floor(1024 * v / 3.3 + 0.3 * random.standard_normal())))))
    sigma = math.sqrt(1 / 12 + 0.09)
    fit = Fit(net, conditions, codes, sigma, tolerance)
    fits = []
    for model in wanted:
        best, chi2 = fit.best(model)
        intervals = [fit.interval(model, best, chi2, i) for i in range(len(model))]
        values = [number(m, u) for m, u in zip(model, best)]
        fits.append({"model": "+".join(model) or "healthy", "values": values, "intervals": intervals, "chi2": chi2})
    named = [list(c) for c in conditions]
    return {"tolerance": tolerance, "conditions": named, "codes": codes, "fits": fits}


CONDITIONS = [("idle", None)] + [("key", k) for k in KEYS] + [("unplugged", None), ("substituted", 4700.0)]
ALL = ["idle", "unplugged", "substituted"] + KEYS
MAIN, BOARD = "main-board-leak-to-ground", "key-board-leak-to-ground"

JOBS = [
    ([(MAIN, 38e3)], 0.01, [[], [MAIN], [BOARD], ["supply-or-reference"]], ALL),
    ([(MAIN, 220e3)], 0.05, [[MAIN], [BOARD], ["supply-or-reference"]], ALL),
    ([(BOARD, 21e3)], 0.01, [[BOARD], ["switch-leak-volumedown"], [MAIN]], ALL),
    ([(BOARD, 75e3)], 0.05, [[BOARD], ["switch-leak-menu"]], ["idle", "menu", "unplugged"]),
    ([("ground-offset", 0.055)], 0.01, [["ground-offset"], ["series-resistance"]], ALL),
    ([("ground-offset", -0.03)], 0.05, [["ground-offset"]], KEYS + ["idle"]),
    ([("series-resistance", 130.0)], 0.01, [["series-resistance"], ["ground-offset"]], ALL),
    ([("switch-leak-volumeup", 9e3)], 0.01, [["switch-leak-volumeup"], [BOARD]], ALL),
    ([("switch-leak-menu", 60e3)], 0.05, [["switch-leak-menu"], [BOARD]], ALL),
    ([("contact-volumedown", 350.0)], 0.01, [["contact-volumedown"], ["series-resistance"]], ALL),
    ([("pull-up-value", 14.2e3)], 0.05, [["pull-up-value"], [MAIN]], ALL),
    ([("main-board-leak-to-supply", 27e3)], 0.01, [["main-board-leak-to-supply"], ["pull-up-value"]], ALL),
    ([("key-board-leak-to-higher-supply", 82e3)], 0.01, [["key-board-leak-to-higher-supply"]], ALL),
    ([("supply-or-reference", 0.93)], 0.01, [["supply-or-reference"], [MAIN]], ALL),
    ([(MAIN, 56e3), (BOARD, 30e3)], 0.01, [[MAIN, BOARD], [MAIN], [BOARD]], ALL),
    ([(MAIN, 90e3), ("switch-leak-volumedown", 15e3)], 0.05, [[MAIN, "switch-leak-volumedown"]], ALL),
    ([(MAIN, 18e3), ("key-board-leak-to-higher-supply", 39e3)], 0.01,
     [[MAIN, "key-board-leak-to-higher-supply"]], ALL),
    ([(MAIN, 47e3)], 0.0, [[MAIN], [BOARD], ["pull-up-value"]], ALL),
    ([], 0.01, [[], ["series-resistance"], ["switch-leak-menu"], ["ground-offset"]], ALL),
]


def all_models():
    singles = [[m] for m in RANGE if m != "pull-up-on-key-board"]
    board = ["key-board-leak-to-ground", "key-board-leak-to-supply", "key-board-leak-to-higher-supply"]
    pairs = [[MAIN, m] for m in board + ["switch-leak-" + k for k in KEYS]]
    pairs += [["main-board-leak-to-supply", BOARD], ["main-board-leak-to-higher-supply", BOARD]]
    pairs += [["supply-or-reference", BOARD]]
    pairs += [[leak, other] for leak in (MAIN, BOARD) for other in ("series-resistance", "ground-offset")]
    pairs += [["series-resistance", "ground-offset"], ["pull-up-on-key-board", MAIN]]
    return [[]] + singles + pairs


def timed():
    """The full fit of all models to the codes of two leaks (case F03), with the best model's intervals."""
    ohms = [0.0, 1800.0, 3900.0, 7500.0, 13000.0, 27000.0]
    net = {"supply": 3.3, "reference": 3.3, "higher": 5.0, "pull_up": 10000.0, "full_scale": 1023, "keys": ohms}
    codes = [628, 0, 142, 244, 345, 426, 512, 844, 306]
    start = time.perf_counter()
    fit = Fit(net, CONDITIONS, codes, math.sqrt(1 / 12 + 0.09), 0.01)
    found = [(model, *fit.best(model)) for model in all_models()]
    model, best, chi2 = min(found, key=lambda f: f[2] + len(f[0]) * math.log(len(codes)))
    for i in range(len(model)):
        fit.interval(model, best, chi2, i)
    print(f"{time.perf_counter() - start:.3f}")


def main():
    if sys.argv[1] == "--time":
        timed()
        return
    out = sys.argv[1]
    if os.path.isdir(out):
        out = os.path.join(out, "ladder.json")
    random = numpy.random.Generator(numpy.random.PCG64(20260101))
    jobs = [job(random, *spec) for spec in JOBS]
    made_by = f"NumPy {numpy.__version__}, SciPy {scipy.__version__}"
    with open(out, "w", encoding="utf-8") as file:
        json.dump({"made_by": made_by, "jobs": jobs}, file, indent=1)
        file.write("\n")


main()
