"""The readings of this invented study, from a seed: python3 simulate.py < plan.csv > filled-sheet.csv

One roller at 57.0 Shore D. Reading 2 s in place of 1 s lowers a reading by 0.8, an offset of 1 mm from the crown line by 0.4
(its square over the diameter, a point for each 0.0254 mm), wiping before the first reading only by 0.1; pace, spacing,
cradle and rest do nothing. Standard deviations: day 0.1, run 0.12, reading 0.35; rounded to the step of the display.
"""

import csv
import random
import sys

draw = random.Random(20260615)
plan = [row for row in csv.DictReader(line for line in sys.stdin if not line.startswith("#"))]
days = {day: draw.gauss(0.0, 0.1) for day in "1234"}
room = {"1": 22.8, "2": 23.1, "3": 22.9, "4": 23.3}
out = csv.writer(sys.stdout, lineterminator="\n")
names = ["run", "day", "moment", "approach", "offset", "wiping", "spacing", "cradle", "rest"]
out.writerow(
    names + ["room_temperature"] + [f"hardness {n}" for n in range(1, 6)] + ["order", "time", "initials", "remark"]
)
minutes = {"1": 8 * 60 + 40, "2": 8 * 60 + 25, "3": 9 * 60 + 5, "4": 8 * 60 + 30}
for row in plan:
    true = 57.0 + days[row["day"]] + draw.gauss(0.0, 0.12)
    true -= 0.8 * (row["moment"] == "2") + 0.4 * (row["offset"] == "1") + 0.1 * (row["wiping"] == "before the first")
    readings = [f"{true + draw.gauss(0.0, 0.35):.1f}" for _ in range(5)]
    clock = minutes[row["day"]]
    minutes[row["day"]] += 11
    time = f"2026-06-{14 + int(row['day'])} {clock // 60:02}:{clock % 60:02}"
    out.writerow([row[name] for name in names] + [room[row["day"]]] + readings + [row["run"], time, "op4", ""])
