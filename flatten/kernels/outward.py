"""The floor for a start: from the tracks outward, ring by ring.

Every cell speaks through its lowest return. It is taken for floor where it lies near what the rings before
let expect. Higher, it may be a ramp: if nothing upright is seen in the cell, if the cells beside it that are
floor agree, and if the floor goes on rising in the ring behind; a kerb or a pallet is flat there. Lower, it
may be a slope down, or, deeper than any slope, the ground behind an edge: where several say so, and no floor
is seen behind it that goes on as if nothing were (then they are ghosts, mirrored in wet ground).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.survey import SECTORS

Numbers = npt.NDArray[np.float64]

NONE, THING, FLOOR, DEEP, RAMP = 0, 1, 2, 3, 4
"""What a cell's lowest return is: there is none, it stands on the floor, is of it, lies far below it, may be
of a ramp (and is floor from the next ring on)."""
WIDTH = 2.0 * math.pi / SECTORS
NOISE = 0.03
BEND = 0.10
AHEAD = 0.7
"""Metres behind a cell within which a ramp rises on."""
ASIDE = 2
ALIKE = 2
BLUR = 0.09
"""Three times the noise of ranges, metres."""
CAUTIOUS = 3.0
"""Metres within which what lies deep is behind an edge even if a slope could explain it."""
LEVELS, SLOPES, GAPS, HELD, SHUT, FOUND, STEEPNESS = range(7)
"""Rows of what is known of the ring before: its height, slope, metres since floor was seen and how high that
was, from what height on the way is shut; and room for the heights and slopes of the ring in hand."""
EDGE, MAYBE_SLOPE = 1, 2
"""What `broken` says: a way down; while a ring is in hand also one that may be a slope."""


@part
def expect(k: int, rings: Rings, surface: Surface) -> None:
    """What a ring is expected to be: the ring before goes on, and is smoothed a little to the sides."""
    front = surface.room[0]
    d = rings.middles[k] - (rings.middles[k - 1] if k else 0.0)
    for s in range(SECTORS):
        surface.height[k, s] = front[LEVELS, s] + d * front[SLOPES, s]
        surface.outward[k, s] = front[SLOPES, s]
        front[GAPS, s] += d
    lean(k, surface)


@part
def lean(k: int, surface: Surface) -> None:
    """Rise of a ring from sector to sector; the smaller of both sides, so that a break is not smeared."""
    for s in range(SECTORS):
        left = surface.height[k, (s + 1) % SECTORS] - surface.height[k, s]
        right = surface.height[k, s] - surface.height[k, (s - 1) % SECTORS]
        surface.across[k, s] = (
            0.5 * (left + right) if abs(left - right) < 0.1 else left if abs(left) < abs(right) else right
        )


@part
def off(k: int, s: int, r: float, aside: float, z: float, rings: Rings, surface: Surface) -> float:
    """How far a place lies above the surface of its cell."""
    at = surface.height[k, s] + (r - rings.middles[k]) * surface.outward[k, s] + aside * surface.across[k, s]
    return z - at


@part
def is_upright(k: int, s: int, rules: Rules, cells: Cells) -> bool:
    """Tell whether the returns of a cell show a face steeper than floor, higher than half a step."""
    rise = float(cells.high[k, s]) - float(cells.low[k, s])
    run = abs(float(cells.high_r[k, s]) - float(cells.low_r[k, s]))
    return rise > 0.5 * rules.step + 1.5 * (rules.slope + 0.1) * run


@part
def goes_on(k: int, s: int, rise: float, run: float, rules: Rules, rings: Rings, cells: Cells) -> bool:
    """Tell whether behind a cell that rises by so much the floor rises on; the top of a kerb is level."""
    if k + 1 >= len(rings.middles):
        return True
    seen, on = 0, 0
    j = k + 1
    while j < len(rings.middles) and (j == k + 1 or rings.middles[j] - rings.middles[k] < AHEAD):
        for t in range(-1, 2):
            o = (s + t) % SECTORS
            d = float(cells.low_r[j, o]) - float(cells.low_r[k, s])
            if cells.n[j, o] == 0 or d <= 0.0:
                continue
            more = float(cells.low[j, o]) - float(cells.low[k, s])
            seen += 1
            if 0.5 * rise / run * d - 0.02 < more < (rules.slope + 0.1) * d + 0.05:
                on += 1
        j += 1
    return 2 * on > seen or (seen == 0 and rise > 2.0 * rules.step)


@part
def backed(k: int, s: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> bool:
    """Tell whether no floor beside a cell makes it too high to be floor."""
    for t in range(-ASIDE, ASIDE + 1):
        o = (s + t) % SECTORS
        if t == 0 or surface.state[k, o] != FLOOR:
            continue
        along = float(cells.low_r[k, o]) - float(cells.low_r[k, s])
        beside = (t + float(cells.low_aside[k, o]) - float(cells.low_aside[k, s])) * WIDTH * rings.middles[k]
        d = math.sqrt(along * along + beside * beside)
        if float(cells.low[k, s]) - float(cells.low[k, o]) > (rules.slope + 0.02) * d + NOISE:
            return False
    return True


@part
def take(
    k: int,
    s: int,
    r: float,
    aside: float,
    z: float,
    narrow: float,
    rings: Rings,
    cells: Cells,
    surface: Surface,
) -> bool:
    """Let another return stand for a cell, if it lies where floor is expected."""
    if not z < np.inf or abs(off(k, s, r, aside, z, rings, surface)) > narrow:
        return False
    cells.low[k, s], cells.low_r[k, s], cells.low_aside[k, s] = z, r, aside
    surface.state[k, s] = FLOOR
    return True


@part
def take_higher(k: int, s: int, narrow: float, rings: Rings, cells: Cells, surface: Surface) -> bool:
    """Where the lowest return is a ghost in the midst of floor, let a higher one stand for the cell."""
    z, r, aside = float(cells.next_[k, s]), float(cells.next_r[k, s]), float(cells.next_aside[k, s])
    if take(k, s, r, aside, z, narrow, rings, cells, surface):
        return True
    front = surface.room[0]
    z, r = float(cells.high[k, s]), float(cells.high_r[k, s])
    run = r - (rings.middles[k] - front[GAPS, s])
    if run > 1.5 * (rings.edges[k + 1] - rings.edges[k]) + 0.1:
        return False
    return take(k, s, r, 0.0, z, narrow + 0.5 * abs(surface.across[k, s]), rings, cells, surface)


@part
def judge(k: int, s: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Say what a cell's lowest return is, by what is expected."""
    front = surface.room[0]
    if cells.n[k, s] == 0:
        return
    r, z = float(cells.low_r[k, s]), float(cells.low[k, s])
    above = off(k, s, r, float(cells.low_aside[k, s]), z, rings, surface)
    gap = max(0.0, front[GAPS, s] + r - rings.middles[k])
    narrow = NOISE + BEND * gap
    if abs(above) <= narrow:
        surface.state[k, s] = FLOOR
    elif above < 0.0:
        low = front[HELD, s] - rules.slope * gap - 2.0 * NOISE
        is_deep = z - float(cells.low_aside[k, s]) * surface.across[k, s] < low
        near = rings.middles[k] - front[GAPS, s] < CAUTIOUS
        flat = min(front[HELD, s], z - above)  # what rose may well level off unseen
        is_late = near and z < flat - (rules.drop + BLUR)
        surface.state[k, s] = DEEP if is_deep or is_late else FLOOR
        if not take_higher(k, s, narrow, rings, cells, surface) and surface.state[k, s] == DEEP:
            surface.broken[k, s] = 0 if is_deep else MAYBE_SLOPE
    else:
        surface.state[k, s] = THING


