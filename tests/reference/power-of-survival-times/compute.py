"""Profile likelihood of the power of the response in the additive two-way model. Standard library only."""
import csv
import math

rows = list(csv.DictReader(open("data.csv")))
y = [float(r["response"]) for r in rows]
n = len(y)


def rss(z):
    grand = math.fsum(z) / n
    means = {}
    for key in ("poison", "treatment"):
        for level in {r[key] for r in rows}:
            own = [v for v, r in zip(z, rows) if r[key] == level]
            means[key, level] = math.fsum(own) / len(own)
    return math.fsum(
        (v - means["poison", r["poison"]] - means["treatment", r["treatment"]] + grand) ** 2 for v, r in zip(z, rows)
    )


logs = math.fsum(map(math.log, y))


def likelihood(power):
    z = [math.log(v) if abs(power) < 1e-12 else (v**power - 1) / power for v in y]
    return -n / 2 * math.log(rss(z) / n) + (power - 1) * logs


low, high = -2.0, 1.0
for _ in range(200):
    a, b = low + (high - low) / 3, high - (high - low) / 3
    if likelihood(a) < likelihood(b):
        low = a
    else:
        high = b
best = (low + high) / 2
bound = likelihood(best) - 3.841458820694124 / 2


def end(inner, outer):
    for _ in range(200):
        middle = (inner + outer) / 2
        if likelihood(middle) > bound:
            inner = middle
        else:
            outer = middle
    return inner


print(f"power = {best!r}\nlow = {end(best, -3.0)!r}\nhigh = {end(best, 2.0)!r}\ngain = {likelihood(best) - likelihood(1.0)!r}")
