"""Minute statistics of raw readings by numpy, compared with a program's own minute rows.

usage: minutes.py RAW MINUTES

RAW: CSV, at_ms and one column a series; an empty cell is no value. MINUTES: CSV, minute_ms, series, mean, min, max,
count, covered_ms, kept as 32-bit numbers. A reading stands for the time since the reading before it; after a gap of
more than one and a half seconds, and at the beginning, for one second. Voltages below zero can't be real. The computed
series is the largest deviation of the three line voltages from their mean, in per cent of it.
"""

import csv
import sys

import numpy as np

EVERY_MS = 1000

with open(sys.argv[1], newline="") as file:
    rows = list(csv.reader(file))
names = rows[0][1:]
at = np.array([int(row[0]) for row in rows[1:]])
values = np.array([[float(cell) if cell else np.nan for cell in row[1:]] for row in rows[1:]])
series = {name: values[:, index] for index, name in enumerate(names)}
for name in names:
    if name.startswith("voltage"):
        series[name] = np.where(series[name] < 0, np.nan, series[name])
lines = np.stack([series["voltage_ll_v." + place] for place in ("AB", "BC", "CA")])
middle = lines.mean(axis=0)
series["voltage_unbalance_percent"] = 100 * np.abs(lines - middle).max(axis=0) / middle

steps = np.diff(at, prepend=-(10**9))
weights = np.where(2 * steps > 3 * EVERY_MS, EVERY_MS, steps)
minute = at // 60_000 * 60_000

with open(sys.argv[2], newline="") as file:
    exported = {(int(row["minute_ms"]), row["series"]): row for row in csv.DictReader(file)}

wrong = 0
compared = 0
unit = np.finfo(np.float32).eps
for name, numbers in series.items():
    for start in np.unique(minute):
        row = exported.pop((int(start), name), None)
        here = (minute == start) & ~np.isnan(numbers)
        if row is None:
            print(f"differs: {name} {start} is missing")
            wrong += 1
            continue
        compared += 1
        if int(row["count"]) != here.sum() or int(row["covered_ms"]) != weights[here].sum():
            print(f"differs: {name} {start}: {row} has not {here.sum()} values of {weights[here].sum()} ms")
            wrong += 1
        if not here.any():
            if row["mean"] or row["min"] or row["max"]:
                print(f"differs: {name} {start}: {row} has numbers without values")
                wrong += 1
            continue
        expected = {
            "mean": np.average(numbers[here], weights=weights[here]),
            "min": numbers[here].min(),
            "max": numbers[here].max(),
        }
        for column, number in expected.items():
            if not row[column] or abs(float(row[column]) - number) > 2 * unit * abs(number):
                print(f"differs: {name} {start} {column}: {row[column]}, numpy says {number}")
                wrong += 1
for minute_ms, name in exported:
    if name in series:
        print(f"differs: {name} {minute_ms} has a row and no values")
        wrong += 1
print(f"{compared} rows compared, {wrong} differences")
sys.exit(wrong > 0)
