"""Harmonic figures by numpy, compared with a program's own.

usage: harmonics.py SPECTRA

SPECTRA: CSV. o1 to o50: amperes by order; an empty cell is an order that is not given. Then the program's own figures; an empty
cell is no value. Definitions after IEC 61000-4-7 (THD), IEEE C57.110 (loss factors), UL 1561 (K at 100 A rated), EN 50464-3 (factor
K, e = 0.1, q = 1.7). No value is expected without the orders 1, 3, 5, 7, and no THD without one at or above 13.
"""

import csv
import sys

import numpy as np

with open(sys.argv[1], newline="") as file:
    rows = list(csv.DictReader(file))
cell = lambda text: float(text) if text else np.nan
given = np.array([[cell(row[f"o{h}"]) for h in range(1, 51)] for row in rows])
order = np.arange(1, 51)
square = np.nan_to_num(given) ** 2
total = square.sum(axis=1)
first = given[:, 0]
leading = ~np.isnan(given[:, [0, 2, 4, 6]]).any(axis=1)
far = ~np.isnan(given[:, 12:]).all(axis=1)
with np.errstate(invalid="ignore", divide="ignore"):
    wanted = {
        "thd": np.where(leading & far, 100 * np.sqrt(square[:, 1:].sum(axis=1)) / first, np.nan),
        "f_hl": np.where(leading, square @ order**2 / total, np.nan),
        "f_hl_str": np.where(leading, square @ order**0.8 / total, np.nan),
        "k": np.where(leading, (square / 100**2) @ order**2, np.nan),
        "european": np.where(leading, np.sqrt(1 + 0.1 / 1.1 * (square[:, 1:] @ order[1:] ** 1.7) / total), np.nan),
    }
wrong = 0
for name, want in wanted.items():
    got = np.array([cell(row[name]) for row in rows])
    differs = (np.isnan(got) != np.isnan(want)) | (np.abs(got - want) > 1e-6 * np.abs(want))
    print(f"{name}: {np.count_nonzero(~np.isnan(want))} of {len(rows)} have a value, {np.count_nonzero(differs)} differ")
    if differs.any():
        at = int(np.argmax(differs))
        print(f"{name} differs in row {at}: {got[at]} here, {want[at]} by numpy")
    wrong += np.count_nonzero(differs)
sys.exit(1 if wrong else 0)
