"""Height first: most returns are of no slice, and are gone before anything else is asked of them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.lanes import fma, select
from flatten.kernels.sift import SLACK
from flatten.kernels.workroom import FLAG, NO, OWN, PX, PY, PZ, YES

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
ZERO, INF = F(0), F(np.inf)
NO_LANE, YES_LANE, ONE_LANE = np.int32(NO), np.int32(YES), np.int32(1)


@part
def flag_heights(
    n: int, m: Singles, middle: np.float32, half: np.float32, work: Singles, lanes: Lanes
) -> int:
    """Flag the returns that may lie within `half` of the height `middle`; give how many are no returns.

    No returns are those that are not finite, or at exactly zero; they are not flagged. `m` is as in `sift`.
    """
    zx, zy, zz, zt = m[8], m[9], m[10], m[11] - middle
    returns, infinite = np.int32(0), np.int32(0)
    for j in range(n):
        x, y, z = work[PX + j], work[PY + j], work[PZ + j]
        size = abs(x) + abs(y) + abs(z)
        off = abs(fma(zx, x, fma(zy, y, fma(zz, z, zt))))
        infinite = np.int32(infinite + select(size == INF, ONE_LANE, NO_LANE))
        returns = np.int32(returns + select(size > ZERO, ONE_LANE, NO_LANE))
        lanes[FLAG + j] = select((size > ZERO) & (off < fma(SLACK, size, half)), YES_LANE, NO_LANE)
    if infinite > 0:  # or finite numbers with an infinite sum
        returns = np.int32(returns - look_again(n, work, lanes))
    return n - returns


@part
def look_again(n: int, work: Singles, lanes: Lanes) -> int:
    """Flag the returns of infinite size that are finite, of whatever height; give how many are not."""
    infinite = 0
    for j in range(n):
        x, y, z = work[PX + j], work[PY + j], work[PZ + j]
        if abs(x) + abs(y) + abs(z) == INF:
            finite = math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
            lanes[FLAG + j] = YES if finite else NO
            infinite += 0 if finite else 1
    return infinite


@part
def flag_own(n: int, m: Singles, box: Singles, work: Singles, lanes: Lanes) -> None:
    """Flag what may lie in a blind zone too, and mark it as OWN.

    `m` is body_from_sensor, laid out as in `sift`; `box` (6,) holds all blind zones: the least x, y and z
    of the body frame, and the greatest.
    """
    xx, xy, xz, xt = m[0], m[1], m[2], m[3]
    yx, yy, yz, yt = m[4], m[5], m[6], m[7]
    zx, zy, zz, zt, shift = m[8], m[9], m[10], m[11], m[12]
    for j in range(n):
        px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
        x = fma(xx, px, fma(xy, py, fma(xz, pz, xt)))
        y = fma(yx, px, fma(yy, py, fma(yz, pz, yt)))
        z = fma(zx, px, fma(zy, py, fma(zz, pz, zt)))
        slack = SLACK * (abs(px) + abs(py) + abs(pz) + shift)
        inside = (x >= box[0] - slack) & (y >= box[1] - slack) & (z >= box[2] - slack)
        inside = inside & (x <= box[3] + slack) & (y <= box[4] + slack) & (z <= box[5] + slack)
        own = select(inside & (abs(px) + abs(py) + abs(pz) > ZERO), YES_LANE, NO_LANE)
        lanes[OWN + j] = own
        lanes[FLAG + j] |= own
