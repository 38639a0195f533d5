"""The fast half of what beams witness: which stretch of each beam lies between the two heights.

The drawing is in `witness`, whose `witness` is the exact half. Here many beams go through vector loops in
float32, and along a beam is measured in cells, outward from where it passes the fan's axis closest:

    u = L·(t − tₚ)·cells_per_metre       height(u) = FOOT + SLOPE·u       r(u)² = OFF² + u²

What is witnessed is whole cells, so that rounding matters only where a stretch begins or ends
nearer to the edge of a cell than the bound on the error. Such a beam, and one whose bin is unsure, is
left to the exact half: the answer is the exact one, always. The bounds, with u₀ = 2⁻²⁴ (half a unit
in the last place of float32):

- A height is off by BLUR: the slack of `sift`, and the rounding of the numbers that it is compared with.
  Where a beam that rises by SLOPE a cell passes a height is then off by BLUR/|SLOPE| cells.
- A length is off by RATIO of itself: half of what `sift` says of r², and 8u₀ for the operations here.
- With the sensor beside the axis, `strides` has placed the beam in float64: all this is rounding only.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import BOTTOM, RISE, TOP
from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select, truncate
from flatten.kernels.loads import load_single
from flatten.kernels.pack import whole
from flatten.kernels.sift import SLACK, SQUARE_SLACK
from flatten.kernels.workroom import BIN, DOUBT, FLAG, HEIGHT, PX, PY, PZ, SLACKS, SQUARE

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
INF = F(np.inf)

CELLS = 256
"""Cells of a bin: as many as four words have bits."""

TILE = 256
"""Beams that are taken together: their numbers stay in the nearest cache."""

BEAM_BYTES = 24
"""Of a record that tells where a beam ended and where it began, float32 x, y, z each."""

OFF, FROM, TO, FOOT, SLOPE, BLUR, RATIO, NEAREST = (k * TILE for k in range(8))
"""Rows of a tile's float32 numbers.

How far the beam passes the axis; where it begins and ends, as u; height at u = 0, and what it rises
a cell; what heights along it may be off by, and distances by ratio; where the stretch of the slice
begins, cells from the axis.
"""
EXACT, DROPS, FIRST, BEYOND = (k * TILE for k in range(4))
"""Rows of its int32 numbers.

