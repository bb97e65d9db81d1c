"""Pooled estimates of several sites, by statsmodels where it has them, else by numpy and scipy from the definitions.

Run in this folder: python3 compute.py > expected.toml
"""
import csv

import numpy as np
import scipy
import statsmodels
from scipy import optimize, stats
from statsmodels.stats.meta_analysis import combine_effects

cases = {}
for row in csv.DictReader(open("data.csv")):
    cases.setdefault(row["case"], []).append([float(row[c]) for c in ("estimate", "error", "df")])

print('case = "pooled-sites"')
print('checks = "fixed, DerSimonian-Laird, Paule-Mandel, restricted likelihood, Hartung-Knapp, interval of tau2 from Q, Welch"')
print('source = "three: a worked case of three sites; the others invented"')
print(f'obtained = "compute.py: statsmodels {statsmodels.__version__}, scipy {scipy.__version__}, numpy {np.__version__}"')
print("rel_tol = 1e-8")

for name, rows in cases.items():
    y, u, df = np.array(rows).T
    v, k = u ** 2, len(y)
    w = 1 / v
    print(f"\n[{name}]")

    def out(key, value):
        print(f"{key} = {float(value)!r}")

    moments = combine_effects(y, v, method_re="chi2", use_t=True)
    fixed = moments.mean_effect_fe
    out("fixed", fixed)
    out("fixed_error", np.sqrt(1 / w.sum()))
    out("q", moments.q)
    out("q_p", stats.chi2.sf(moments.q, k - 1))
    out("share", max(0, (moments.q - (k - 1)) / moments.q))

    def mean(t):
        ws = 1 / (v + t)
        return ws, (ws * y).sum() / ws.sum()

    def q_at(t):
        ws, m = mean(t)
        return (ws * (y - m) ** 2).sum()

    # statsmodels gives the untruncated moment estimate; its Paule-Mandel stops at 1e-5, so it is only held against.
    dl = max(0, moments.tau2)
    pm = optimize.brentq(lambda t: q_at(t) - (k - 1), 0, 100, xtol=1e-15, rtol=1e-14) if q_at(0) > k - 1 else 0.0
    iterated = combine_effects(y, v, method_re="pm", use_t=True, atol=1e-12)
    assert abs(pm - max(0, iterated.tau2)) < 1e-4, (pm, iterated.tau2)

    def slope(t):
        ws, m = mean(t)
        return (ws ** 2 * (y - m) ** 2).sum() - (ws.sum() - (ws ** 2).sum() / ws.sum())

    def minus_likelihood(t):
        ws, m = mean(t)
        return 0.5 * (np.log(v + t).sum() + np.log(ws.sum()) + (ws * (y - m) ** 2).sum())

    net = np.concatenate([[0], np.geomspace(1e-9, 100, 20001)])
    best = int(np.argmin([minus_likelihood(t) for t in net]))
    if best == 0:
        reml = 0.0
    else:
        reml = optimize.brentq(slope, net[best - 1], net[best + 1], xtol=1e-15, rtol=1e-14)

    for label, t in (("moments", dl), ("paule_mandel", pm), ("restricted", reml)):
        ws, m = mean(t)
        plain = np.sqrt(1 / ws.sum())
        scatter = np.sqrt((ws * (y - m) ** 2).sum() / ((k - 1) * ws.sum()))
        out(label, t)
        out(f"{label}_mean", m)
        out(f"{label}_plain_error", plain)
        out(f"{label}_scatter_error", scatter)
        reach = stats.t.ppf(0.975, k - 1) * scatter
        out(f"{label}_low", m - reach)
        out(f"{label}_high", m + reach)
        further = stats.t.ppf(0.975, k - 2) * np.sqrt(t + plain ** 2)
        out(f"{label}_further_low", m - further)
        out(f"{label}_further_high", m + further)
    if moments.tau2 > 0:
        assert abs(moments.mean_effect_re - mean(dl)[1]) < 1e-12
        hksj = np.sqrt(moments.scale_hksj_re / (1 / (v + dl)).sum())
        ws, m = mean(dl)
        assert abs(hksj - np.sqrt((ws * (y - m) ** 2).sum() / ((k - 1) * ws.sum()))) < 1e-12

    for label, tail in (("low", 0.975), ("high", 0.025)):
        quantile = stats.chi2.ppf(tail, k - 1)
        end = 0.0
        if q_at(0) > quantile:
            end = optimize.brentq(lambda t: q_at(t) - quantile, 0, 1e5, xtol=1e-15, rtol=1e-14)
        out(f"tau2_{label}", end)

    # Welch 1951, from its definition for means with n - 1 = df.
    total = w.sum()
    lam = ((1 - w / total) ** 2 / df).sum()
    f = (w * (y - fixed) ** 2).sum() / (k - 1) / (1 + 2 * (k - 2) / (k ** 2 - 1) * lam)
    df2 = (k ** 2 - 1) / (3 * lam)
    out("welch", f)
    out("welch_df", df2)
    out("welch_p", stats.f.sf(f, k - 1, df2))
    out("weighted_df", total ** 2 / (w ** 2 / df).sum())
    out("plain", y.mean())
    out("plain_error", np.sqrt(v.sum()) / k)
    out("plain_df", v.sum() ** 2 / (v ** 2 / df).sum())
