"""The fast half of what beams witness: through which bins a stretch runs, and marking its cells there.

A beam that begins on the fan's axis stays in one bin. One that begins beside it, as the body leans or as
the sensor was elsewhere when the return was taken, and passes the
axis at OFF is at distance r where the bearing differs by α = asin(OFF/r) from that of its direction w,
and it crosses the edges e₀, e₁, … that lie inward of its end at

    1/r = sin(α₀ + q·width)/OFF = cos(q·width)·(e₀ × w)/OFF + sin(q·width)·(e₀ · w)/OFF

So q edges inward is two products with numbers that are the same for all beams, both of them positive, and
float32 is good enough. Only (e₀ × w) and OFF, in which digits cancel, are made in float64: e₀ × w is off
by less than CROSS, which moves the crossing by up to r²·CROSS/OFF. A beam that all but meets the axis
crosses its edges near there, before its stretch begins; where exactly does not matter then.

A bin marks nothing if less than a cell of the beam lies in it. From r₂ to r₁ within one bin,
1/r₁ − 1/r₂ ≤ width/OFF, in cells, so that r₂ − r₁ < 1 where r₂·(r₂ − 1) ≤ OFF/width: below
r₂ = ½ + √(OFF/width) no step is worth taking.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import read_return
from flatten.kernels.groups import Plan, Returns, Tile
from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, join, select, truncate
from flatten.kernels.loads import FLOAT32, FLOAT32_SWAPPED
from flatten.kernels.place import start_of
from flatten.kernels.stretches import (
    BEYOND,
    BLUR,
    CELLS,
    DROPS,
    EIGHT,
    EXACT,
    FIRST,
    FOOT,
    FROM,
    HALF,
    INF,
    LEAST,
    LONGEST,
    MOST,
    NEAREST,
    NO,
    OFF,
    ONE,
    RATIO,
    ROUNDING,
    SHORTEST,
    SLOPE,
    TILE,
    TO,
    TWO,
    YES,
    ZERO,
)
from flatten.kernels.witness import Masks
from flatten.kernels.workroom import BIN, DOUBT, NUMBER, PX, PY, PZ

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32

_BITS = np.arange(CELLS) < np.arange(CELLS + 2)[:, None]
BEFORE: Masks = np.packbits(_BITS, axis=1, bitorder="little").view(np.uint64)
"""(CELLS + 2, words): row k has the bits of the cells before cell k."""

SIDE = 16
"""Beams that are walked side by side."""
MOST_STEPS = 64
"""Beams that run through more bins are left to the exact half."""
WIDEST, FARTHEST_OFF = 0.5, 0.2
"""Widest bin, rad, and greatest product of it and OFF, that the fast half takes: α stays below 60°."""
CROSS = 2e-15
"""More than the rounding of e₀ × w, here and in the exact half, whose vectors have length 1: a few 2⁻⁵³."""
LEAST_OFF, LEAST_SINE = 1e-3, 1e-13
"""Least OFF, as a share of how far beside the axis the beam begins, and of how far from it it ends."""

SINE, COSINE, BLUNT = 0, TILE, 2 * TILE
"""Rows of a tile's float32 numbers, the sign of OFF taken out: (e₀ × w)/OFF, (e₀ · w)/OFF, CROSS/OFF."""
X, Y, Z, X0, Y0, Z0 = (k * TILE for k in range(6))
"""Rows of its float64 numbers: the return in sensor axes, and where its beam begins, in level axes."""
STEPS, DOUBTS, TURNS, CELL = 0, TILE, 2 * TILE, 3 * TILE
"""Rows of its int32 numbers: bins to walk, whether that is unsure, the direction in which they are numbered.

From CELL on for SIDE beams, SIDE numbers a step: the cell in which they cross the inner edge.
"""
STRIDE_NUMBERS, STRIDE_LANES, STRIDE_DOUBLES = 3 * TILE, 3 * TILE + SIDE * MOST_STEPS, 6 * TILE


@part
def load_tile(n: int, first: int, returns: Returns, work: Singles, lanes: Lanes, exact: Numbers) -> None:
    """Load n of the kept returns, in float64."""
    if returns.code in (FLOAT32, FLOAT32_SWAPPED):
        for k in range(n):
            exact[X + k] = np.float64(work[PX + k])
            exact[Y + k] = np.float64(work[PY + k])
            exact[Z + k] = np.float64(work[PZ + k])
    else:
        for k in range(n):
            index = first + lanes[NUMBER + k]
            exact[X + k], exact[Y + k], exact[Z + k] = read_return(index, returns)


@part
def begin_together(m: Numbers, exact: Numbers) -> None:
    """Let all beams of a tile begin at the sensor."""
    for k in range(TILE):
        exact[X0 + k], exact[Y0 + k], exact[Z0 + k] = m[0, 3], m[1, 3], m[2, 3]


