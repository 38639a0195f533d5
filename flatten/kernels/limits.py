"""The floor as it is handed out: where it is not known, the highest that it can be.

From floor that is known on it may rise as steeply as floor may; and it is no higher than the lowest return
of any cell, but a ghost's. Both are bounds that spread from cell to cell; but what lies behind a way down
bounds nothing before it.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.lanes import select
from flatten.kernels.outward import DEEP, FLOOR, WIDTH
from flatten.kernels.survey import SECTORS

Singles = npt.NDArray[np.float32]
Flags = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.float64]

FROM_ALL, BEHIND, SEEN, KNOWN = 1, 2, 3, 4
"""Rows of the room: the bound by all returns, how many ways down lie before a cell, whether floor is seen in
it or beside it, whether its floor is known."""
ASIDE_TIMES = 3
MOST = 0.5
"""Metres above the surface, as it is continued, up to which floor is thought possible."""
FARTHER = 1e3
"""Metres: no bound."""


@part
def close(row: Numbers, ring: Numbers) -> None:
    """Copy a row (SECTORS,) with its ends joined: (SECTORS + 2,), the last before the first."""
    ring[0], ring[SECTORS + 1] = row[SECTORS - 1], row[0]
    for s in range(SECTORS):
        ring[s + 1] = row[s]


@part
def spread_ring(k: int, j: int, rings: Rings, slope: float, bound: Numbers, surface: Surface) -> None:
    """Bound ring k by ring j."""
    d, w = abs(rings.middles[k] - rings.middles[j]), WIDTH * rings.middles[k]
    rise, aslant = slope * d, slope * math.sqrt(d * d + w * w)
    behind, ring, levels = surface.room[BEHIND], surface.ring[0], surface.ring[1]
    close(bound[j], ring)
    close(behind[j], levels)
    for s in range(SECTORS):
        own = behind[k, s]
        ahead = ring[s + 1] + rise + FARTHER * max(0.0, levels[s + 1] - own)
        left = ring[s + 2] + aslant + FARTHER * max(0.0, levels[s + 2] - own)
        right = ring[s] + aslant + FARTHER * max(0.0, levels[s] - own)
        bound[k, s] = min(bound[k, s], ahead, left, right)


@part
def spread_around(k: int, rings: Rings, slope: float, bound: Numbers, surface: Surface) -> None:
    """Bound the cells of a ring by those beside them."""
    rise = slope * WIDTH * rings.middles[k]
    behind, ring, levels = surface.room[BEHIND], surface.ring[0], surface.ring[1]
    close(behind[k], levels)
    for _ in range(ASIDE_TIMES):
        close(bound[k], ring)
        for s in range(SECTORS):
            left = ring[s + 2] + FARTHER * max(0.0, levels[s + 2] - levels[s + 1])
            right = ring[s] + FARTHER * max(0.0, levels[s] - levels[s + 1])
            bound[k, s] = min(bound[k, s], min(left, right) + rise)


@part
def spread_bound(rings: Rings, slope: float, bound: Numbers, surface: Surface) -> None:
    """Spread a bound over all cells: outward, and back."""
    last = len(rings.middles)
    for k in range(last):
        if k:
            spread_ring(k, k - 1, rings, slope, bound, surface)
        spread_around(k, rings, slope, bound, surface)
    for k in range(last - 2, -1, -1):
        spread_ring(k, k + 1, rings, slope, bound, surface)


@part
def find_known(rings: Rings, surface: Surface) -> None:
    """Floor is known where it is seen, and between where it is seen."""
    last, seen, known, behind = (
        len(rings.middles),
        surface.room[SEEN],
        surface.room[KNOWN],
        surface.room[BEHIND],
    )
    for k in range(last):
        for s in range(SECTORS):
            left, right = s + 1 if s + 1 < SECTORS else 0, s - 1 if s > 0 else SECTORS - 1
            state = surface.state
            any_ = state[k, s] == FLOOR or state[k, left] == FLOOR or state[k, right] == FLOOR
            seen[k, s] = 1.0 if any_ else 0.0
            behind[k, s] = (behind[k - 1, s] if k else 0.0) + (1.0 if surface.broken[k, s] else 0.0)
    for k in range(last):
        a, b, c, d = max(k - 1, 0), max(k - 2, 0), min(k + 1, last - 1), min(k + 2, last - 1)
        for s in range(SECTORS):
            before = seen[k, s] + seen[a, s] + seen[b, s]
            after = seen[k, s] + seen[c, s] + seen[d, s]
            known[k, s] = min(1.0, before) * min(1.0, after)


@part
def bound(rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Find the highest floor that is possible in every cell."""
    last = len(rings.middles)
    find_known(rings, surface)
    from_floor, from_all, known = surface.highest, surface.room[FROM_ALL], surface.room[KNOWN]
    for k in range(last):
        for s in range(SECTORS):
            from_floor[k, s] = surface.height[k, s] if known[k, s] > 0.0 else FARTHER
            is_ghost = surface.state[k, s] == FLOOR and cells.low[k, s] < surface.height[k, s] - rules.step
            counts = cells.n[k, s] > 0 and surface.state[k, s] != DEEP and not is_ghost
            from_all[k, s] = float(cells.low[k, s]) if counts else FARTHER
    spread_bound(rings, rules.slope, from_floor, surface)
    spread_bound(rings, rules.slope, from_all, surface)
    for k in range(last):
        for s in range(SECTORS):
            top = min(from_floor[k, s], from_all[k, s])
            open_ = known[k, s] == 0.0 and top < 0.5 * FARTHER
            most = surface.height[k, s] + MOST
            from_floor[k, s] = min(top, most) if open_ else surface.height[k, s]


