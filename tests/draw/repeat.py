# Repeats a draw from its description in DEVELOPERS.md, in plain Python (3.11, standard library only).
# Prints the plan.csv of the small study in tests/plan.rs:
#   python3 tests/draw/repeat.py > tests/draw/repeated.csv
import hashlib
import itertools
import struct

PROTOCOL = "0123456789abcdef" * 4
SITE, SEED = "", 20260302
# name, count, units above, factors set on it
UNITS = [
    ("session", 4, [], [("temperature", ["21", "25"])]),
    ("roller", 4, [], [("finish", ["turned", "waxed"])]),
    ("run", 2, ["session", "roller"], [("instrument", ["A", "B"])]),
]
MASK = 0xFFFFFFFF


def block(key, counter):
    state = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574, *struct.unpack("<8I", key), counter & MASK, counter >> 32, 0, 0]
    x = state[:]

    def quarter(a, b, c, d):
        for into, other, turn in ((a, (b, d), 16), (c, (d, b), 12), (a, (b, d), 8), (c, (d, b), 7)):
            add, turned = other
            x[into] = (x[into] + x[add]) & MASK
            v = x[turned] ^ x[into]
            x[turned] = ((v << turn) | (v >> (32 - turn))) & MASK

    for _ in range(10):
        for column in range(4):
            quarter(column, 4 + column, 8 + column, 12 + column)
        for d in range(4):
            quarter(d, 4 + (d + 1) % 4, 8 + (d + 2) % 4, 12 + (d + 3) % 4)
    return struct.pack("<16I", *((a + b) & MASK for a, b in zip(x, state)))


class Stream:
    def __init__(self, purpose):
        name = f"wellrun draw 1\nprotocol {PROTOCOL}\nsite {SITE}\nseed {SEED}\n{purpose}\n"
        key = hashlib.sha256(name.encode()).digest()
        self.words = (w for c in itertools.count() for (w,) in struct.iter_unpack("<Q", block(key, c)))

    def below(self, m):
        while True:
            p = next(self.words) * m
            if p % 2**64 >= (2**64 - m) % m:
                return p >> 64

    def permutation(self, n):
        a = list(range(n))
        for i in range(n - 1, 0, -1):
            j = self.below(i + 1)
            a[i], a[j] = a[j], a[i]
        return a


count = {name: n for name, n, _, _ in UNITS}
places = {}
for name, n, above, factors in UNITS:
    if factors:
        stream = Stream(f"allocate {name}")
        for numbers in itertools.product(*(range(count[u]) for u in above)):
            places[name, numbers] = stream.permutation(n)
visits = {}
for i, (name, _, above, _) in enumerate(UNITS):
    if any(earlier not in above for earlier, _, _, _ in UNITS[:i]):
        visits[name] = Stream(f"visit {name}")

rows = []


def walk(depth, numbers):
    if depth == len(UNITS):
        levels = []
        for name, _, above, factors in UNITS:
            if factors:
                combinations = list(itertools.product(*(f[1] for f in factors)))
                place = places[name, tuple(numbers[u] for u in above)][numbers[name]]
                levels.extend(zip((f[0] for f in factors), combinations[place % len(combinations)]))
        rows.append([len(rows) + 1, *(numbers[u[0]] + 1 for u in UNITS[:-1]), *(level for _, level in levels)])
        return
    name, n = UNITS[depth][0], UNITS[depth][1]
    for number in visits[name].permutation(n) if name in visits else range(n):
        walk(depth + 1, {**numbers, name: number})


walk(0, {})
print(",".join(["run", *(u[0] for u in UNITS[:-1]), *(f[0] for u in UNITS for f in u[3])]))
for row in rows:
    print(",".join(map(str, row)))
