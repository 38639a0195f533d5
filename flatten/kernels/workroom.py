"""The workroom of a block: which rows of its two arrays hold what."""

BLOCK = 1024
"""Returns a block: its numbers stay in the nearest cache."""

PX, PY, PZ, HEIGHT, SQUARE, SLACKS, KEY = (k * BLOCK for k in range(7))
"""Rows of a block's float32 workroom: sensor axes, height, r², the bound on their error, the key.

Rows of one array, and not arrays of their own: their distances are constants, so that the compiler
knows without asking that they do not overlap, and can work on eight returns at a time.
"""
BIN, DOUBT, UNSURE, INSIDE = (k * BLOCK for k in range(4))
"""Rows of its int32 workroom: bin, whether it may be another, left to the exact half, in the reach."""