@part
def along(s: int, rings: Rings, surface: Surface, cell: float, nodes: Singles) -> None:
    """Heights of a sector at whole cells of what is handed out; before a way down the upper floor."""
    last, k = len(rings.middles), 0
    highest, known = surface.highest, surface.room[KNOWN]
    for j in range(nodes.shape[1]):
        r = j * cell
        while k + 1 < last and rings.middles[k + 1] <= r:
            k += 1
        a = k
        while a > 0 and surface.broken[a, s] != 0 and r < rings.middles[a] + cell:
            a -= 1
        ends = k + 1 < last and known[k, s] > 0.0 and known[k + 1, s] == 0.0
        if a < k or k + 1 >= last or surface.broken[k + 1, s] != 0 or (ends and r <= rings.edges[k + 1]):
            nodes[s, j] = highest[a, s] + surface.outward[a, s] * (r - rings.middles[a])
        else:
            near = rings.edges[k + 1] if ends else rings.middles[k]
            low = highest[k, s] + (surface.outward[k, s] * (near - rings.middles[k]) if ends else 0.0)
            d = rings.middles[k + 1] - near
            nodes[s, j] = low + (highest[k + 1, s] - low) * (r - near) / d


@part
def measure(heights: Singles, cell: float, room: Singles) -> tuple[float, float, float]:
    """Least and greatest height, and the steepest rise from one distance to the next.

    `room` is (3, cells + 1): each distance by itself first, as a least of all is no vector loop.
    """
    low, high, most = room[0], room[1], room[2]
    room[:, :] = 0.0
    for b in range(heights.shape[0]):
        row = heights[b]
        for j in range(heights.shape[1]):
            low[j] = select(row[j] < low[j], row[j], low[j])
            high[j] = select(row[j] > high[j], row[j], high[j])
        for j in range(heights.shape[1] - 1):
            rise = abs(row[j + 1] - row[j])
            most[j] = select(rise > most[j], rise, most[j])
    lowest, highest, steepest = np.float32(0.0), np.float32(0.0), np.float32(0.0)
    for j in range(heights.shape[1]):
        lowest, highest, steepest = min(lowest, low[j]), max(highest, high[j]), max(steepest, most[j])
    return float(lowest), float(highest), float(steepest) / cell


@part
def know_bin(b: int, nearest: int, rings: Rings, cell: float, surface: Surface, known: Flags) -> None:
    """Tell which cells of a bin are known: those of which the nearest sector's floor is."""
    k = 0
    for j in range(known.shape[1]):
        while k + 1 < len(rings.middles) and rings.edges[k + 1] <= (j + 0.5) * cell:
            k += 1
        known[b, j] = 1 if surface.room[KNOWN, k, nearest] > 0.0 else 0


@part
def hand_out(
    places: Singles,
    rules: Rules,
    rings: Rings,
    surface: Surface,
    nodes: Singles,
    heights: Singles,
    known: Flags,
) -> tuple[float, float, float]:
    """Hand the floor out bin by bin; give its least and greatest height and its steepest rise.

    Between two sectors it is a plane, but where that would be steeper than floor: there it is the higher one.
    `nodes` is (SECTORS + 3, cells + 1), three rows of it room to work in.
    """
    cells = nodes.shape[1] - 1
    cell = rules.far / cells
    for s in range(SECTORS):
        along(s, rings, surface, cell, nodes)
    step, lateral = np.float32(rules.step), np.float32(1.5 * rules.slope * WIDTH * cell)
    before = -1  # the sector that is nearest to the bin before: its cells are the same
    for b in range(len(places)):
        s = int(places[b])
        w = places[b] - np.float32(s)
        s = s if s < SECTORS else 0
        t = s + 1 if s + 1 < SECTORS else 0
        here, there, row = nodes[s], nodes[t], heights[b]
        for j in range(cells + 1):
            one, other = here[j], there[j]
            rise = other - one
            higher = select(one > other, one, other)
            row[j] = select(abs(rise) < step + lateral * np.float32(j), one + w * rise, higher)
        nearest = s if w < np.float32(0.5) else t
        if nearest == before:
            for j in range(cells):
                known[b, j] = known[b - 1, j]
        else:
            know_bin(b, nearest, rings, cell, surface, known)
        before = nearest
    return measure(heights, cell, nodes[SECTORS:])
