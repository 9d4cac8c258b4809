"""Robust regression and one change of slope by scipy and numpy, for comparison with a program's own.

usage: regression.py   reads JSON lines from standard input, writes one JSON line for each.

{"x": [[own, neutral], ...], "y": [...], "scale": s}: Huber's M-estimate at this scale by scipy's least_squares (a
trust-region solver; nothing is weighted by hand) gives {"intercept", "slopes", "theil_sen", "errors", "correlation"}; the third is
scipy's Theil-Sen slope on the first alone, the errors are Huber's covariance (Robust Statistics, 1981, 7.6, from memory) with numpy's
inverse, the correlation is that of the points weighted by min(1, tuning/size).
{"step": true, "x", "y"}: the place from which on another slope on the first leaves the least sum of squares, by numpy's
lstsq at every place, gives {"index", "by", "strength"}; the last is the change in its standard errors.
"""

import json
import sys

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import theilslopes

TUNING = 1.345
LEAST_SIDE = 6

for line in sys.stdin:
    asked = json.loads(line)
    x, y = np.array(asked["x"]), np.array(asked["y"])
    design = np.column_stack([np.ones(len(y)), x])
    if "step" in asked:
        fits = []
        for at in range(LEAST_SIDE, len(y) - LEAST_SIDE + 1):
            changed = np.where(np.arange(len(y)) >= at, x[:, 0], 0.0)
            whole = np.column_stack([design, changed])
            beta = np.linalg.lstsq(whole, y, rcond=None)[0]
            fits.append((((whole @ beta - y) ** 2).sum(), at, beta[3]))
        rest, index, by = min(fits)
        changed = np.where(np.arange(len(y)) >= index, x[:, 0], 0.0)
        whole = np.column_stack([design, changed])
        error = np.sqrt(rest / (len(y) - 4) * np.linalg.inv(whole.T @ whole)[3, 3])
        print(json.dumps({"index": index, "by": by, "strength": abs(by) / error}))
        continue
    start = np.linalg.lstsq(design, y, rcond=None)[0]
    found = least_squares(
        lambda beta: design @ beta - y,
        start,
        loss="huber",
        f_scale=TUNING * asked["scale"],
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
        x_scale=[1.0, 1e-3, 1e-3],
    )
    theil_sen = theilslopes(y, x[:, 0]).slope
    rest = y - design @ found.x
    size = np.abs(rest) / asked["scale"]
    spread = (np.minimum(size, TUNING) ** 2).sum() / (len(y) - 3)
    factor = asked["scale"] ** 2 * spread / (size <= TUNING).mean() ** 2
    errors = np.sqrt(factor * np.diag(np.linalg.inv(design.T @ design)))[1:]
    weight = np.minimum(1.0, TUNING / size)
    around = y - np.average(y, weights=weight)
    correlation = np.sqrt(1.0 - (weight * rest**2).sum() / (weight * around**2).sum())
    told = {"intercept": found.x[0], "slopes": list(found.x[1:]), "theil_sen": theil_sen}
    print(json.dumps({**told, "errors": list(errors), "correlation": correlation}))
