# Repeats the draws of treatment sets from their description in tests/draw/README.md, in plain Python (3.11, standard library only).
# Writes the plan.csv of the small studies in tests/treatments.rs:
#   cd tests/draw && python3 repeat-sets.py
import hashlib
import itertools
import struct

PROTOCOL = "0123456789abcdef" * 4
SITE, SEED = "", 20260302
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


def write(name, header, rows):
    with open(f"repeated-{name}.csv", "w", newline="\n") as out:
        out.write(",".join(["run", *header]) + "\n")
        for number, row in enumerate(rows, 1):
            out.write(",".join([str(number), *map(str, row)]) + "\n")


# A half fraction of four factors, d = a b c: the free factors a, b, c in order, the last one fastest.
combinations = []
for a, b, c in itertools.product([-1, 1], repeat=3):
    combinations.append([f"{n} {'high' if v > 0 else 'low'}" for n, v in zip("abcd", (a, b, c, a * b * c))])
write("fraction", "abcd", [combinations[place] for place in Stream("allocate run").permutation(8)])

# Four treatments in six blocks of two: all pairs, in order.
groups = list(itertools.combinations(range(4), 2))
stands_for = Stream("exchange run").permutation(4)
dealt = Stream("deal run").permutation(6)
stream = Stream("allocate run")
rows = []
for number in range(6):
    group = groups[dealt[number] % 6]
    for place in stream.permutation(2):
        rows.append([number + 1, f"a {stands_for[group[place]]}"])
write("blocks", ["block", "a"], rows)

# A latin square of order four: the cyclic one, its rows, columns and letters shuffled. The places cross the subjects, so they
# are visited in an order of their own within each.
stream = Stream("square run")
order_of_rows, order_of_columns, letters = (stream.permutation(4) for _ in range(3))
visit = Stream("visit place")
rows = []
for i in range(4):
    for j in visit.permutation(4):
        rows.append([i + 1, j + 1, f"a {letters[(order_of_rows[i] + order_of_columns[j]) % 4]}"])
write("square", ["subject", "place", "a"], rows)

# Sequences of three treatments: 0, 1, 2 moved on, then each turned round. Places stay in order.
sequences = [[(s + shift) % 3 for s in (0, 1, 2)] for shift in range(3)]
sequences += [list(reversed(s)) for s in sequences]
stream = Stream("sequence run")
letters, dealt = stream.permutation(3), stream.permutation(6)
rows = []
for subject in range(6):
    for place, treatment in enumerate(sequences[dealt[subject]]):
        rows.append([subject + 1, place + 1, f"a {letters[treatment]}"])
write("sequences", ["subject", "place", "a"], rows)

# A half fraction over ovens and the runs in them, c = t m a b: t and m are set on ovens, the rest on runs.
outer = list(itertools.product([-1, 1], repeat=2))
got = [place % 4 for place in Stream("allocate oven").permutation(8)]
stream = Stream("allocate run")
rows = []
for oven in range(8):
    t, m = outer[got[oven]]
    group = sorted((a, b, t * m * a * b) for a, b in itertools.product([-1, 1], repeat=2))
    for place in stream.permutation(4):
        levels = zip("tmabc", (t, m, *group[place]))
        rows.append([oven + 1, *(f"{n} {'high' if v > 0 else 'low'}" for n, v in levels)])
write("split", ["oven", *"tmabc"], rows)
