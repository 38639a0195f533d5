"""The workroom of a block: which rows of its arrays hold what."""

BLOCK = 1024
"""Returns a block: its numbers stay in the nearest cache."""

WHOLE = 32
"""Loops run over multiples of this many, up to the end of the block: no loop has a slow rest to do."""

PITCH = BLOCK + 16
"""From row to row: with a power of two the same places of all rows would share a few lines of the cache."""

PX, PY, PZ, X, Y, HEIGHT, SQUARE, SLACKS = (k * PITCH for k in range(8))
"""Rows of its float32 workroom: sensor axes, level axes (the third is the height), r², and the bound on
the coordinates' error.

Rows of one array, and not arrays of their own: their distances are constants, so that the compiler
knows without asking that they do not overlap, and can work on eight returns at a time.
"""
SINGLES = 8 * PITCH

FLAG, NUMBER, BIN, DOUBT, LEVEL, NEAR, UNSURE, INSIDE, CELL, OWN = (k * PITCH for k in range(10))
"""Rows of its int32 workroom: whether a return is kept, its number in the block, the bin, whether it may
be another one, how many borders lie below it, whether it is near one, whether it is left to the exact
half, whether it surely lies in a slice and in the reach, the cell of the tables that its key goes to,
and (by the number in the block) whether it may be the robot's own."""
LANES = 10 * PITCH

LOW_HALF, HIGH_HALF = 0, 1
"""A block's keys are one row of 64-bit numbers, made as pairs of 32-bit numbers: return 2·j + half."""

NO, YES = 0, -1
"""What a row that answers a question holds: all bits, as vector comparisons give them."""
