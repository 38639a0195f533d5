"""Returns to a polar grid: which lie in which cell, at what distance and height.

A cell's returns are a list, linked through `next_`: nothing is sorted, and nothing that is worked out of a
list depends on its order.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import gather
from flatten.kernels.groups import Listed, Returns, Rules
from flatten.kernels.jit import kernel, part
from flatten.kernels.place import quarter_turns
from flatten.kernels.sift import to_level
from flatten.kernels.workroom import BLOCK, HEIGHT, PX, PY, PZ, SQUARE, X, Y

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.uint8]

SECTORS, RINGS = 120, 64
END = -1
HIGHEST = 1e4
"""Metres; what is higher or lower is no floor."""


@part
def sector_of(x: float, y: float) -> int:
    """Sector of a bearing; sector 0 begins behind, at −π."""
    s = int((quarter_turns(x, y) + 2.0) * (SECTORS / 4.0))
    return s if s < SECTORS else 0


@part
def is_own(x: float, y: float, z: float, rules: Rules) -> bool:
    """Tell whether a return may be of the robot itself: in its outline, and higher than floor can be."""
    inside = rules.back <= x <= rules.front and rules.right <= y <= rules.left
    return inside and z > rules.step


@kernel
def survey(returns: Returns, matrix: Singles, rules: Rules, listed: Listed, work: Singles) -> None:
    """Enter all returns in the lists of their cells; what is not finite, at zero or too far is left out."""
    for c in range(SECTORS * RINGS):
        listed.head[c] = END
    far = rules.cell * RINGS
    for first in range(0, returns.n, BLOCK):
        n = min(BLOCK, returns.n - first)
        gather(first, n, returns, work)
        to_level(n, matrix, work)
        for j in range(n):
            x, y, z = float(work[X + j]), float(work[Y + j]), float(work[HEIGHT + j])
            px, py, pz = work[PX + j], work[PY + j], work[PZ + j]
            r = math.sqrt(float(work[SQUARE + j]))
            is_zero = px == 0.0 and py == 0.0 and pz == 0.0
            if is_zero or not (r < far and abs(z) < HIGHEST) or is_own(x, y, z, rules):  # NaN is not near
                continue
            k = min(int(r / rules.cell), RINGS - 1)
            c, i = sector_of(x, y) * RINGS + k, first + j
            listed.r[i], listed.z[i] = r, z
            listed.next_[i] = listed.head[c]
            listed.head[c] = i
