"""Robust regression and one change of slope by scipy and numpy, for comparison with a program's own.

usage: regression.py   reads JSON lines from standard input, writes one JSON line for each.

{"x": [[own, neutral], ...], "y": [...], "scale": s}: Huber's M-estimate at this scale by scipy's least_squares (a
trust-region solver; nothing is weighted by hand) gives {"intercept", "slopes", "theil_sen"}; the last is scipy's
Theil-Sen slope on the first alone.
{"step": true, "x", "y"}: the place from which on another slope on the first leaves the least sum of squares, by numpy's
lstsq at every place, gives {"index", "by"}.
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
        _, index, by = min(fits)
        print(json.dumps({"index": index, "by": by}))
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
    print(json.dumps({"intercept": found.x[0], "slopes": list(found.x[1:]), "theil_sen": theil_sen}))