@part
def begin_apart(n: int, first: int, returns: Returns, m: Numbers, lanes: Lanes, exact: Numbers) -> float:
    """Load where n beams begin; give how far from the axis, or from the sensor's height, they do at most.

    0 says that all begin at a sensor on the axis; infinity that where is not known of one.
    """
    farthest = 0.0
    for k in range(n):
        x, y, z = start_of(first + lanes[NUMBER + k], returns, m)
        exact[X0 + k], exact[Y0 + k], exact[Z0 + k] = x, y, z
        size = abs(x) + abs(y) + abs(z - m[2, 3])
        size = select(size < math.inf, size, math.inf)
        farthest = select(size > farthest, size, farthest)
    return farthest


@part
def aim_beside(
    n: int,
    m: Numbers,
    drop: float,
    cells_per_metre: float,
    widest_off: float,
    exact: Numbers,
    lanes: Lanes,
    kept: Lanes,
    room: Singles,
) -> None:
    """Describe the beams of a tile in their own terms where they begin beside the fan's axis.

    In float64, because what the beam's bearing is off by grows with r/OFF.
    """
    xx, xy, xz, yx, yy, yz = m[0, 0], m[0, 1], m[0, 2], m[1, 0], m[1, 1], m[1, 2]
    zx, zy, zz, xt, yt, zt = m[2, 0], m[2, 1], m[2, 2], m[0, 3], m[1, 3], m[2, 3]
    cell, least = 1.0 / cells_per_metre, (LEAST_OFF * cells_per_metre) ** 2
    for k in range(n):
        x, y, z = exact[X + k], exact[Y + k], exact[Z + k]
        x0, y0, z0 = exact[X0 + k], exact[Y0 + k], exact[Z0 + k]
        b, doubtful = lanes[BIN + k], lanes[DOUBT + k] != 0
        dx, dy = xx * x + xy * y + xz * z + xt - x0, yx * x + yy * y + yz * z + yt - y0
        z = zx * x + zy * y + zz * z + zt
        square = dx * dx + dy * dy
        inverse = 1.0 / np.float64(math.sqrt(square))
        wx, wy = dx * inverse, dy * inverse
        along, off = (x0 * wx + y0 * wy) * cells_per_metre, (x0 * wy - y0 * wx) * cells_per_metre
        end, slope = square * inverse * cells_per_metre + along, (z - z0) * inverse * cell
        sure = (square > SHORTEST) & (square < LONGEST) & (abs(z) < INF) & ~doubtful
        sure = sure & (off * off >= least * (x0 * x0 + y0 * y0)) & (abs(off) < widest_off)
        sure = sure & (abs(off) > LEAST_SINE * end)
        drops = z < -drop
        pointless = drops & (z0 <= 0.0)
        exact[X + k], exact[Y + k], exact[Z + k] = wx, wy, off
        room[OFF + k], room[SLOPE + k], room[FOOT + k] = F(off), F(slope), F(z0 - slope * along)
        room[FROM + k] = F(select(along > 0.0, along, 0.0))
        room[TO + k] = F(select(sure & (b >= 0) & ~pointless, end, -1.0))
        room[BLUR + k], room[RATIO + k] = EIGHT * ROUNDING * F(abs(z)), EIGHT * TWO * ROUNDING
        kept[DROPS + k] = select(drops & sure, YES, NO)
        kept[EXACT + k] = select(sure | ((b < 0) & ~doubtful), NO, YES)


@part
def face(n: int, edges: Numbers, exact: Numbers, lanes: Lanes, side: Singles) -> None:
    """Tell where the beams of a tile stand to the inner edge of the bin that they end in."""
    for k in range(n):
        off, b = exact[Z + k], lanes[BIN + k]
        inner = np.uint32(select(b < 0, NO, b) + select(off > 0.0, NO, YES))
        inverse = 1.0 / off
        ex, ey, wx, wy = edges[inner, 0], edges[inner, 1], exact[X + k], exact[Y + k]
        side[SINE + k] = F((ex * wy - ey * wx) * inverse)
        side[COSINE + k] = F((ex * wx + ey * wy) * abs(inverse))
        side[BLUNT + k] = F(CROSS * abs(inverse))


@part
def mark_straight(n: int, s: int, lanes: Lanes, kept: Lanes, masks: Masks) -> None:
    """Mark the stretches of a tile's beams, each in the one bin that it runs in."""
    bins = s * masks.shape[1]
    for k in range(n):
        b = select(lanes[BIN + k] < 0, NO, lanes[BIN + k])  # outside the fan its stretch is empty
        join(masks, bins + b, BEFORE, kept[BEYOND + k], kept[FIRST + k])


