# The randomization test of benches/randomization.rs with numpy: 48 runs in 6 blocks, one contrast, one thread.
# Run: python3 benches/peers/randomization.py
import time
import numpy

rng = numpy.random.default_rng(1)
y = (60.0 + rng.standard_normal(48)).reshape(6, 8)
signs = numpy.tile([-1.0, 1.0], (6, 4))
seen = abs((signs * y).sum())
draws, batch, hits = 1_000_000, 20_000, 0
start = time.perf_counter()
for _ in range(draws // batch):
    order = rng.random((batch, 6, 8)).argsort(axis=2)
    drawn = signs[0][order]
    hits += int((abs((drawn * y).sum(axis=(1, 2))) >= seen * (1 - 1e-9)).sum())
seconds = time.perf_counter() - start
print(f"numpy {numpy.__version__}: {draws / seconds:.0f} draws a second, p = {(1 + hits) / (1 + draws):.5f}")
