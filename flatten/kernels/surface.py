"""The floor as one surface: near to what the returns say, and bending as little as that allows.

What is minimised, over the heights at the middles of all cells: the squares of what they are off the returns'
heights, weighted; of how much slopes change from ring to ring; and of how much a cell lies off its neighbours at
the sides. Across a break nothing is asked for. Along every sector that is a band of five, which is solved at
once, for all sectors side by side; the sides follow by repeating it.
What lies above the surface by more than a hand's breadth has no say, and what lies below always has: things
stand on a floor, and nothing but a ghost lies under it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Listed, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.outward import DEEP, FLOOR, NONE, THING, WIDTH, is_upright, lean, off, under_robot
from flatten.kernels.survey import SECTORS

Numbers = npt.NDArray[np.float64]

BENDS = 0.02
"""Square of what slopes change by over a metre."""
ROUGH = 0.015
"""Metres that a lowest return lies off the surface."""
BAND = 0.05
DAMPED = 0.6
DIAGONAL, FIRST, SECOND, RIGHT, PULL = 1, 2, 3, 4, 5


@part
def aim(k: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Set what the lowest returns of a ring ask for."""
    firm = 1.0 / (ROUGH * ROUGH)
    for s in range(SECTORS):
        surface.weight[k, s] = 0.0
        if surface.state[k, s] == FLOOR and cells.n[k, s] > 0:
            above = off(
                k, s, float(cells.low_r[k, s]), float(cells.low_aside[k, s]), float(cells.low[k, s]), rings, surface
            )
            surface.target[k, s] = surface.height[k, s] + above
            surface.weight[k, s] = firm


@part
def judge_again(k: int, rings: Rings, cells: Cells, rules: Rules, surface: Surface) -> None:
    """Say anew what the lowest returns of a ring are, by the surface."""
    for s in range(SECTORS):
        if cells.n[k, s] == 0 or surface.deep[k, s] > 0.0:
            continue
        above = off(
            k, s, float(cells.low_r[k, s]), float(cells.low_aside[k, s]), float(cells.low[k, s]), rings, surface
        )
        state = surface.state[k, s]
        if state == FLOOR and above > BAND:
            surface.state[k, s] = THING
        elif (state == THING and above < 0.03) or (state == DEEP and above > -BAND):
            surface.state[k, s] = FLOOR


@part
def pull_aside(k: int, rules: Rules, rings: Rings, surface: Surface) -> None:
    """Enter what a ring's cells are pulled to by their neighbours at the sides."""
    room = surface.room
    w = WIDTH * rings.middles[k]
    firm = 4.0 / (BENDS * w * w * w)
    jump = rules.slope * w + rules.step
    height = surface.height
    for s in range(SECTORS):
        left, right = height[k, (s + 1) % SECTORS], height[k, (s - 1) % SECTORS]
        own = height[k, s]
        whole = abs(left - own) < jump and abs(right - own) < jump
        weight = firm if whole else 0.0
        room[DIAGONAL, k, s] = surface.weight[k, s] + weight + 1.0
        room[RIGHT, k, s] = surface.weight[k, s] * surface.target[k, s] + weight * 0.5 * (left + right) + own
        room[FIRST, k, s], room[SECOND, k, s] = 0.0, 0.0


@part
def stiffen(k: int, rings: Rings, surface: Surface) -> None:
    """Enter what a bend at ring k costs, between the rings before and behind it."""
    room = surface.room
    before, behind = rings.middles[k] - rings.middles[k - 1], rings.middles[k + 1] - rings.middles[k]
    p, n = 1.0 / before, 1.0 / behind
    v = 2.0 / (BENDS * (before + behind))
    for s in range(SECTORS):
        whole = v if surface.broken[k, s] == 0 and surface.broken[k + 1, s] == 0 else 0.0
        room[DIAGONAL, k - 1, s] += whole * p * p
        room[DIAGONAL, k, s] += whole * (p + n) * (p + n)
        room[DIAGONAL, k + 1, s] += whole * n * n
        room[FIRST, k - 1, s] -= whole * p * (p + n)
        room[FIRST, k, s] -= whole * n * (p + n)
        room[SECOND, k - 1, s] += whole * p * n


@part
def solve(rings: Rings, surface: Surface) -> None:
    """Solve the bands of all sectors (Cholesky without roots) and go some of the way there."""
    room, last = surface.room, len(rings.middles)
    for k in range(last):
        for s in range(SECTORS):
            d, first = room[DIAGONAL, k, s], room[FIRST, k, s]
            right = room[RIGHT, k, s]
            if k > 0:
                d -= room[DIAGONAL, k - 1, s] * room[FIRST, k - 1, s] ** 2
                first -= room[DIAGONAL, k - 1, s] * room[FIRST, k - 1, s] * room[SECOND, k - 1, s]
                right -= room[FIRST, k - 1, s] * room[RIGHT, k - 1, s]
            if k > 1:
                d -= room[DIAGONAL, k - 2, s] * room[SECOND, k - 2, s] ** 2
                right -= room[SECOND, k - 2, s] * room[RIGHT, k - 2, s]
            room[DIAGONAL, k, s], room[RIGHT, k, s] = d, right
            room[FIRST, k, s] = first / d
            room[SECOND, k, s] = room[SECOND, k, s] / d
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
def tilt(rings: Rings, rules: Rules, surface: Surface) -> None:
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
def relax(times: int, rings: Rings, rules: Rules, surface: Surface) -> None:
    """Let the surface give way to what it is pulled by."""
    last = len(rings.middles)
    for _ in range(times):
        for k in range(last):
            pull_aside(k, rules, rings, surface)
        for k in range(1, last - 1):
            stiffen(k, rings, surface)
        solve(rings, surface)
    tilt(rings, rules, surface)


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
    tilt(rings, rules, surface)
    for _ in range(3):
        for k in range(last):
            aim(k, rules, rings, cells, surface)
        tie_to_tracks(tracks, rules, rings, surface)
        relax(2, rings, rules, surface)
        for k in range(last):
            judge_again(k, rings, cells, rules, surface)


@part
def weigh(n: int, rings: Rings, listed: Listed, cells: Cells, surface: Surface) -> None:
    """Count the returns on the surface, and by how much they lie above it."""
    cells.on[:] = 0
    cells.off[:] = 0
    cells.reach[:] = 0.0
    below = 0
    for i in range(n):
        c = listed.cell[i]
        k, s = c // SECTORS, c % SECTORS
        above = off(k, s, float(listed.r[i]), float(listed.aside[i]), float(listed.z[i]), rings, surface)
        if abs(above) <= BAND:
            cells.on[k, s] += 1
            cells.off[k, s] += int(above * 1e4)
            cells.reach[k, s] = max(cells.reach[k, s], listed.r[i])
        elif above < 0.0:
            below += 1
    surface.tally[0], surface.tally[1] = cells.on.sum(), below


@part
def refine(tracks: Numbers, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Let the surface settle on the means of the returns on it."""
    for k in range(len(rings.middles)):
        for s in range(SECTORS):
            n = float(cells.on[k, s])
            surface.weight[k, s] = 0.0
            if n > 0.0 and surface.state[k, s] != THING:
                surface.target[k, s] = surface.height[k, s] + 1e-4 * cells.off[k, s] / n
                surface.weight[k, s] = min(n, 4.0) / (ROUGH * ROUGH)
                surface.state[k, s] = FLOOR
    tie_to_tracks(tracks, rules, rings, surface)
    relax(2, rings, rules, surface)
