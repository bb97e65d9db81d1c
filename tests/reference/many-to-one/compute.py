# Two-sided many-to-one probabilities P(max |T_i| > q), T_i = (l_i Z + sqrt(1 - l_i^2) E_i) / S, from the definition: Simpson's
# rule over z and over s = sqrt(chi-square / df), the standard library only. Error below 1e-9 of the value on these rows
# (halving both steps changes nothing in the tenth digit). Run: python3 compute.py > data.csv
import math

def Phi(x): return 0.5 * math.erfc(-x / math.sqrt(2.0))
def phi(x): return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)

def simpson(f, a, b, n):
    h = (b - a) / n
    return h / 3.0 * math.fsum((1 if i in (0, n) else 4 if i % 2 else 2) * f(a + i * h) for i in range(n + 1))

def beyond(w, loadings):
    def at(z):
        inside = 1.0
        for l in loadings:
            r = math.sqrt(1.0 - l * l)
            inside *= 1.0 - (Phi((-w - l * z) / r) + Phi((l * z - w) / r))
        return phi(z) * (1.0 - inside)
    return simpson(at, -9.0, 9.0, 360)

def upper(q, loadings, df):
    if df == "inf": return beyond(q, loadings)
    c = 2.0 * (df / 2.0) ** (df / 2.0) / math.gamma(df / 2.0)
    g = lambda s: c * s ** (df - 1) * math.exp(-df * s * s / 2.0)
    top = 1.0 + 9.0 / math.sqrt(2.0 * df)
    return simpson(lambda s: g(s) * beyond(q * s, loadings), 1e-9, top, 240)

half = math.sqrt(0.5)
print("argument,loadings,df,value")
for loadings in ([half] * 2, [half] * 3, [half] * 6, [0.4, 0.6, 0.8], [0.2, 0.2, 0.9, 0.5]):
    for df in (5, 12, 30, "inf"):
        for q in (1.0, 2.2, 3.0):
            print(f"{q},{' '.join(repr(l) for l in loadings)},{df},{upper(q, loadings, df):.12g}")
