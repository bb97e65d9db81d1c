"""The readings of this invented study, from a seed: python3 simulate.py > readings.csv

Ten rollers, three operators, two passes: a roller of standard deviation 2.6 about 57.5, an operator of 0.35, an operator
on a roller of 0.15, a reading of 0.40. Three reference blocks, read by every operator on each of six days, with a bias that
grows along the scale. All of it in Shore D, rounded to the step of the display.
"""

import random

draw = random.Random(20260418)
ROLLERS = [f"R{n:02}" for n in range(1, 11)]
OPERATORS = ["JT", "MK", "SB"]
DAYS = range(1, 7)
BLOCKS = {"block 40": (40.2, 0.05), "block 55": (55.3, 0.25), "block 70": (70.1, 0.75)}

roller = {name: draw.gauss(57.5, 2.6) for name in ROLLERS}
operator = {name: draw.gauss(0.0, 0.35) for name in OPERATORS}
joint = {(r, o): draw.gauss(0.0, 0.15) for r in ROLLERS for o in OPERATORS}
day = {d: draw.gauss(0.0, 0.08) for d in DAYS}

print("run,day,operator,piece,order,hardness")
run = 0
for d in DAYS:
    pieces = [(o, b) for o in OPERATORS for b in BLOCKS]
    if d in (1, 4):
        # A pass: each operator meets all rollers in an order of their own.
        for o in OPERATORS:
            order = ROLLERS[:]
            draw.shuffle(order)
            pieces += [(o, r) for r in order]
    for o, piece in pieces:
        if piece in BLOCKS:
            value, bias = BLOCKS[piece]
            reading = value + bias + operator[o] * 0.5 + day[d] + draw.gauss(0.0, 0.15)
        else:
            reading = roller[piece] + operator[o] + joint[piece, o] + day[d] + draw.gauss(0.0, 0.40)
        run += 1
        print(f"{run},{d},{o},{piece},{run},{reading:.1f}")
