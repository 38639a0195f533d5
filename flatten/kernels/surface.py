"""The floor as one surface: near to what the returns say, and bending as little as that allows.

What is minimised, over the heights at the middles of all cells: the squares of what they are off the returns'
heights, weighted; of how much slopes change from ring to ring; and of how much a cell lies off its
neighbours at the sides. Across a break nothing is asked for. Along every sector that is a band of five,
which is solved at once, for all sectors side by side; the sides follow by repeating it.
What lies well above the surface has no say, and what lies below has: things stand on a floor, and nothing but
a ghost lies under it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Listed, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.limits import close
from flatten.kernels.outward import DEEP, FLOOR, THING, WIDTH, is_upright, lean, off, under_robot
from flatten.kernels.survey import SECTORS

Numbers = npt.NDArray[np.float64]
F = np.float32

BENDS = 0.02
"""Square of what slopes change by over a metre."""
ROUGH = 0.015
"""Metres that a lowest return lies off the surface."""
BAND, UP = 0.05, 0.035
"""Metres below and above the surface within which a return is of it."""
UNIT = 1e-4
"""Metres: sums are of whole numbers, so that their order changes nothing."""
DAMPED = 0.6
MOSTLY = 0.7
"""Share of a cell's returns from which on it is floor, whatever stands up in it: where noise is all."""
TIMES = 5
DIAGONAL, FIRST, SECOND, RIGHT = 1, 2, 3, 4
"""Rows of the room: the band from its middle on, and the right side."""
BASE, RISE, LEAN, TOP = 0, 1, 2, 3
"""Rows of the cells' planes: height at distance 0 in the middle of the sector, slope, rise across."""


@part
def low_above(k: int, s: int, rings: Rings, cells: Cells, surface: Surface) -> float:
    """How far a cell's lowest return lies above the surface."""
    r, aside, z = float(cells.low_r[k, s]), float(cells.low_aside[k, s]), float(cells.low[k, s])
    return off(k, s, r, aside, z, rings, surface)


