"""Ways down, out of the returns that end late.

A beam that crosses the height at which floor goes on and ends deeper than `drop` and three times the noise
of ranges below it passed where floor would have stopped it. That alone is no way down: floor may fall where
it is not seen. Let i be the last return of the floor before the crossing c, and j the late one.

- As no floor is steeper than `slope`, j is beyond an edge if it lies deeper than slope · (j − i) below i. In
  front of a sensor H high every edge up to H/slope shows so (2.1 m for 0.78 m and 20°), as the line of sight
  over it is steeper than floor can be.
- Farther off a crest could hide floor that falls steeply. If i and c are next to each other (GAP), nothing
  but the edge itself hides what lies between i and j. There an edge is believed up to CAUTIOUS if the floor
  would have to bend by more than BEND at i. If i and c are not next to each other, something low may stand
  between them, and floor may fall in its shadow: then only the first rule holds.
- Returns one above the other are of a face (the far side of a ditch): no slope explains them.
- Where returns of the floor lie beyond c and before j, j is mirrored (wet ground), and tells nothing.

Two late returns that crossed close together make an edge, or one with another in a sector beside it; it is at
i, the last floor that can be driven on.

From H above the floor, the far wall of a ditch w wide at a distance R is seen H·w/R deep (similar
triangles); so an edge is known of within R = H·w/(drop + 0.09 m), and an edge with a far lower floor or
none within reach where that floor is seen, R/H times its depth behind the edge.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Edges, Listed, Rings, Rules, Surface
from flatten.kernels.jit import part
from flatten.kernels.outward import FLOOR, WIDTH
from flatten.kernels.survey import PART, SECTORS

Numbers = npt.NDArray[np.float64]

NOISE = 0.06
"""Three times the noise of ranges, metres."""
ROUGH = 0.02
"""Metres by which floor is rough, and its fit is off."""
CAUTIOUS = 3.4
"""Metres within which an edge is believed that the crest of a steep slope could explain."""
BEND = 0.2126
"""Tangent of 12°, by which floor bends where nothing hides it: few ramps are steeper (1:12 is 4.8°)."""
GAP = 0.5
"""Metres between two returns next to each other, at most."""
OBLIQUE = 0.3
"""Metres by which the floor of a sector may end farther off on one side than on the other."""
FACE = 0.05
"""Metres by which one return stands over another, and is of a face."""
SAME = 0.5
"""Metres within which edges of two frames are the same."""
ALONE, TOLD, MOST = 2.0, 3.0, 8.0
"""Returns that make an edge, in a frame alone and in several; most that are counted."""
BAND = 0.06
"""Metres about the floor within which a return is of the floor."""
SETTLED = 0.6
"""Metres over which the slope of the floor is taken."""
AT, WEIGHT, NEXT_AT, NEXT_WEIGHT = range(4)
"""Rows of what is held: distance of a sector's edge, how much says so, and room to bring both along."""


@part
def continue_floor(s: int, rules: Rules, rings: Rings, cells: Cells, surface: Surface, edges: Edges) -> None:
    """Floor of a sector: as it is seen, straight on from there.

    From one that is seen it is not followed, over a gap, down to what may lie behind an edge.
    """
    last, started = 0, False
    edges.flat[0, s], edges.rise[0, s] = surface.height[0, s], surface.outward[0, s]
    for k in range(1, len(rings.middles)):
        d = rings.middles[k] - rings.middles[last]
        onward = edges.flat[last, s] + d * edges.rise[last, s]
        seen = surface.state[k, s] == FLOOR and surface.broken[k, s] == 0
        follows = last == k - 1 or not started or surface.height[k, s] > onward - rules.drop
        if seen and follows:
            started = started or cells.on[k * SECTORS + s] > 0
            before = k
            while before > 0 and rings.middles[k] - rings.middles[before] < SETTLED:
                before -= 1
            edges.flat[k, s], last = surface.height[k, s], k
            run = rings.middles[k] - rings.middles[before]
            edges.rise[k, s] = (edges.flat[k, s] - edges.flat[before, s]) / run
        else:
            edges.flat[k, s], edges.rise[k, s] = onward, edges.rise[last, s]


@part
def flat_at(k: int, s: int, r: float, aside: float, rings: Rings, surface: Surface, edges: Edges) -> float:
    """Height of that floor at a place in a cell."""
    return edges.flat[k, s] + (r - rings.middles[k]) * edges.rise[k, s] + aside * surface.across[k, s]