@part
def count_steps(n: int, n_bins: int, width: float, full: bool, lanes: Lanes, tile: Tile) -> None:
    """Bound the bins that the beams of a tile run through, before they mark nothing more."""
    kept, room, side, steps = tile.kept, tile.room, tile.side, tile.steps
    across, growth, bins, endless = F(1.0 / width), F(1.0001 / width), np.int32(n_bins), F(MOST_STEPS)
    for k in range(n):
        off, near, rising = abs(room[OFF + k]), room[NEAREST + k], room[OFF + k] > ZERO
        ends = HALF + F(0.9999) * F(math.sqrt(off * across))
        sharpest = off / select(near > ends, near, ends)
        # up to 30°, angles differ by less than this more than their sines
        angle = (sharpest - side[SINE + k] * off) * (ONE + F(0.62) * sharpest * sharpest)
        inward = angle > ZERO  # else it does not leave the bin that it ends in
        crossed = select(inward, angle, ZERO) * growth
        more = truncate(select(crossed < endless, crossed, endless)) + np.int32(1)
        wanted = np.int32(YES + select(inward, more, NO))
        there = np.int32(select(rising, np.int32(lanes[BIN + k] + YES), np.int32(bins - lanes[BIN + k])))
        wanted = there if not full and wanted > there else wanted
        some, many = kept[BEYOND + k] > kept[FIRST + k], wanted > MOST_STEPS
        steps[STEPS + k] = select(some & ~many, wanted, NO)
        steps[DOUBTS + k] = select(some & many, YES, NO)
        steps[TURNS + k] = select(rising, np.int32(-1), np.int32(1))


@part
def stride(
    sines: Singles,
    cosines: Singles,
    blunts: Singles,
    firsts: Lanes,
    wanted: Lanes,
    longest: int,
    turns: Singles,
    cells: Lanes,
) -> np.int32:
    """Find the cells in which SIDE beams cross the edges inward of their ends; give 1 if any is unsure.

    Any cell before the `firsts`, from where their stretches begin, is as good as another.
    """
    unsure = np.int32(0)
    for q in range(longest):
        sine, cosine, now, crossed = turns[2 * q], turns[2 * q + 1], F(q), cells[q * SIDE : (q + 1) * SIDE]
        for k in range(SIDE):
            r = ONE / fma(cosine, sines[k], sine * cosines[k])
            ahead = r > ZERO
            r = select(ahead & (r < MOST), r, MOST)
            cell = truncate(r)
            over, tolerance = r - F(cell), fma(r * r, blunts[k], fma(EIGHT * ROUNDING, r, LEAST))
            sure = (over > tolerance) & (over < ONE - tolerance) | (r + tolerance < F(firsts[k]))
            crossed[k] = cell
            unsure = np.int32(unsure | select((sure & ahead) | (now >= F(wanted[k])), NO, YES))
    return unsure


@part
def mark_walk(at: int, n: int, s: int, lanes: Lanes, kept: Lanes, steps: Lanes, masks: Masks) -> None:
    """Mark the stretches of up to SIDE beams, bin after bin, from their ends inward."""
    n_bins = masks.shape[1]
    bins = s * n_bins
    for k in range(n):
        b, turn = np.int64(lanes[BIN + at + k]), np.int64(steps[TURNS + at + k])
        first, z = np.int64(kept[FIRST + at + k]), np.int64(kept[BEYOND + at + k])
        for q in range(np.int64(steps[STEPS + at + k])):
            cell = np.int64(steps[CELL + q * SIDE + k])
            join(masks, bins + b, BEFORE, z, max(cell + 1, first))
            z = min(z, cell)
            b += turn
            b = select(b < 0, n_bins - 1, select(b >= n_bins, 0, b))


@part
def mark_across(n: int, s: int, lanes: Lanes, plan: Plan, masks: Masks, tile: Tile) -> None:
    """Mark the stretches of a tile's beams in all the bins that they run through."""
    kept, side, steps = tile.kept, tile.side, tile.steps
    width = plan.span * math.pi * 0.5 / plan.bins
    count_steps(n, plan.bins, width, plan.span >= 4.0, lanes, tile)
    for k in range(n, n + SIDE if n + SIDE < TILE else TILE):
        steps[STEPS + k] = 0
    for at in range(0, n, SIDE):
        wanted, longest = steps[STEPS + at : STEPS + at + SIDE], np.int32(0)
        for k in range(SIDE):
            longest = max(longest, wanted[k])
        unsure = stride(
            side[SINE + at : SINE + at + SIDE], side[COSINE + at : COSINE + at + SIDE],
            side[BLUNT + at : BLUNT + at + SIDE], kept[FIRST + at : FIRST + at + SIDE], wanted, longest,
            tile.turns, steps[CELL:],
        )  # fmt: skip
        if unsure == 0:
            mark_walk(at, SIDE if at + SIDE < n else n - at, s, lanes, kept, steps, masks)
        else:  # rare: all that are walked beside it go to the exact half too
            for k in range(at, at + SIDE):
                steps[DOUBTS + k] = select(steps[STEPS + k] > 0, YES, steps[DOUBTS + k])
    for k in range(n):
        kept[EXACT + k] |= steps[DOUBTS + k]