Whether the exact half must decide; whether the beam ends in a drop; first cell of the stretch of the
slice, and the cell after its last.
"""
NUMBERS, TILE_LANES = 8 * TILE, 4 * TILE

SHORTEST, LONGEST = F(1e-6), F(0.9e12)
"""Squared lengths that are surely beams to `witness`."""
TINY, ROUNDING = F(1e-30), F(2.0**-24)
ZERO, QUARTER, HALF, ONE, TWO, EIGHT = F(0), F(0.25), F(0.5), F(1), F(2), F(8)
MOST = F(CELLS + 0.5)
LEAST = F(1e-9)
"""Cells by which any distance may be off."""
NO, YES, KEEP = np.int32(0), np.int32(1), np.int32(-1)


@part
def heights_that_matter(slices: Numbers, smallest: float) -> tuple[float, float]:
    """Heights of which a beam must reach some to pass between the heights of some slice."""
    lowest, highest = math.inf, -math.inf
    for s in range(slices.shape[0]):
        bottom, top = slices[s, BOTTOM], slices[s, TOP]
        if slices[s, RISE] == 0.0 and bottom + smallest < top:
            top = bottom + smallest
        lowest, highest = min(lowest, bottom), max(highest, top)
    return lowest, highest


@part
def wider(lowest: float, highest: float) -> tuple[np.float32, np.float32]:
    """Give heights in float32 that hold those between two others; these may be infinite."""
    low = F(lowest - 1e-6 * abs(lowest)) if lowest > -INF else -INF
    high = F(highest + 1e-6 * abs(highest)) if highest < INF else INF
    return low, high


@part
def flag_ends(
    n: int, z0: float, m: Singles, lowest: float, highest: float, drop: float, work: Singles, lanes: Lanes
) -> None:
    """Flag the returns whose beams may matter: they reach `lowest` to `highest`, or end below −drop.

    All begin at height z0.
    """
    zx, zy, zz, zt, shift = m[8], m[9], m[10], m[11], m[12]
    low, high = wider(lowest if z0 < lowest else -math.inf, highest if z0 > highest else math.inf)
    brink = F(-drop + 1e-6 * abs(drop))
    for j in range(n):
        px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
        z = fma(zx, px, fma(zy, py, fma(zz, pz, zt)))
        size = abs(px) + abs(py) + abs(pz)
        slack = fma(SLACK, size + shift, TINY)
        out = ((z > high + slack) | (z < low - slack)) & (z > brink + slack)
        lanes[FLAG + j] = select((size > ZERO) & ~out, KEEP, NO)
    for j in range(n, whole(n)):
        lanes[FLAG + j] = NO


@part
def flag_beams(
    n: int, start: int, m: Singles, lowest: float, highest: float, drop: float, work: Singles, lanes: Lanes
) -> None:
    """Do as `flag_ends` for beams that begin where the records from address `start` on say."""
    zx, zy, zz, zt, shift = m[8], m[9], m[10], m[11], m[12]
    low, high = wider(lowest, highest)
    brink = F(-drop + 1e-6 * abs(drop))
    for j in range(n):
        px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
        sx = load_single(start, j * BEAM_BYTES + 12)
        sy = load_single(start, j * BEAM_BYTES + 16)
        sz = load_single(start, j * BEAM_BYTES + 20)
        z = fma(zx, px, fma(zy, py, fma(zz, pz, zt)))
        z0 = fma(zx, sx, fma(zy, sy, fma(zz, sz, zt)))
        size = abs(px) + abs(py) + abs(pz)
        slack = fma(SLACK, size + (abs(sx) + abs(sy) + abs(sz)) + shift, TINY)
        above, below = (z > high + slack) & (z0 > high + slack), (z < low - slack) & (z0 < low - slack)
        out = (above | below) & (z > brink + slack)
        lanes[FLAG + j] = select((size > ZERO) & ~out, KEEP, NO)
    for j in range(n, whole(n)):
        lanes[FLAG + j] = NO


@part
def aim_level(
    n: int,
    z0: np.float32,
    drop: np.float32,
    cells_per_metre: np.float32,
    work: Singles,
    lanes: Lanes,
    kept: Lanes,
    room: Singles,
) -> None:
    """Describe the beams of a tile in their own terms where the sensor is on the fan's axis."""
    for k in range(n):
        z, square, slack = work[HEIGHT + k], work[SQUARE + k], work[SLACKS + k]
        b, doubtful = lanes[BIN + k], lanes[DOUBT + k] != 0
        inverse = ONE / F(math.sqrt(square))
        length = square * inverse * cells_per_metre
        near_brink = abs(z + drop) <= slack + TWO * ROUNDING * drop + TINY
        sure = (square > SHORTEST) & (square < LONGEST) & (abs(z) < INF) & ~doubtful & ~near_brink
        drops = z < -drop
        pointless = drops & (z0 <= ZERO)
        room[OFF + k], room[FROM + k] = ZERO, ZERO
        room[TO + k] = select(sure & (b >= 0) & ~pointless, length, -ONE)
        room[FOOT + k] = z0
        room[SLOPE + k] = (z - z0) / length
        room[BLUR + k] = slack + EIGHT * ROUNDING * abs(z)
        room[RATIO + k] = SQUARE_SLACK * slack * slack * inverse * inverse + F(16) * ROUNDING
        kept[DROPS + k] = select(drops & sure, YES, NO)
        kept[EXACT + k] = select(sure | ((b < 0) & ~doubtful), NO, YES)