@part
def find_reach(n: int, rings: Rings, listed: Listed, surface: Surface, edges: Edges) -> None:
    """Find the farthest return of each cell that is on that floor."""
    edges.reach[:, :] = 0.0
    for i in range(n):
        k = listed.cell[i] // SECTORS
        s = listed.cell[i] - k * SECTORS
        r, z = listed.r[i], listed.z[i]
        on = abs(z - flat_at(k, s, r, listed.aside[i], rings, surface, edges)) <= BAND
        if on and (r > edges.reach[k, s] or (r == edges.reach[k, s] and z < edges.level[k, s])):
            edges.reach[k, s], edges.level[k, s] = r, z


@part
def crossing(
    s: int, r: float, z: float, aside: float, top: float, rings: Rings, surface: Surface, edges: Edges
) -> float:
    """Distance at which the beam from height `top` to (r, z) crosses the floor; inf if nowhere."""
    before = top - float(edges.flat[0, s])
    if before <= 0.0:
        return np.inf
    for k in range(len(rings.middles)):
        end = min(rings.edges[k + 1], r)
        after = top + (z - top) * end / r - flat_at(k, s, end, aside, rings, surface, edges)
        if after <= 0.0:
            return rings.edges[k] + (end - rings.edges[k]) * before / (before - after)
        if end >= r:
            break
        before = after
    return np.inf


@part
def ring_of(r: float, rings: Rings) -> int:
    """Ring of a distance inside the reach, the last one beyond it."""
    at = int(r * (1.0 / PART))
    return int(rings.ring_at[at]) if at < len(rings.ring_at) else len(rings.middles) - 1


@part
def last_floor(s: int, at: float, rings: Rings, edges: Edges) -> int:
    """Cell of the last return of the floor before a crossing; −1 without one."""
    for k in range(ring_of(at + OBLIQUE, rings), -1, -1):
        if 0.0 < edges.reach[k, s] <= at + OBLIQUE:
            return k
    return -1


@part
def goes_on(s: int, at: float, r: float, rings: Rings, edges: Edges) -> bool:
    """Tell whether returns of the floor lie beyond a crossing and before what ended at r."""
    farthest = 0.0
    for k in range(ring_of(at, rings), ring_of(r, rings)):
        farthest = max(farthest, float(edges.reach[k, s]))
    return farthest > at + OBLIQUE


@part
def blur_of(r: float, z: float, top: float) -> float:
    """Metres that noise of ranges and of the floor may put a return below the floor."""
    return ROUGH + NOISE * (top - z) / max(math.sqrt(r * r + (top - z) * (top - z)), 1e-6)


@part
def is_beyond_edge(
    s: int, r: float, z: float, at: float, c: int, face: bool, top: float, rules: Rules, edges: Edges
) -> bool:
    """Tell whether a late return can only lie beyond an edge.

    Its beam crossed the floor at `at`, and the last return of the floor before that is in ring c.
    """
    floor, level, slope = float(edges.reach[c, s]), float(edges.level[c, s]), float(edges.rise[c, s])
    blur = blur_of(r, z, top)
    below, length = level - z, r - floor
    if at - floor <= GAP and floor <= CAUTIOUS:
        steepest = 0.0 if face else min(rules.slope, BEND - min(slope, 0.0))
        return below > steepest * length + blur and below + slope * length > rules.drop + blur
    return below > rules.slope * length + rules.drop + blur


@part
def is_of_face(k: int, s: int, r: float, z: float, rules: Rules, cells: Cells) -> bool:
    """Tell whether another return of the cell stands over this one more steeply than floor rises."""
    next_ = float(cells.next_[k, s]) - z
    if next_ < np.inf and next_ > FACE + rules.slope * abs(float(cells.next_r[k, s]) - r):
        return True
    return float(cells.high[k, s]) - z > FACE + rules.slope * abs(float(cells.high_r[k, s]) - r)


@part
def mark(
    i: int,
    top: float,
    rules: Rules,
    rings: Rings,
    listed: Listed,
    cells: Cells,
    surface: Surface,
    edges: Edges,
) -> None:
    """Mark the last floor before what a return that ended late says is an edge."""
    k = listed.cell[i] // SECTORS
    s = listed.cell[i] - k * SECTORS
    r, z, aside = float(listed.r[i]), float(listed.z[i]), float(listed.aside[i])
    level = flat_at(k, s, r, aside, rings, surface, edges) - rules.drop
    if z > level + NOISE - ROUGH or z >= level - blur_of(r, z, top):  # the blur is ROUGH − NOISE at least
        return
    at = crossing(s, r, z, aside, top, rings, surface, edges)
    if at < r and not goes_on(s, at, r, rings, edges):
        c = last_floor(s, at, rings, edges)
        face = is_of_face(k, s, r, z, rules, cells)
        if c >= 0 and is_beyond_edge(s, r, z, at, c, face, top, rules, edges):
            edges.late[c, s] += 1


