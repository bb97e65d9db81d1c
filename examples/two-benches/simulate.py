"""Fills the sheet of a bench of this invented study, from a seed: python3 simulate.py north > north/filled-sheet.csv

Both benches lose 1.2 Shore D from 21 °C to 25 °C. At North bench a brisk approach reads 0.9 higher; South bench has damped
stands, which leave 0.1 of it, and readings that scatter more. Standard deviations: session 0.15, run 0.2, reading 0.4 at North
bench and 0.6 at South bench. All of it in Shore D, rounded to the step of the display. Nothing here was measured.
"""

import csv
import random
import sys

BENCHES = {
    "north": {"seed": 20260302, "mean": 57.3, "brisk": 0.9, "B": -0.5, "reading": 0.4, "day": "2026-03-0{}", "by": "op1"},
    "south": {"seed": 20260413, "mean": 56.8, "brisk": 0.1, "B": 0.2, "reading": 0.6, "day": "2026-04-1{}", "by": "op7"},
}

name = sys.argv[1]
bench = BENCHES[name]
first_day = {"north": 2, "south": 3}[name]
draw = random.Random(bench["seed"])
plan = list(csv.DictReader(open(f"{name}/plan.csv", encoding="utf-8")))
session = {}
core = {}
columns = list(plan[0]) + ["core_temperature", "hardness 1", "hardness 2", "hardness 3", "order", "time", "initials", "remark"]
out = csv.writer(sys.stdout, lineterminator="\n")
out.writerow(columns)
for place, row in enumerate(plan, start=1):
    number = row["session"]
    if number not in session:
        session[number] = draw.gauss(0.0, 0.15)
        core[number] = float(row["temperature"]) + draw.uniform(-0.3, 0.3)
    value = bench["mean"] + session[number] + draw.gauss(0.0, 0.2)
    value += -1.2 * (float(row["temperature"]) - 23.0) / 4.0
    value += bench["brisk"] if row["approach"] == "brisk" else 0.0
    value += bench["B"] if row["instrument"] == "B" else 0.0
    readings = [f"{value + draw.gauss(0.0, bench['reading']):.1f}" for _ in range(3)]
    half_day, run = divmod(place - 1, 8)
    day = bench["day"].format(first_day + half_day // 2)
    minutes = (8 if half_day % 2 == 0 else 13) * 60 + 30 + 4 * run
    time = f"{day} {minutes // 60:02}:{minutes % 60:02}"
    out.writerow(list(row.values()) + [f"{core[number]:.1f}"] + readings + [place, time, bench["by"], ""])
