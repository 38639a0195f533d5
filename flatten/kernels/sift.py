"""The fast half: float32, eight returns at a time, sure of nearly all of them and honest about the rest.

Every comparison is made with a bound on the rounding error behind it. A return that lies nearer to a
gate (bin edge, bottom, top, reach) than that bound is *unsure*: it is left to the exact half (`place`,
`find_bins`, `gate`, float64), one return at a time. So the answer is the exact one, always, and
costs next to nothing more, because one return in a thousand is unsure.

The bounds, with u = 2⁻²⁴ (half a unit in the last place of float32):

- A coordinate is three fused multiply-adds of rounded coefficients: at most 5u·(|p| + |t|) off,
  and |p| ≤ |x| + |y| + |z| + |t|. Taken is `slack` = 8u·(|x| + |y| + |z| + 2|t|₁).
- A bearing is off by slack/r from the coordinates, 1.2e-6 quarter turns from the polynomial
  (measured over all of [0, 1], see tests), and the rounding of numbers up to 8: taken is
  slack/max(|x|, |y|) + TURN_ERROR.
- r² is off by 2√2·r·slack + 3u·r²; as 8u·(|x| + |y|) ≤ slack, 3·slack²/8u + 4u·r² is more.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select, truncate
from flatten.kernels.workroom import BIN, DOUBT, HEIGHT, INSIDE, KEY, PX, PY, PZ, SLACKS, SQUARE, UNSURE

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
U = F(2.0**-24)
SLACK = F(8 * 2.0**-24)
SQUARE_SLACK = F(3 * 2.0**21)
TURN_ERROR = F(2.5e-6)
STEEPEST = F(8.0)
"""Steeper beams than (|z| + 2|t|₁) / max(|x|, |y|) have too uncertain an r² for the fast half."""
ZERO, ONE, TWO, FOUR, INF, NAN = F(0), F(1), F(2), F(4), F(np.inf), F(np.nan)

# atan(q)·2/π = q·R(q²) on [0, 1]: least squares, reweighted towards equal ripples of 1.06e-6
A0, A1, A2 = F(0.6366052627563477), F(-0.21175426244735718), F(0.12321160733699799)
A3, A4, A5 = F(-0.07411933690309525), F(0.033516284078359604), F(-0.007460610941052437)


@part
def sift(
    n: int,
    matrix: Singles,
    first_turn: np.float32,
    span: np.float32,
    n_bins: np.float32,
    work: Singles,
    lanes: Lanes,
) -> None:
    """Place n returns: level coordinates, r², the bound on the coordinates' error, and the bin.

    `matrix` is (13,): level_from_sensor row by row, then 2|t|₁; first_turn lies in [−2, 2). A bin is −1
    outside the fan; a doubt is 1 where the bin may be another one. Skipped returns come out as NaN,
    sure of nothing.
    """
    scale = n_bins / span
    wrap = FOUR * scale
    xx, xy, xz, xt = matrix[0], matrix[1], matrix[2], matrix[3]
    yx, yy, yz, yt = matrix[4], matrix[5], matrix[6], matrix[7]
    zx, zy, zz, zt = matrix[8], matrix[9], matrix[10], matrix[11]
    size = matrix[12]
    for j in range(n):
        px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
        x = fma(xx, px, fma(xy, py, fma(xz, pz, xt)))
        y = fma(yx, px, fma(yy, py, fma(yz, pz, yt)))
        z = fma(zx, px, fma(zy, py, fma(zz, pz, zt)))
        ax, ay = abs(x), abs(y)
        steep = ay > ax
        inverse = ONE / select(steep, ay, ax)
        q = select(steep, ax, ay) * inverse
        s = q * q
        turn = q * fma(s, fma(s, fma(s, fma(s, fma(s, A5, A4), A3), A2), A1), A0)
        turn = select(steep, ONE - turn, turn)
        turn = select(x < ZERO, TWO - turn, turn)
        turn = select(y < ZERO, -turn, turn)
        beyond = turn - first_turn
        beyond = select(beyond < ZERO, beyond + FOUR, beyond)
        slack = SLACK * (ax + ay + abs(z) + size)
        near_edge = scale * fma(slack, inverse, TURN_ERROR)
        exact_bin = beyond * scale
        good = (exact_bin >= ZERO) & (exact_bin <= wrap)
        b = truncate(select(good, exact_bin, ZERO))
        over = exact_bin - F(b)
        sure = (over > near_edge) & (over < ONE - near_edge) & (exact_bin < wrap - near_edge)
        sure = sure & ((abs(z) + size) * inverse < STEEPEST)
        work[HEIGHT + j] = z
        work[SQUARE + j] = fma(x, x, y * y)
        work[SLACKS + j] = slack
        lanes[BIN + j] = select(exact_bin < n_bins, b, np.int32(-1))
        lanes[DOUBT + j] = select(sure, np.int32(0), np.int32(1))


@part
def find_unsure_of(n: int, bands: Singles, s: int, work: Singles, lanes: Lanes) -> None:
    """Mark the unsure returns of slice s."""
    bottom, top, rise, rounding, near, far = (
        bands[s, 0], bands[s, 1], bands[s, 2], bands[s, 3], bands[s, 4], bands[s, 5]
    )  # fmt: skip
    for j in range(n):
        z, square = work[HEIGHT + j], work[SQUARE + j]
        low = bottom + rise * F(math.sqrt(square)) if rise > ZERO else bottom
        slack = fma(work[SLACKS + j], ONE + TWO * rise, rounding)
        out = (
            (z < low - slack)
            | (z >= top + slack)
            | ((lanes[BIN + j] < 0) & (lanes[DOUBT + j] == 0))
            | math.isnan(z)
        )
        inside = (z >= low + slack) & (z < top - slack) & (lanes[DOUBT + j] == 0)
        tolerance = fma(SQUARE_SLACK * work[SLACKS + j], work[SLACKS + j], FOUR * U * square)
        at_end = (abs(square - near) <= tolerance) | (abs(square - far) <= tolerance)
        lanes[UNSURE + j] |= select(~out & (~inside | at_end), np.int32(1), np.int32(0))


@part
def find_unsure(n: int, bands: Singles, work: Singles, lanes: Lanes) -> None:
    """Mark as UNSURE the returns that may lie in one of the slices, but where or whether is not sure.

    `bands` is (slices, 6): bottom, top, rise, the rounding of these, near² and far².
    """
    for j in range(n):
        lanes[UNSURE + j] = 0
    for s in range(bands.shape[0]):
        find_unsure_of(n, bands, s, work, lanes)


@part
def pick(n: int, bands: Singles, s: int, work: Singles, lanes: Lanes) -> int:
    """Write r² to KEY where a return surely lies in slice s, infinity elsewhere; give how many are in reach.

    INSIDE tells which are in the reach.
    """
    bottom, top, rise, near, far = bands[s, 0], bands[s, 1], bands[s, 2], bands[s, 4], bands[s, 5]
    used = np.int32(0)
    for j in range(n):
        z, square = work[HEIGHT + j], work[SQUARE + j]
        low = bottom + rise * F(math.sqrt(square)) if rise > ZERO else bottom
        member = (z >= low) & (z < top) & (lanes[BIN + j] >= 0) & (lanes[UNSURE + j] == 0)
        work[KEY + j] = select(member, square, INF)
        reached = select(member & (square >= near) & (square <= far), np.int32(1), np.int32(0))
        lanes[INSIDE + j] = reached
        used = np.int32(used + reached)
    return used
