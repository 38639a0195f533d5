"""Ways down, out of the returns that end late.

A beam that crosses the height of the floor and ends more than `drop` and three times the noise of ranges
(3 · 3 cm) below it came through where floor would have stopped it: there is none from the last floor before
the crossing on. Where floor is seen between the crossing and the beam's end, the return is taken for a
mirrored one, below the floor, and not for a way down.

From H above the floor, the far wall of a ditch w wide at a distance R is seen H·w/R deep (similar
triangles); so an edge is known of within R = H·w/(drop + 0.09 m), and an edge with a far lower floor or
none within reach where that floor is seen, R/H times its depth behind the edge.
"""

from __future__ import annotations

import numpy as np

from flatten.kernels.groups import Cells, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.outward import BLUR, CAUTIOUS, DEEP, FLOOR
from flatten.kernels.survey import SECTORS

LATE = 7
VOTES = 1.0


@part
def upper(s: int, c: int, at: int, r: float, rings: Rings, surface: Surface) -> float:
    """Height of the surface of ring `at` in ring c, as it is before a way down."""
    return surface.height[at, s] + (r - rings.middles[at]) * surface.outward[at, s]


@part
def crossing(s: int, r: float, z: float, top: float, rings: Rings, surface: Surface) -> tuple[int, int]:
    """Ring in which the beam from height `top` to (r, z) crosses the floor, and the last one whose floor that is.

    The first is −1 where the beam stays above it.
    """
    at, c = 0, 0
    while c < len(rings.middles) and rings.edges[c] < r:
        at = c if at == c - 1 and surface.broken[c, s] == 0 else at
        end = min(rings.edges[c + 1], r)
        if top + (z - top) * end / r < upper(s, c, at, end, rings, surface):
            return c, at
        c += 1
    return -1, at


@part
def goes_on_behind(
    s: int, c: int, at: int, x: float, r: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface
) -> bool:
    """Tell whether that floor is seen between where a beam crossed it, at x, and its end: then it was mirrored."""
    margin = 0.05 + 0.02 * x
    for k in range(c, len(rings.middles)):
        near = float(cells.low_r[k, s])
        if rings.edges[k] >= r or cells.n[k, s] == 0 or surface.state[k, s] != FLOOR:
            continue
        if x + margin < near < r - margin:
            if float(cells.low[k, s]) > upper(s, k, at, near, rings, surface) - rules.drop:
                return True
    return False


@part
def mark(s: int, k: int, top: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Mark where the beam of a cell's lowest return crossed the floor, if it ends late."""
    if cells.n[k, s] == 0 or not (surface.state[k, s] == DEEP or surface.deep[k, s] > 0.0):
        return
    r, z = float(cells.low_r[k, s]), float(cells.low[k, s])
    c, at = crossing(s, r, z, top, rings, surface)
    if c < 0:
        return
    x = r * (top - upper(s, c, at, rings.middles[c], rings, surface)) / max(top - z, 0.01)
    if goes_on_behind(s, c, at, x, r, rules, rings, cells, surface):
        return
    while at > 0 and (surface.state[at, s] != FLOOR or surface.broken[at, s] != 0):
        at -= 1
    below = upper(s, k, at, r, rings, surface) - z
    safe = rings.edges[at + 1]
    if below > rules.drop + BLUR and (safe < CAUTIOUS or below > rules.drop + rules.slope * (r - safe)):
        surface.room[LATE, c, s] += 1.0


@part
def edge_of(s: int, rings: Rings, cells: Cells, surface: Surface) -> float:
    """Distance of the nearest edge of a sector: that of the farthest return of the floor before it."""
    left, right = (s + 1) % SECTORS, (s - 1) % SECTORS
    late = surface.room[LATE]
    for c in range(len(rings.middles)):
        if late[c, s] == 0.0:
            continue
        votes = 0.0
        for j in range(max(0, c - 1), min(len(rings.middles), c + 2)):
            votes += late[j, s] + late[j, left] + late[j, right]
        if votes >= VOTES:
            at = c
            while at > 0 and (surface.state[at, s] != FLOOR or cells.on[at * SECTORS + s] == 0):
                at -= 1
            return float(cells.reach[at * SECTORS + s]) if cells.on[at * SECTORS + s] > 0 else rings.edges[at]
    return np.inf


@part
def find_edges(top: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Find the ways down; `top` is the sensor's height."""
    surface.room[LATE, :, :] = 0.0
    for s in range(SECTORS):
        for k in range(len(rings.middles)):
            mark(s, k, top, rules, rings, cells, surface)
    for s in range(SECTORS):
        surface.drops[s] = edge_of(s, rings, cells, surface)