@part
def reconsider(k: int, s: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Take what lies higher than expected for a ramp if all speaks for it."""
    front = surface.room[0]
    r, z = float(cells.low_r[k, s]), float(cells.low[k, s])
    gap = max(0.05, front[GAPS, s] + r - rings.middles[k])
    rise = z - float(cells.low_aside[k, s]) * surface.across[k, s] - front[HELD, s]
    if (
        z > front[SHUT, s] - 0.5 * rules.step
        or is_upright(k, s, rules, cells)
        or rise > (rules.slope + 0.02) * gap + NOISE
    ):
        return
    if backed(k, s, rules, rings, cells, surface) and goes_on(k, s, rise, gap, rules, rings, cells):
        surface.state[k, s] = RAMP  # for now, so that its neighbours do not lean on it


@part
def is_edge(k: int, s: int, top: float, rings: Rings, rules: Rules, cells: Cells, surface: Surface) -> bool:
    """Tell whether what lies deep in a cell is the ground behind an edge, and no ghost.

    Floor between where the beam went through and where it ended says that it was mirrored.
    """
    z, r = float(cells.low[k, s]), float(cells.low_r[k, s])
    front = surface.room[0]
    last = rings.middles[k] - front[GAPS, s]
    through = r * (top - front[HELD, s]) / max(top - z, 0.01)
    if last > through + 0.2 + 0.05 * last:
        return False
    alike = 0
    for j in range(max(0, k - 1), min(len(rings.middles), k + 4)):
        for t in range(-ASIDE, ASIDE + 1):
            o = (s + t) % SECTORS
            if cells.n[j, o] == 0 or (j == k and t == 0):
                continue
            along = float(cells.low_r[j, o]) - r
            d = math.sqrt(along * along + (t * WIDTH * r) ** 2)
            if abs(float(cells.low[j, o]) - z) <= rules.slope * d + NOISE:
                alike += 1
    return alike >= ALIKE


@part
def settle_ring(k: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Give a ring its heights: what is seen, between that what lies between, else what was expected."""
    front = surface.room[0]
    height, state = surface.height, surface.state
    for s in range(SECTORS):
        if state[k, s] == RAMP:
            state[k, s] = FLOOR
        surface.target[k, s], surface.weight[k, s] = 0.0, 0.0
        front[FOUND, s] = height[k, s]
        if state[k, s] == FLOOR:
            above = off(
                k,
                s,
                float(cells.low_r[k, s]),
                float(cells.low_aside[k, s]),
                float(cells.low[k, s]),
                rings,
                surface,
            )
            front[FOUND, s] = height[k, s] + above
    for s in range(SECTORS):
        if state[k, s] != FLOOR:
            fill(k, s, surface)
    for s in range(SECTORS):
        height[k, s] = front[FOUND, s]


@part
def fill(k: int, s: int, surface: Surface) -> None:
    """Where no floor is seen, draw it from the nearest on the left to the nearest on the right."""
    front = surface.room[0]
    most = min(10, max(2, int(1.5 / (WIDTH * 0.4 * (k + 1)))))
    left, right = 0, 0
    for t in range(most, 0, -1):
        left = t if surface.state[k, (s + t) % SECTORS] == FLOOR else left
        right = t if surface.state[k, (s - t) % SECTORS] == FLOOR else right
    if left == 0 or right == 0:
        return
    a, b = front[FOUND, (s - right) % SECTORS], front[FOUND, (s + left) % SECTORS]
    front[FOUND, s] = a + (b - a) * right / (left + right)


@part
def move_on(k: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Bring the front to a ring: its heights, and slopes over some way, smoothed to the sides."""
    front = surface.room[0]
    for s in range(SECTORS):
        j = k
        while j > 0 and rings.middles[k] - rings.middles[j] < 0.6 and surface.broken[j, s] == 0:
            j -= 1
        d = rings.middles[k] - rings.middles[j]
        front[STEEPNESS, s] = (
            (surface.height[k, s] - surface.height[j, s]) / d if d > 0.0 else front[SLOPES, s]
        )
    for s in range(SECTORS):
        left, right = (s + 1) % SECTORS, (s - 1) % SECTORS
        slope = 0.5 * front[STEEPNESS, s] + 0.25 * (front[STEEPNESS, left] + front[STEEPNESS, right])
        front[SLOPES, s] = min(max(slope, -rules.slope), rules.slope)
        front[LEVELS, s] = surface.height[k, s]
        if surface.state[k, s] == FLOOR:
            front[GAPS, s] = rings.middles[k] - float(cells.low_r[k, s])
            front[HELD, s] = float(cells.low[k, s]) - float(cells.low_aside[k, s]) * surface.across[k, s]
            front[SHUT, s] = float(cells.low[k, s]) + rules.step if is_upright(k, s, rules, cells) else np.inf
        elif surface.state[k, s] == THING:
            low = float(
                cells.low[k, s]
            )  # the foot of what stands on floor that is as high, or the top of a kerb
            run = max(0.05, front[GAPS, s] + float(cells.low_r[k, s]) - rings.middles[k])
            is_foot = is_upright(k, s, rules, cells) and low - front[HELD, s] < rules.slope * run + NOISE
            front[SHUT, s] = min(front[SHUT, s], low + rules.step if is_foot else low)


@part
def under_robot(k: int, s: int, rules: Rules, rings: Rings) -> bool:
    """Tell whether the middle of a cell lies under the robot."""
    turn = (s + 0.5) * WIDTH - math.pi
    x, y = rings.middles[k] * math.cos(turn), rings.middles[k] * math.sin(turn)
    return rules.back <= x <= rules.front and rules.right <= y <= rules.left


@part
def look_again(k: int, top: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Decide what things and deep returns of a ring are, now that it is filled in from the sides."""
    front = surface.room[0]
    for s in range(SECTORS):  # what was filled in from the sides may be nearer to what is seen
        if surface.state[k, s] == THING:
            r, a, z = float(cells.low_r[k, s]), float(cells.low_aside[k, s]), float(cells.low[k, s])
            above = off(k, s, r, a, z, rings, surface)
            if abs(above) < NOISE and not is_upright(k, s, rules, cells):
                surface.state[k, s] = FLOOR
        elif surface.state[k, s] == DEEP:
            r, a, z = float(cells.low_r[k, s]), float(cells.low_aside[k, s]), float(cells.low[k, s])
            depth = -off(k, s, r, a, z, rings, surface)
            is_slope = surface.broken[k, s] == MAYBE_SLOPE
            surface.broken[k, s] = 0
            if depth < NOISE:
                surface.state[k, s] = FLOOR
            elif is_edge(k, s, top, rings, rules, cells, surface):
                surface.broken[k, s] = EDGE
                surface.state[k, s] = FLOOR
                front[FOUND, s] = z
            elif is_slope:
                surface.state[k, s] = FLOOR
                front[FOUND, s] = surface.height[k, s] - depth
    for s in range(SECTORS):
        surface.height[k, s] = front[FOUND, s]


@part
def grow_ring(k: int, top: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """One ring: expect, judge, reconsider, settle."""
    expect(k, rings, surface)
    for s in range(SECTORS):
        surface.state[k, s], surface.broken[k, s] = NONE, 0
        judge(k, s, rules, rings, cells, surface)
    for s in range(SECTORS):
        if surface.state[k, s] == THING:
            reconsider(k, s, rules, rings, cells, surface)
    settle_ring(k, rules, rings, cells, surface)
    lean(k, surface)
    look_again(k, top, rules, rings, cells, surface)
    move_on(k, rules, rings, cells, surface)


@part
def start(tracks: Numbers, top: float, rules: Rules, rings: Rings, cells: Cells, surface: Surface) -> None:
    """Draw the surface for a start; `tracks` (2, SECTORS) is the plane under them: height and slope."""
    front = surface.room[0]
    for s in range(SECTORS):
        front[LEVELS, s], front[SLOPES, s] = tracks[0, s], tracks[1, s]
        front[GAPS, s], front[HELD, s], front[SHUT, s] = 0.0, tracks[0, s], np.inf
    for k in range(len(rings.middles)):
        grow_ring(k, top, rules, rings, cells, surface)
        for s in range(SECTORS):
            if under_robot(k, s, rules, rings):
                surface.height[k, s] = tracks[0, s] + tracks[1, s] * rings.middles[k]
                surface.state[k, s], surface.broken[k, s] = FLOOR, 0
                front[LEVELS, s], front[SLOPES, s] = surface.height[k, s], tracks[1, s]
                front[GAPS, s], front[HELD, s], front[SHUT, s] = 0.0, surface.height[k, s], np.inf
