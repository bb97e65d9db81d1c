# Repeats a draw from its description in tests/draw/README.md, in plain Python (3.11, standard library only).
# Prints the plan.csv of the small study in tests/plan.rs, or of the one under rules in tests/order/rules.rs:
#   python3 tests/draw/repeat.py > tests/draw/repeated.csv
#   python3 tests/draw/repeat.py rules > tests/draw/repeated-rules.csv
# or the codes of two finishes and the spots of two readings a run on rollers with room for 21, as in tests/order/positions.rs:
#   python3 tests/draw/repeat.py spots > tests/draw/repeated-spots.txt
import hashlib
import itertools
import math
import struct
import sys

PROTOCOL = "0123456789abcdef" * 4
SITE, SEED = "", 20260302
RULES = "rules" in sys.argv
FINISHES = ["turned", "waxed", "ground", "raw"] if RULES else ["turned", "waxed"]
# name, count, units above, factors set on it
UNITS = [
    ("session", 4, [], [("temperature", ["21", "25"])]),
    ("roller", 4, [], [("finish", FINISHES)]),
    ("run", 2, ["session", "roller"], [("instrument", ["A", "B"])]),
]
# The rules: correlation with the order at most, alike in a row at most, carry-over of finish balanced.
CORRELATION, ALIKE = 0.5, 3
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


def draw(suffix):
    places = {}
    for name, n, above, factors in UNITS:
        if factors:
            stream = Stream(f"allocate {name}{suffix}")
            for numbers in itertools.product(*(range(count[u]) for u in above)):
                places[name, numbers] = stream.permutation(n)
    orders = {}
    entries = 1
    for i, (name, n, above, _) in enumerate(UNITS):
        if any(earlier not in above for earlier, _, _, _ in UNITS[:i]):
            stream = Stream(f"visit {name}{suffix}")
            orders[name] = [stream.permutation(n) for _ in range(entries)]
        entries *= n
    if RULES:
        # Finish is the only factor on the roller and has as many levels as there are rollers: squares fit.
        square_rollers(places["roller", ()], orders["roller"], Stream(f"balance roller{suffix}"))
    entered = {name: 0 for name in orders}
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
        order = range(n)
        if name in orders:
            order = orders[name][entered[name]]
            entered[name] += 1
        for number in order:
            walk(depth + 1, {**numbers, name: number})

    walk(0, {})
    return rows


def square_rollers(finish_of, orders, stream):
    k = len(finish_of)
    first = [(j + 1) // 2 if j % 2 else (k - j // 2) % k for j in range(k)]
    square = [[(level + shift) % k for level in first] for shift in range(k)]  # k is even here
    rows = []
    while len(rows) < len(orders):
        names = stream.permutation(k)
        rows += [[names[level] for level in square[row]] for row in stream.permutation(k)][: len(orders) - len(rows)]
    for entry, row in enumerate(stream.permutation(len(orders))):
        orders[entry] = [finish_of.index(level) for level in rows[row]]


def keeps_the_rules(rows):
    columns = [u[0] for u in UNITS[:-1]]
    for depth, (_, _, _, factors) in enumerate(UNITS):
        for factor, levels in factors:
            at = 1 + len(columns) + [f[0] for u in UNITS for f in u[3]].index(factor)
            # Set-ups of the unit: where it, or one declared before it, changes; every row is a run of its own.
            wide = depth + 1
            seen = [
                row[at]
                for i, row in enumerate(rows)
                if depth == len(UNITS) - 1 or i == 0 or rows[i - 1][1 : 1 + wide] != row[1 : 1 + wide]
            ]
            if max(len(list(group)) for _, group in itertools.groupby(seen)) > ALIKE:
                return False
            for level in levels:
                x, y = range(1, len(seen) + 1), [float(s == level) for s in seen]
                mx, my = sum(x) / len(x), sum(y) / len(y)
                both = sum((a - mx) * (b - my) for a, b in zip(x, y))
                size = math.sqrt(sum((a - mx) ** 2 for a in x) * sum((b - my) ** 2 for b in y))
                if abs(both) / size > CORRELATION + 1e-9:
                    return False
    return True


rows = draw("")
number = 1
while RULES and not keeps_the_rules(rows):
    number += 1
    rows = draw(f" try {number}")
if "spots" in sys.argv:
    ROOM, MARKS = 21, 2
    stream = Stream("blind finish")
    numbers = [10 + n for n in stream.permutation(90)]
    print(f"K{numbers[0]} K{numbers[1]}")
    stream = Stream("spots roller")
    spots = {}
    for roller in dict.fromkeys(row[2] for row in rows):
        sectors, start = [], 1
        for sector in range(MARKS):
            length = ROOM // MARKS + (sector < ROOM % MARKS)
            sectors.append([start + n for n in stream.permutation(length)])
            start += length
        for turn, row in enumerate(r for r in rows if r[2] == roller):
            first = stream.below(MARKS)
            spots[row[0]] = [sectors[(first + k) % MARKS][turn] for k in range(MARKS)]
    for row in rows:
        print(*spots[row[0]])
    sys.exit()
print(",".join(["run", *(u[0] for u in UNITS[:-1]), *(f[0] for u in UNITS for f in u[3])]))
for row in rows:
    print(",".join(map(str, row)))
