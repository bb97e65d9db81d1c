"""Risks of a normal production against a lower limit, by quadrature over the true value (JCGM 106:2012, 9.5), checked
against the bivariate normal distribution. scipy 1.17.1, numpy 2.4.6: python compute.py > expected.txt"""
import csv
import math

import numpy as np
from scipy import integrate, stats

for row in csv.DictReader(open("data.csv")):
    case = row.pop("case")
    mean, sd, u, limit, guard, result = (float(value) for value in row.values())
    density = lambda t: stats.norm.pdf(t, mean, sd)

    def over(f, low, high):
        cuts = np.linspace(low, high, 41)
        return sum(integrate.quad(f, a, b, epsabs=1e-15, epsrel=1e-12)[0] for a, b in zip(cuts[:-1], cuts[1:]))

    def risks(cut):
        accept = lambda t: stats.norm.sf((cut - t) / u)
        consumer = over(lambda t: density(t) * accept(t), mean - 12 * sd, limit)
        producer = over(lambda t: density(t) * (1 - accept(t)), limit, mean + 12 * sd)
        both = stats.multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])
        below = stats.norm.cdf(limit, mean, sd)
        assert abs(below - both.cdf([limit, cut]) - consumer) < 1e-6
        return consumer, producer, stats.norm.sf((cut - mean) / math.hypot(sd, u))

    print(f"{case}_conforming = {stats.norm.sf(limit, mean, sd)!r}".replace("np.float64(", "").replace(")", ""))
    for name, cut in (("simple", limit), ("guarded", limit + guard)):
        for what, value in zip(("consumer_risk", "producer_risk", "accepted"), risks(cut)):
            print(f"{case}_{name}_{what} = {float(value)!r}")
    variance = 1 / (1 / sd**2 + 1 / u**2)
    posterior = variance * (mean / sd**2 + result / u**2)
    print(f"{case}_posterior_conforming = {float(stats.norm.sf((limit - posterior) / math.sqrt(variance)))!r}")