@part
def aim(k: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Set what the lowest returns of a ring ask for; what stands in a cell does not lift it."""
    firm = 1.0 / (ROUGH * ROUGH)
    for s in range(SECTORS):
        surface.weight[k, s] = 0.0
        if surface.state[k, s] == FLOOR and cells.n[k, s] > 0:
            above = low_above(k, s, rings, cells, surface)
            if not (above > 0.0 and is_upright(k, s, rules, cells)):
                surface.target[k, s] = surface.height[k, s] + above
                surface.weight[k, s] = firm


@part
def judge_again(k: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Say anew what the lowest returns of a ring are, by the surface."""
    for s in range(SECTORS):
        if cells.n[k, s] == 0 or surface.broken[k, s] != 0:
            continue
        above = low_above(k, s, rings, cells, surface)
        state = surface.state[k, s]
        if state == FLOOR and above > (UP if is_upright(k, s, rules, cells) else rules.step):
            surface.state[k, s] = THING
        elif (state == THING and above < (0.03 if is_upright(k, s, rules, cells) else rules.step)) or (
            state == DEEP and above > -BAND
        ):
            surface.state[k, s] = FLOOR


@part
def pull_aside(k: int, rules: Rules, rings: Rings, surface: Surface) -> None:
    """Enter what a ring's cells are pulled to by the returns, and by their neighbours at the sides."""
    w = WIDTH * rings.middles[k]
    firm = min(4.0 / (BENDS * w * w * w), 6.0 / (ROUGH * ROUGH))  # stiffer, it would hardly move in a step
    jump = rules.slope * w + rules.step
    ring, weights, targets = surface.ring[0], surface.weight[k], surface.target[k]
    diagonal, right = surface.room[DIAGONAL, k], surface.room[RIGHT, k]
    first, second = surface.room[FIRST, k], surface.room[SECOND, k]
    close(surface.height[k], ring)
    for s in range(SECTORS):
        own, one, other = ring[s + 1], ring[s], ring[s + 2]
        whole = firm if abs(one - own) < jump and abs(other - own) < jump else 0.0
        diagonal[s] = weights[s] + whole + 1.0
        right[s] = weights[s] * targets[s] + whole * 0.5 * (one + other) + own
        first[s], second[s] = 0.0, 0.0


@part
def stiffen(k: int, rings: Rings, surface: Surface) -> None:
    """Enter what a bend at ring k costs, between the rings before and behind it."""
    room, broken = surface.room, surface.broken
    before, behind = rings.middles[k] - rings.middles[k - 1], rings.middles[k + 1] - rings.middles[k]
    p, n = 1.0 / before, 1.0 / behind
    v = 2.0 / (BENDS * (before + behind))
    for s in range(SECTORS):
        whole = v if broken[k, s] == 0 and broken[k + 1, s] == 0 else 0.0
        room[DIAGONAL, k - 1, s] += whole * (p * p)
        room[DIAGONAL, k, s] += whole * ((p + n) * (p + n))
        room[DIAGONAL, k + 1, s] += whole * (n * n)
        room[FIRST, k - 1, s] -= whole * (p * (p + n))
        room[FIRST, k, s] -= whole * (n * (p + n))
        room[SECOND, k - 1, s] += whole * (p * n)


@part
def eliminate(k: int, room: npt.NDArray[np.float64]) -> None:
    """Take out of ring k what the two before hold of it (Cholesky without roots, all sectors at once)."""
    for s in range(SECTORS):
        d, first, right = room[DIAGONAL, k, s], room[FIRST, k, s], room[RIGHT, k, s]
        if k > 0:
            held = room[DIAGONAL, k - 1, s] * room[FIRST, k - 1, s]
            d -= held * room[FIRST, k - 1, s]
            first -= held * room[SECOND, k - 1, s]
            right -= room[FIRST, k - 1, s] * room[RIGHT, k - 1, s]
        if k > 1:
            d -= room[DIAGONAL, k - 2, s] * room[SECOND, k - 2, s] * room[SECOND, k - 2, s]
            right -= room[SECOND, k - 2, s] * room[RIGHT, k - 2, s]
        inverse = 1.0 / d
        room[DIAGONAL, k, s], room[RIGHT, k, s] = d, right
        room[FIRST, k, s] = first * inverse
        room[SECOND, k, s] = room[SECOND, k, s] * inverse


@part
def solve(rings: Rings, surface: Surface) -> None:
    """Solve the bands of all sectors and go some of the way there."""
    room, last = surface.room, len(rings.middles)
    for k in range(last):
        eliminate(k, room)
    for k in range(last - 1, -1, -1):
        for s in range(SECTORS):
            x = room[RIGHT, k, s] / room[DIAGONAL, k, s]
            if k + 1 < last:
                x -= room[FIRST, k, s] * room[RIGHT, k + 1, s]
            if k + 2 < last:
                x -= room[SECOND, k, s] * room[RIGHT, k + 2, s]
            room[RIGHT, k, s] = x
            surface.height[k, s] += DAMPED * (x - surface.height[k, s])


@part
def tilt(rings: Rings, surface: Surface) -> None:
    """Slopes of all cells, out of their heights."""
    last = len(rings.middles)
    for k in range(last):
        for s in range(SECTORS):
            a = k - 1 if k > 0 and surface.broken[k, s] == 0 else k
            b = k + 1 if k + 1 < last and surface.broken[k + 1, s] == 0 else k
            d = rings.middles[b] - rings.middles[a]
            surface.outward[k, s] = (surface.height[b, s] - surface.height[a, s]) / d if d > 0.0 else 0.0
        lean(k, surface)


@part
def relax(times: int, rules: Rules, rings: Rings, surface: Surface) -> None:
    """Let the surface give way to what it is pulled by."""
    last = len(rings.middles)
    for _ in range(times):
        for k in range(last):
            pull_aside(k, rules, rings, surface)
        for k in range(1, last - 1):
            stiffen(k, rings, surface)
        solve(rings, surface)
    tilt(rings, surface)


@part
def tie_to_tracks(tracks: Numbers, rules: Rules, rings: Rings, surface: Surface) -> None:
    """Under the robot the floor is the plane that it stands on."""
    k = 0
    while k < len(rings.middles) and rings.middles[k] < rules.front - rules.back + rules.left - rules.right:
        for s in range(SECTORS):
            if under_robot(k, s, rules, rings):
                surface.target[k, s] = tracks[0, s] + tracks[1, s] * rings.middles[k]
                surface.weight[k, s] = 1.0 / 0.02**2
        k += 1


@part
def fit(tracks: Numbers, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Let the surface settle on the lowest returns."""
    last = len(rings.middles)
    tilt(rings, surface)
    for _ in range(TIMES):
        for k in range(last):
            aim(k, rules, rings, cells, surface)
        tie_to_tracks(tracks, rules, rings, surface)
        relax(2, rules, rings, surface)
        for k in range(last):
            judge_again(k, rules, rings, cells, surface)


@part
def lay_planes(rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Write down every cell's plane, as float32 and side by side, and forget what was counted."""
    for k in range(len(rings.middles)):
        for s in range(SECTORS):
            c = k * SECTORS + s
            surface.planes[BASE, c] = surface.height[k, s] - rings.middles[k] * surface.outward[k, s]
            surface.planes[RISE, c] = surface.outward[k, s]
            surface.planes[LEAN, c] = surface.across[k, s]
            surface.planes[TOP, c] = UP if is_upright(k, s, rules, cells) else rules.step
            cells.on[c], cells.off[c] = 0, 0


@part
def weigh(n: int, rules: Rules, rings: Rings, listed: Listed, cells: Cells, surface: Surface) -> None:
    """Count the returns on the surface, and by how much they lie above it."""
    lay_planes(rules, rings, cells, surface)
    planes = surface.planes
    total, below = 0, 0
    for i in range(n):
        c, r = listed.cell[i], listed.r[i]
        above = listed.z[i] - (planes[BASE, c] + r * planes[RISE, c] + listed.aside[i] * planes[LEAN, c])
        if above < F(-BAND):
            below += 1
        elif above <= planes[TOP, c]:
            total += 1
            cells.on[c] += 1
            cells.off[c] += int(above * F(1.0 / UNIT))
    surface.tally[0], surface.tally[1] = total, below


@part
def refine(tracks: Numbers, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Let the surface settle on the means of the returns on it; on what is remembered it stays."""
    for k in range(len(rings.middles)):
        for s in range(SECTORS):
            n = float(cells.on[k * SECTORS + s])
            recalled = n == 0.0 and surface.recalled[k, s] < np.inf and surface.state[k, s] == FLOOR
            lone = n == 0.0 and surface.state[k, s] == FLOOR and cells.n[k, s] > 0
            if lone and not is_upright(k, s, rules, cells):
                surface.target[k, s] = surface.height[k, s] + low_above(k, s, rings, cells, surface)
                surface.weight[k, s] = 1.0 / (ROUGH * ROUGH)
                continue
            surface.weight[k, s] = surface.weight[k, s] if recalled else 0.0
            if n == 0.0 or surface.state[k, s] == THING:
                continue
            surface.state[k, s] = FLOOR
            mean = UNIT * cells.off[k * SECTORS + s] / n
            mostly = n > MOSTLY * cells.n[k, s]
            if mean <= 0.0 or mostly or not is_upright(k, s, rules, cells):
                surface.target[k, s] = surface.height[k, s] + mean
                surface.weight[k, s] = min(n, 4.0) / (ROUGH * ROUGH)
    tie_to_tracks(tracks, rules, rings, surface)
    relax(2, rules, rings, surface)
    for k in range(len(rings.middles)):
        judge_again(k, rules, rings, cells, surface)