@part
def between(
    low: np.float32, high: np.float32, foot: np.float32, slope: np.float32, floor: np.float32, cap: np.float32
) -> tuple[np.float32, np.float32]:
    """Narrow [low, high] to where foot + slope·u lies between floor and cap; NaN where it is unclear."""
    inverse = ONE / slope
    at_floor, at_cap, rising = (floor - foot) * inverse, (cap - foot) * inverse, slope >= ZERO
    enters, leaves = select(rising, at_floor, at_cap), select(rising, at_cap, at_floor)
    return select(low > enters, low, enters), select(high < leaves, high, leaves)


@part
def to_cells(near: np.float32, far: np.float32, tolerance: np.float32) -> tuple[np.int32, np.int32, bool]:
    """First cell of [near, far] and the cell after its last, rounded inward; and whether both are sure."""
    near, far = select(near < MOST, near, MOST), select(far < MOST, far, MOST)
    far = select(far > ZERO, far, ZERO)
    a, z = truncate(near), truncate(far)
    over, under = select(near > ZERO, near - F(a), HALF), far - F(z)
    sure = (over > tolerance) & (over < ONE - tolerance) & (under > tolerance) & (under < ONE - tolerance)
    return np.int32(a + select(near > ZERO, YES, NO)), z, sure


@part
def sum_of_heights(
    s: int, slices: Numbers, smallest: float, beside: float, aloft: float, cells_per_metre: float
) -> float:
    """Sum of the sizes of the heights that `stretch` compares in slice s."""
    farthest = CELLS / cells_per_metre + beside
    faces = abs(slices[s, BOTTOM]) + abs(slices[s, TOP]) + smallest + slices[s, RISE] * farthest
    return float(faces + aloft)


@part
def stretch(
    n: int,
    s: int,
    slices: Numbers,
    smallest: float,
    beside: float,
    aloft: float,
    cells_per_metre: float,
    kept: Lanes,
    room: Singles,
) -> None:
    """Find the cells from FIRST to before BEYOND in which each beam of a tile is between the two heights.

    They begin at most `beside` metres beside the fan's axis, and `aloft` metres above or below height 0.
    """
    rising, askew = slices[s, RISE] > 0.0, beside > 0.0
    bottom, top, rise = F(slices[s, BOTTOM]), F(slices[s, TOP]), F(slices[s, RISE] / cells_per_metre)
    cap = F(slices[s, BOTTOM] + smallest)
    cap = cap if rising or cap < top else top
    blur = EIGHT * ROUNDING * F(sum_of_heights(s, slices, smallest, beside, aloft, cells_per_metre))
    least = LEAST + EIGHT * ROUNDING * F(beside * cells_per_metre)
    for k in range(n):
        off, foot, slope = abs(room[OFF + k]), room[FOOT + k], room[SLOPE + k]
        # what lies past the floor plane is beyond an edge
        brink = select(kept[DROPS + k] != 0, ZERO, -INF)
        if rising:
            low, high = between(room[FROM + k], room[TO + k], foot, slope, brink, top)
            low, high = between(low, high, foot, slope - rise, bottom + rise * off, cap)
            spread = abs(ONE / slope) + abs(ONE / (slope - rise))
        else:
            floor = select(brink > bottom, brink, bottom)
            low, high = between(room[FROM + k], room[TO + k], foot, slope, floor, cap)
            spread = abs(ONE / slope)
        near, far = low, high
        if askew:
            near, far = F(math.sqrt(off * off + low * low)), F(math.sqrt(off * off + high * high))
            near = select(
                near < HALF, HALF, near
            )  # it passes the axis, if only by a hair: cell 0 is not whole
        tolerance = fma(
            room[BLUR + k] + blur, spread, fma(room[RATIO + k], select(far < MOST, far, MOST), least)
        )
        a, z, sure = to_cells(near, far, tolerance)
        nothing = (high < low + HALF) & (tolerance < QUARTER)  # not one whole cell
        some = (high >= low + HALF) & (tolerance < QUARTER) & sure
        room[NEAREST + k] = near
        kept[FIRST + k], kept[BEYOND + k] = a, select(some, z, NO)
        kept[EXACT + k] |= select(some | nothing, NO, YES)
