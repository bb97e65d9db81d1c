"""Brown-Forsythe and Bartlett by their definitions, tails by Simpson's rule. Standard library only."""
import csv
import math
from statistics import mean, median, variance


def simpson(f, a, b, n=200000):
    h = (b - a) / n
    total = f(a) + f(b)
    for i in range(1, n):
        total += f(a + i * h) * (4 if i % 2 else 2)
    return total * h / 3


def f_upper(x, d1, d2):
    # As a beta integral: P(F > x) = I_{d2/(d2+d1 x)}(d2/2, d1/2); t = u^2 takes the root at 0 away.
    a, b = d2 / 2, d1 / 2
    c = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b))
    top = d2 / (d2 + d1 * x)
    return c * simpson(lambda u: 2 * u ** (2 * a - 1) * (1 - u * u) ** (b - 1), 0.0, math.sqrt(top))


def chi2_upper(x, d):
    c = math.exp(-math.lgamma(d / 2) - d / 2 * math.log(2))
    return 1 - c * simpson(lambda u: 2 * u ** (d - 1) * math.exp(-u * u / 2), 0.0, math.sqrt(x))


groups = {}
for row in csv.DictReader(open("data.csv")):
    groups.setdefault(row["group"], []).append(float(row["value"]))
sets = list(groups.values())
k, n = len(sets), sum(map(len, sets))
distances = [[abs(v - median(s)) for v in s] for s in sets]
grand = mean(d for s in distances for d in s)
between = sum(len(s) * (mean(s) - grand) ** 2 for s in distances) / (k - 1)
within = sum((d - mean(s)) ** 2 for s in distances for d in s) / (n - k)
f = between / within
pooled = sum((len(s) - 1) * variance(s) for s in sets) / (n - k)
t = (n - k) * math.log(pooled) - sum((len(s) - 1) * math.log(variance(s)) for s in sets)
t /= 1 + (sum(1 / (len(s) - 1) for s in sets) - 1 / (n - k)) / (3 * (k - 1))
print(f"brown_forsythe = {f!r}\nbrown_forsythe_p = {f_upper(f, k - 1, n - k)!r}")
print(f"bartlett = {t!r}\nbartlett_p = {chi2_upper(t, k - 1)!r}")
