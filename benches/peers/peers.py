"""The layouts of benches/ in Python: python3 benches/peers/peers.py

Needs numpy and statsmodels. Times are wall-clock seconds of this run; they mean something only beside `cargo bench` on the
same machine.
"""

import time
import warnings

import numpy as np
import statsmodels
import statsmodels.api as sm

warnings.simplefilter("ignore")
rng = np.random.default_rng(7)


def seconds(call, repeats=1):
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return best


print("numpy", np.__version__, "statsmodels", statsmodels.__version__)

# A 32-run split-plot: blocks as groups, whole plots as a variance component.
block = np.repeat(np.arange(4), 8)
plot = np.repeat(np.arange(8), 4)
a = np.where(plot % 2 == 0, 1.0, -1.0)
c = np.where(np.arange(32) % 2 == 0, 1.0, -1.0)
d = np.where(np.arange(32) // 2 % 2 == 0, 1.0, -1.0)
x = np.column_stack([np.ones(32), a, c, d, a * c, a * d, c * d])


def split_plot():
    y = 50 + rng.normal(size=4)[block] + 0.6 * rng.normal(size=8)[plot] + rng.normal(size=32)
    parts = sm.regression.mixed_linear_model.VCSpec(
        ["plot"],
        [[["p0", "p1"]] * 4],
        [[np.kron(np.eye(2), np.ones((4, 1)))] * 4],
    )
    sm.MixedLM(y, x, groups=block, exog_vc=parts).fit(reml=True)


print(f"32-run split-plot, fits a second {10 / seconds(lambda: [split_plot() for _ in range(10)]):.1f}")

# The randomization test of 48 runs in 6 blocks of 8: difference of means over shuffles within blocks.
y = rng.normal(size=(6, 8))
signs = np.tile(np.r_[np.ones(4), -np.ones(4)], (6, 1))
draws = 200_000


def shuffles():
    order = rng.permuted(np.broadcast_to(signs, (draws, 6, 8)), axis=2)
    return np.abs(np.tensordot(order, y, axes=([1, 2], [0, 1]))).max()


print(f"randomization, 48 runs in 6 blocks: {draws / seconds(shuffles, 3) / 1e6:.2f} million draws a second")

# Least squares of a million rows by 37 columns: rows of 256 settings summed up first, then all rows different.
signs = np.array([[1.0 if s >> k & 1 else -1.0 for k in range(8)] for s in range(256)])
pairs = [signs[:, i] * signs[:, j] for i in range(8) for j in range(i)]
settings = np.column_stack([np.ones(256), signs, *pairs])
setting = rng.integers(0, 256, 1_000_000)
many = 70 + setting % 7 + rng.normal(size=1_000_000)


def collapsed():
    counts = np.bincount(setting, minlength=256)
    means = np.bincount(setting, weights=many, minlength=256) / counts
    within = np.bincount(setting, weights=(many - means[setting]) ** 2, minlength=256).sum()
    roots = np.sqrt(counts)
    return np.linalg.lstsq(settings * roots[:, None], means * roots, rcond=None), within


print(f"least squares 1000000 x 37, rows of 256 settings {seconds(collapsed, 3):.3f} s")
big = rng.normal(size=(1_000_000, 37))
response = rng.normal(size=1_000_000)
print(f"least squares 1000000 x 37 by normal equations {seconds(lambda: np.linalg.solve(big.T @ big, big.T @ response), 3):.3f} s")