@part
def edge_of(s: int, rings: Rings, edges: Edges) -> tuple[float, float]:
    """Distance of the nearest edge of a sector, and how many returns say so, its neighbours' too."""
    left, right = (s + 1) % SECTORS, (s - 1) % SECTORS
    last = len(rings.middles)
    for c in range(last):
        if edges.late[c, s] == 0:
            continue
        found = 0.0
        for k in range(max(0, c - 1), min(last, c + 2)):
            found += edges.late[k, s] + edges.late[k, left] + edges.late[k, right]
        if found >= ALONE:
            return max(float(edges.reach[c, s]), rings.edges[c]), found
    return np.inf, 0.0


@part
def place_after(r: float, turn: float, now_from_last: Numbers) -> tuple[float, float]:
    """Distance and bearing (radians) of what was at (r, turn), after the robot moved."""
    x, y = r * math.cos(turn), r * math.sin(turn)
    now_x = now_from_last[0, 0] * x + now_from_last[0, 1] * y + now_from_last[0, 3]
    now_y = now_from_last[1, 0] * x + now_from_last[1, 1] * y + now_from_last[1, 3]
    return math.sqrt(now_x * now_x + now_y * now_y), math.atan2(now_y, now_x)


@part
def carry_edges(now_from_last: Numbers, edges: Edges) -> None:
    """Bring the edges held to where the robot is now: each goes on to all sectors that its arc is in."""
    for s in range(SECTORS):
        edges.held[NEXT_AT, s], edges.held[NEXT_WEIGHT, s] = np.inf, 0.0
    for s in range(SECTORS):
        if edges.held[WEIGHT, s] <= 0.0:
            continue
        r = float(edges.held[AT, s])
        right, first = place_after(r, (s + 0.01) * WIDTH - math.pi, now_from_last)
        left, last = place_after(r, (s + 0.99) * WIDTH - math.pi, now_from_last)
        a = int((first + math.pi) / WIDTH)
        n = (int((last + math.pi) / WIDTH) - a) % SECTORS
        for j in range(n + 1 if n < SECTORS // 4 else 0):
            t, there = (a + j) % SECTORS, min(left, right)
            if there < edges.held[NEXT_AT, t]:
                edges.held[NEXT_AT, t], edges.held[NEXT_WEIGHT, t] = there, edges.held[WEIGHT, s]
    for s in range(SECTORS):
        edges.held[AT, s], edges.held[WEIGHT, s] = edges.held[NEXT_AT, s], edges.held[NEXT_WEIGHT, s]


@part
def hold(s: int, at: float, weight: float, keep: float, rings: Rings, edges: Edges) -> None:
    """Put what this frame says of a sector's edge, and what frames before said, together."""
    before, held = float(edges.held[AT, s]), float(edges.held[WEIGHT, s]) * keep
    if held > 0.0 and sees_floor(s, before, rings, edges):
        held *= 0.5
    if weight > 0.0 and held > 0.0 and abs(at - before) <= SAME:
        edges.held[AT, s], edges.held[WEIGHT, s] = at, min(weight + held, MOST)
    elif weight > 0.0 and (held < TOLD or at < before):
        edges.held[AT, s], edges.held[WEIGHT, s] = at, min(weight, MOST)
    else:
        edges.held[AT, s], edges.held[WEIGHT, s] = before, held if held > 0.5 else 0.0


@part
def sees_floor(s: int, at: float, rings: Rings, edges: Edges) -> bool:
    """Tell whether a return of the floor lies right behind an edge."""
    k = ring_of(at + OBLIQUE, rings)
    behind = min(k + 1, len(rings.middles) - 1)
    return bool(max(edges.reach[k, s], edges.reach[behind, s]) > at + OBLIQUE)


@part
def find_edges(
    n: int,
    top: float,
    now_from_last: Numbers,
    keep: float,
    rules: Rules,
    rings: Rings,
    listed: Listed,
    cells: Cells,
    surface: Surface,
    edges: Edges,
) -> None:
    """Find the ways down; `top` is the sensor's height.

    Edges of frames before are brought along by `now_from_last` (4, 4) and count `keep` of what they did;
    0 for a frame that stands alone.
    """
    edges.late[:, :] = 0
    for s in range(SECTORS):
        continue_floor(s, rules, rings, cells, surface, edges)
    find_reach(n, rings, listed, surface, edges)
    for i in range(n):
        mark(i, top, rules, rings, listed, cells, surface, edges)
    carry_edges(now_from_last, edges)
    for s in range(SECTORS):
        at, weight = edge_of(s, rings, edges)
        hold(s, at, weight, keep, rings, edges)
        told = edges.held[WEIGHT, s] >= (TOLD if keep > 0.0 else ALONE)
        edges.drops[s] = edges.held[AT, s] if told else np.inf
