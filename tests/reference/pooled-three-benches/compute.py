"""Three sites of one protocol, each fitted by least squares; what they say together, and the joint model with one spread.

statsmodels for the fits; Welch's and Johansen's tests by their definitions in numpy. python3 compute.py > expected.toml
"""
import numpy as np
import pandas as pd
import scipy
import statsmodels
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

data = pd.read_csv("data.csv")
sites = sorted(data.site.unique())
TERMS = "C(approach, Sum) + C(material, Sum) + C(instrument, Sum) + C(approach, Sum):C(material, Sum) + " \
        "C(approach, Sum):C(instrument, Sum) + C(material, Sum):C(instrument, Sum)"
fits = {s: smf.ols("y ~ " + TERMS, data[data.site == s]).fit() for s in sites}

print('case = "pooled-three-benches"')
print('checks = "effects, site by effect, spreads and local factors of three sites with one protocol"')
print('source = "invented readings, make.py"')
print(f'obtained = "compute.py: statsmodels {statsmodels.__version__}, scipy {scipy.__version__}, numpy {np.__version__}"')
print("rel_tol = 1e-8\n\n[expected]")


def out(key, value):
    print(f"{key} = {float(value)!r}")


# Sum coding in the order of names: brisk 1, slow -1. brisk minus slow is twice the coefficient.
values, errors, df = [], [], []
for s in sites:
    fit = fits[s]
    name = "C(approach, Sum)[S.brisk]"
    values.append(2 * fit.params[name])
    errors.append(2 * fit.bse[name])
    df.append(fit.df_resid)
    out(f"approach_{s}", values[-1])
    out(f"approach_error_{s}", errors[-1])
    out(f"level_{s}", fit.params["Intercept"])
    out(f"level_error_{s}", fit.bse["Intercept"])
    out(f"residual_sd_{s}", np.sqrt(fit.mse_resid))
values, errors, df = map(np.array, (values, errors, df))
out("residual_df", df[0])
moments = combine_effects(values, errors ** 2, method_re="chi2", use_t=True)
out("approach_tau_moments", np.sqrt(max(0, moments.tau2)))
out("approach_mean_moments", moments.mean_effect_re)
out("approach_q", moments.q)
apart = values[2] - values[1]
u2 = errors[2] ** 2 + errors[1] ** 2
nu = u2 ** 2 / (errors[2] ** 4 / df[2] + errors[1] ** 4 / df[1])
out("south_less_north", apart)
out("south_less_north_df", nu)
out("south_less_north_p", 2 * stats.t.sf(abs(apart) / np.sqrt(u2), nu))


def johansen(bs, vs, nus):
    ws = [np.linalg.inv(v) for v in vs]
    total = sum(ws)
    middle = np.linalg.solve(total, sum(w @ b for w, b in zip(ws, bs)))
    t = sum((b - middle) @ w @ (b - middle) for w, b in zip(ws, bs))
    a = 0.0
    for w, nu in zip(ws, nus):
        rest = np.eye(len(middle)) - np.linalg.solve(total, w)
        a += 0.5 * (np.trace(rest @ rest) + np.trace(rest) ** 2) / nu
    r = (len(bs) - 1) * len(middle)
    f = t / (r + 2 * a - 6 * a / (r + 2))
    df2 = r * (r + 2) / (3 * a)
    return f, df2, stats.f.sf(f, r, df2)


for term, label in (("C(approach, Sum)", "approach"), ("C(material, Sum)", "material")):
    bs, vs = [], []
    for s in sites:
        names = [n for n in fits[s].params.index if n.startswith(term + "[") and ":" not in n]
        bs.append(fits[s].params[names].values)
        vs.append(fits[s].cov_params().loc[names, names].values)
    f, df2, p = johansen(bs, vs, df)
    out(f"{label}_f", f)
    out(f"{label}_df2", df2)
    out(f"{label}_p", p)
    # One spread: the joint model with and without the columns of site by effect.
    full = smf.ols(f"y ~ C(site, Sum) * ({TERMS})", data).fit()
    names = full.model.exog_names
    dropped = [n for n in names if n.startswith("C(site") and n.count(":") == 1 and term + "[" in n]
    assert len(dropped) == 2 * (1 if label == "approach" else 2)
    without = sm.OLS(full.model.endog, full.model.exog[:, [n not in dropped for n in names]]).fit()
    f, p, _ = full.compare_f_test(without)
    out(f"{label}_f_one_spread", f)
    out(f"{label}_p_one_spread", p)
    if label == "approach":
        out("df_one_spread", full.df_resid)

# Instruments within sites: dropped from every site.
squares = sum(24 * fits[s].params["C(instrument, Sum)[S.A]"] ** 2 for s in sites)
left = sum(fits[s].ssr for s in sites)
total = df.sum()
out("local_mean_square", squares / 3)
out("local_f", squares / 3 / (left / total))
out("local_p", stats.f.sf(squares / 3 / (left / total), 3, total))
out("local_sd", np.sqrt(max(0, (squares / 3 - left / total) / 12)))
variances = np.array([fits[s].mse_resid for s in sites])
t = total * np.log(left / total) - (df * np.log(variances)).sum()
t /= 1 + ((1 / df).sum() - 1 / total) / (3 * 2)
out("bartlett", t)
out("bartlett_p", stats.chi2.sf(t, 2))
out("pooled_sd", np.sqrt(left / total))
