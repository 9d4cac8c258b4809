"""Robust regression and one change of level by scipy and numpy, for comparison with a program's own.

usage: regression.py   reads JSON lines from standard input, writes one JSON line for each.

{"x": [[own, neutral], ...], "y": [...], "scale": s}: Huber's M-estimate at this scale by scipy's least_squares (a
trust-region solver; nothing is weighted by hand) gives {"intercept", "slopes", "theil_sen"}; the last is scipy's
Theil-Sen slope on the first alone.
{"row": [...]}: the split with the least sum of squares by trying all of them gives {"index"}.
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
    if "row" in asked:
        row = np.array(asked["row"])
        splits = range(LEAST_SIDE, len(row) - LEAST_SIDE + 1)
        squares = [row[:at].var() * at + row[at:].var() * (len(row) - at) for at in splits]
        print(json.dumps({"index": splits[int(np.argmin(squares))]}))
        continue
    x, y = np.array(asked["x"]), np.array(asked["y"])
    design = np.column_stack([np.ones(len(y)), x])
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
