"""Blind zones: which returns belong to the robot itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Bins, Frame, Newest, Plan, Returns, Work
from flatten.kernels.jit import part
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.workroom import BIN, DOUBT, HEIGHT, NO, NUMBER, OWN

Numbers = npt.NDArray[np.float64]

NAN = np.float32(np.nan)

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
def in_some_zone(zones: Numbers, x: float, y: float, z: float) -> bool:
    """Tell whether (x, y, z) of the body frame lies in any zone."""
    found = False
    for k in range(zones.shape[0]):
        found = found or in_zone(zones, k, x, y, z)
    return found


@part
def swallow(
    n: int, first: int, returns: Returns, frame: Frame, plan: Plan, bins: Bins, newest: Newest, work: Work
) -> int:
    """Take those of n kept returns that lie in a blind zone out of all slices, and mark their bins.

    Only what the sieve found to be near a zone (OWN) is looked at, and of several frames the newest: zones
    move with the body, and older returns met them where they were then. Gives how many were swallowed.
    """
    swallowed, zones, lanes = 0, plan.zones, work.lanes
    if zones.shape[0] == 0:
        return swallowed
    for j in range(n):
        index = first + lanes[NUMBER + j]
        if lanes[OWN + lanes[NUMBER + j]] == NO or index >= newest.returns:
            continue
        x, y, z = place_return(index, returns, plan.body_from_sensor)
        for k in range(zones.shape[0]):
            if in_zone(zones, k, x, y, z):
                work.singles[HEIGHT + j] = NAN  # of no slice, whatever the bound on its error
                swallowed += 1
                b = np.int64(lanes[BIN + j])
                if lanes[DOUBT + j] != NO:
                    x, y, z = place_return(index, returns, frame.level_from_sensor)
                    b = exact_bin(x, y, plan)
                if b >= 0:
                    bins.blocked[b] = 1
                break
    return swallowed
