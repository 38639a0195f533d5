"""Blind zones: which returns belong to the robot itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import part
from flatten.kernels.place import GOOD, SWALLOWED

Numbers = npt.NDArray[np.float64]

BOX, CYLINDER, SECTOR = 0, 1, 2
"""Kinds of zone, column 0 of a zone row; the other columns by kind:

    BOX       1 x low, 2 x high, 3 y low, 4 y high
    CYLINDER  1 x, 2 y of the axis, 3 largest square of the distance from it
    SECTOR    1 x, 2 y of the apex, 3–4 direction of the first edge, 5–6 of the last edge,
              7 one if wider than half a turn (else zero), 8 least, 9 largest square of the distance
    all       10 z low, 11 z high
"""

COLUMNS = 12


@part
def in_sector(zones: Numbers, k: int, x: float, y: float) -> bool:
    """Tell whether (x, y) lies in zone k, a sector, borders included.

    Two cross products instead of an angle: z of first × p and p × last tell the side of each edge.
    """
    px, py = x - zones[k, 1], y - zones[k, 2]
    square = px * px + py * py
    if square < zones[k, 8] or square > zones[k, 9]:
        return False
    past_first = zones[k, 3] * py - zones[k, 4] * px
    before_last = px * zones[k, 6] - py * zones[k, 5]
    if zones[k, 7] == 0.0:
        return past_first >= 0.0 and before_last >= 0.0
    return past_first >= 0.0 or before_last >= 0.0


@part
def in_zone(zones: Numbers, k: int, x: float, y: float, z: float) -> bool:
    """Tell whether a return at (x, y, z) of the body frame lies in zone k, borders included."""
    if z < zones[k, 10] or z > zones[k, 11]:
        return False
    if zones[k, 0] == BOX:
        return zones[k, 1] <= x <= zones[k, 2] and zones[k, 3] <= y <= zones[k, 4]
    if zones[k, 0] == CYLINDER:
        px, py = x - zones[k, 1], y - zones[k, 2]
        return px * px + py * py <= zones[k, 3]
    return in_sector(zones, k, x, y)


@part
def swallow(
    n: int, points: Numbers, body_from_sensor: Numbers, zones: Numbers, fates: npt.NDArray[np.uint8]
) -> int:
    """Mark the returns of a block of n that lie in any of the zones (k, 12); give their number.

    `points` (3, …) are in sensor axes, `body_from_sensor` is (3, 4).
    """
    m = body_from_sensor
    swallowed = 0
    for j in range(n):
        if fates[j] != GOOD:
            continue
        px, py, pz = points[0, j], points[1, j], points[2, j]
        x = m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3]
        y = m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3]
        z = m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3]
        for k in range(zones.shape[0]):
            if in_zone(zones, k, x, y, z):
                fates[j] = SWALLOWED
                swallowed += 1
                break
    return swallowed
