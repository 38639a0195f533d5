"""The floor as it is handed out: where it is not known, the highest that it can be.

From floor that is known on it may rise as steeply as floor may; and it is no higher than the lowest return of
any cell. Both are bounds that spread from cell to cell.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.outward import DEEP, FLOOR, WIDTH
from flatten.kernels.survey import SECTORS

Singles = npt.NDArray[np.float32]
Flags = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.float64]

KNOWN = 6


@part
def spread_ring(k: int, j: int, d: float, slope: float, bound: Numbers) -> None:
    """Bound ring k by ring j, d metres away."""
    aslant = math.sqrt(d * d + 0.0)
    for s in range(SECTORS):
        left, right = bound[j, (s + 1) % SECTORS], bound[j, (s - 1) % SECTORS]
        bound[k, s] = min(bound[k, s], bound[j, s] + slope * d, min(left, right) + slope * aslant)


@part
def spread_around(k: int, w: float, slope: float, bound: Numbers) -> None:
    """Bound the cells of a ring by their neighbours, twice around."""
    for i in range(2 * SECTORS):
        s = i % SECTORS
        bound[k, s] = min(bound[k, s], bound[k, (s - 1) % SECTORS] + slope * w)
    for i in range(2 * SECTORS, 0, -1):
        s = i % SECTORS
        bound[k, s] = min(bound[k, s], bound[k, (s + 1) % SECTORS] + slope * w)


@part
def spread_bound(rings: Rings, rules: Rules, bound: Numbers) -> None:
    """Spread a bound over all cells."""
    last = len(rings.middles)
    for k in range(last):
        if k:
            spread_ring(k, k - 1, rings.middles[k] - rings.middles[k - 1], rules.slope, bound)
        spread_around(k, WIDTH * rings.middles[k], rules.slope, bound)
    for k in range(last - 2, -1, -1):
        spread_ring(k, k + 1, rings.middles[k + 1] - rings.middles[k], rules.slope, bound)
        spread_around(k, WIDTH * rings.middles[k], rules.slope, bound)


@part
def is_between(k: int, s: int, last: int, surface: Surface) -> bool:
    """Tell whether floor is known on both sides of a cell, along or across."""
    before, behind = False, False
    for t in range(-1, 2):
        o = (s + t) % SECTORS
        for d in range(0, 3):
            before = before or (k - d >= 0 and surface.state[k - d, o] == FLOOR)
            behind = behind or (k + d < last and surface.state[k + d, o] == FLOOR)
    return before and behind


@part
def bound(rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Find the highest floor that is possible in every cell."""
    last = len(rings.middles)
    from_floor, from_all, known = surface.highest, surface.room[1], surface.room[KNOWN]
    for k in range(last):
        for s in range(SECTORS):
            is_floor = surface.state[k, s] == FLOOR
            known[k, s] = 1.0 if is_floor or is_between(k, s, last, surface) else 0.0
            from_floor[k, s] = surface.height[k, s] if known[k, s] > 0.0 else np.inf
            from_all[k, s] = np.inf
            if cells.n[k, s] > 0 and surface.state[k, s] != DEEP:
                from_all[k, s] = float(cells.low[k, s])
    spread_bound(rings, rules, from_floor)
    spread_bound(rings, rules, from_all)
    for k in range(last):
        for s in range(SECTORS):
            if known[k, s] > 0.0:
                from_floor[k, s] = surface.height[k, s]
            else:
                top = min(from_floor[k, s], from_all[k, s])
                from_floor[k, s] = top if top < 1e3 else surface.height[k, s]


@part
def along(s: int, rings: Rings, surface: Surface, cell: float, nodes: Singles) -> None:
    """Heights of a sector at whole cells of what is handed out; before a way down the upper floor."""
    last, k = len(rings.middles), 0
    highest = surface.highest
    for j in range(nodes.shape[1]):
        r = j * cell
        while k + 1 < last and rings.middles[k + 1] <= r:
            k += 1
        a = k
        while a > 0 and surface.broken[a, s] != 0 and r < rings.middles[a] + cell:
            a -= 1
        if a < k or k + 1 >= last or surface.broken[k + 1, s] != 0:
            nodes[s, j] = highest[a, s] + surface.outward[a, s] * (r - rings.middles[a])
        else:
            d = rings.middles[k + 1] - rings.middles[k]
            nodes[s, j] = highest[k, s] + (highest[k + 1, s] - highest[k, s]) * (r - rings.middles[k]) / d


@part
def hand_out(
    places: Singles, rules: Rules, rings: Rings, surface: Surface, nodes: Singles, heights: Singles, known: Flags
) -> tuple[float, float, float]:
    """Hand the floor out bin by bin; give its least and greatest height and its steepest rise."""
    cells = nodes.shape[1] - 1
    cell = rules.far / cells
    for s in range(SECTORS):
        along(s, rings, surface, cell, nodes)
    lowest, highest, steepest = 0.0, 0.0, 0.0
    for s in range(SECTORS):
        for j in range(cells + 1):
            height = float(nodes[s, j])
            lowest, highest = min(lowest, height), max(highest, height)
            if j > 0:
                steepest = max(steepest, abs(height - float(nodes[s, j - 1])) / cell)
    steepest = max(steepest, (highest - lowest) / cell)
    for b in range(len(places)):
        s = int(places[b])
        w = places[b] - np.float32(s)
        s, t = s % SECTORS, (s + 1) % SECTORS
        nearest = s if w < 0.5 else t
        for j in range(cells + 1):
            one, other = nodes[s, j], nodes[t, j]
            jump = rules.step + 1.5 * rules.slope * WIDTH * j * cell
            heights[b, j] = one + w * (other - one) if abs(other - one) < jump else max(one, other)
        k = 0
        for j in range(cells):
            while k + 1 < len(rings.middles) and rings.edges[k + 1] <= (j + 0.5) * cell:
                k += 1
            known[b, j] = 1 if surface.room[KNOWN, k, nearest] > 0.0 else 0
    return lowest, highest, steepest
