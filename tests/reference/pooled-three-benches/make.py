"""The invented readings: python3 make.py > data.csv"""
import random

draw = random.Random(7)
print("site,approach,material,instrument,y")
for site, (mean, brisk, soft, spread) in {
    "east": (57.0, 0.9, -1.5, 0.25), "north": (56.2, 0.6, -1.8, 0.20), "south": (57.9, 1.3, -1.1, 0.55)
}.items():
    own = {"A": 0.0, "B": draw.gauss(0, 0.5)}
    for approach in ("slow", "brisk"):
        for material in ("soft", "middle", "hard"):
            for instrument in ("A", "B"):
                for _ in range(2):
                    y = mean + own[instrument] + draw.gauss(0, spread)
                    y += brisk if approach == "brisk" else 0
                    y += {"soft": soft, "middle": 0, "hard": 1.2}[material]
                    print(f"{site},{approach},{material},{instrument},{y:.3f}")
