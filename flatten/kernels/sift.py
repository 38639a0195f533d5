"""The fast half: float32, eight returns at a time, sure of nearly all of them and honest about the rest.

Every comparison is made with a bound on the rounding error behind it. A return that lies nearer to a
gate (bin edge, bottom, top, reach) than that bound is *unsure*: it is left to the exact half (`place`,
`gate`, `settle`, float64), one return at a time. So the answer is the exact one, always, and
costs next to nothing more, because one return in a hundred or fewer is unsure.

The bounds, with u = 2⁻²⁴ (half a unit in the last place of float32):

- A coordinate is three fused multiply-adds of rounded coefficients: at most 5u·(|p| + |t|) off,
  and |p| ≤ |x| + |y| + |z| + |t|. Taken is `slack` = 8u·(|x| + |y| + |z| + 2|t|₁), in sensor axes
  or in level ones.
- A bearing is off by slack/r from the coordinates, 1.2e-6 quarter turns from the polynomial
  (measured over all of [0, 1], see tests), and the rounding of numbers up to 8: taken is
  slack/max(|x|, |y|) + TURN_ERROR.
- r² is off by 2√2·r·slack + 3u·r²; as 8u·(|x| + |y|) ≤ slack, 3·slack²/8u + 4u·r² is more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select, truncate
from flatten.kernels.workroom import BIN, DOUBT, HEIGHT, NO, PX, PY, PZ, SLACKS, SQUARE, YES, X, Y

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
U = F(2.0**-24)
SLACK = F(8 * 2.0**-24)
SQUARE_SLACK = F(3 * 2.0**21)
TURN_ERROR = F(2.5e-6)
STEEPEST = F(8.0)
"""Steeper beams than (|z| + 2|t|₁) / max(|x|, |y|) have too uncertain an r² for the fast half."""
ZERO, HALF, ONE, TWO, FOUR = F(0), F(0.5), F(1), F(2), F(4)
NO_LANE, YES_LANE = np.int32(NO), np.int32(YES)
NOWHERE = np.int32(-1)

# atan(q)·2/π = q·R(q²) on [0, 1]: least squares, reweighted towards equal ripples of 1.06e-6
A0, A1, A2 = F(0.6366052627563477), F(-0.21175426244735718), F(0.12321160733699799)
A3, A4, A5 = F(-0.07411933690309525), F(0.033516284078359604), F(-0.007460610941052437)


@part
def to_level(n: int, m: Singles, work: Singles) -> None:
    """Bring n returns from sensor axes to level axes; give r² and the bound on the coordinates' error.

    `m` is (13,): level_from_sensor row by row, then 2|t|₁.
    """
    xx, xy, xz, xt = m[0], m[1], m[2], m[3]
    yx, yy, yz, yt = m[4], m[5], m[6], m[7]
    zx, zy, zz, zt, shift = m[8], m[9], m[10], m[11], m[12]
    for j in range(n):
        px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
        x = fma(xx, px, fma(xy, py, fma(xz, pz, xt)))
        y = fma(yx, px, fma(yy, py, fma(yz, pz, yt)))
        z = fma(zx, px, fma(zy, py, fma(zz, pz, zt)))
        work[X + j], work[Y + j], work[HEIGHT + j] = x, y, z
        work[SQUARE + j] = fma(x, x, y * y)
        work[SLACKS + j] = SLACK * (abs(x) + abs(y) + (abs(z) + shift))


@part
def find_bins(
    n: int,
    shift: np.float32,
    first_turn: np.float32,
    span: np.float32,
    n_bins: np.float32,
    work: Singles,
    lanes: Lanes,
) -> None:
    """Find the bins of n returns in level axes: −1 outside the fan, DOUBT where it may be another one.

    first_turn lies in [−2, 2). What is not finite is sure of nothing.
    """
    scale = n_bins / span
    wrap = FOUR * scale
    for j in range(n):
        x, y = work[X + j], work[Y + j]
        ax, ay = abs(x), abs(y)
        steep = ay > ax
        inverse = ONE / select(steep, ay, ax)
        q = select(steep, ax, ay) * inverse
        s = q * q
        ss = s * s
        turn = q * fma(ss, fma(ss, fma(s, A5, A4), fma(s, A3, A2)), fma(s, A1, A0))
        turn = select(steep, ONE - turn, turn)
        turn = select(x < ZERO, TWO - turn, turn)
        turn = select(y < ZERO, -turn, turn)
        beyond = turn - first_turn
        beyond = select(beyond < ZERO, beyond + FOUR, beyond)
        near_edge = scale * fma(work[SLACKS + j], inverse, TURN_ERROR)
        exact_bin = beyond * scale
        b = truncate(select(exact_bin <= wrap, exact_bin, ZERO))
        from_middle = abs(exact_bin - F(b) - HALF)
        sure = (from_middle < HALF - near_edge) & (exact_bin < wrap - near_edge)
        sure = sure & ((abs(work[HEIGHT + j]) + shift) * inverse < STEEPEST)
        lanes[BIN + j] = select(exact_bin < n_bins, b, NOWHERE)
        lanes[DOUBT + j] = select(sure, NO_LANE, YES_LANE)


@part
def sift(
    n: int,
    m: Singles,
    first_turn: np.float32,
    span: np.float32,
    n_bins: np.float32,
    work: Singles,
    lanes: Lanes,
) -> None:
    """Place n returns: from sensor axes to level axes, and on to bins."""
    to_level(n, m, work)
    find_bins(n, m[12], first_turn, span, n_bins, work, lanes)
