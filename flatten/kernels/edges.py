"""Ways down, out of the returns that end late; and the floor handed out bin by bin.

A beam that crosses the height of the floor and ends more than `drop` and three times the noise of ranges
(3 · 3 cm) below it came through where floor would have stopped it: there is none from the last floor before
the crossing on. Where floor is seen between the crossing and the beam's end, the return is taken for a
mirrored one, below the floor, and not for a way down.
Beyond the crest of a ramp there may be floor that goes down as steeply as floor may and is not seen for a
while; so from CAUTIOUS on a late return counts where it lies deeper than that, or where it is of a face (the
far side of a ditch) and not of a slope. Nearer, all count: a dock edge looks the same. Two such returns make
an edge, or one with another in a sector beside it; the edge is at the farthest return of the floor before
the crossing.

From H above the floor, the far wall of a ditch w wide at a distance R is seen H·w/R deep (similar
triangles); so an edge is known of within R = H·w/(drop + 0.09 m), and an edge with a far lower floor or
none within reach where that floor is seen, R/H times its depth behind the edge.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Edges, Grown, Listed, Rules
from flatten.kernels.grow import NONE, is_face
from flatten.kernels.jit import kernel, part
from flatten.kernels.survey import END, RINGS, SECTORS

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.uint8]

BLUR = 0.09
"""Three times the noise of ranges, metres."""
CAUTIOUS = 3.0
"""Metres within which a late return counts even if a slope could explain it."""
BAND = 0.06
"""Metres about the floor within which a return is of the floor."""


POSSIBLE_SLOPE = 0.2
"""m per m by which floor that is not seen may rise above how it goes on."""
MOST = 0.5
"""Metres by which it may rise at most."""


@part
def crossing(s: int, k: int, r: float, z: float, top: float, rules: Rules, grown: Grown) -> int:
    """Ring in which the beam from height `top` to (r, z) crosses the floor; −1 if floor lies behind that."""
    for c in range(k + 1):
        end = min((c + 1) * rules.cell, r)
        at = top + (z - top) * end / r
        if at < grown.inner[s, c] + grown.rise[s, c] * (end - c * rules.cell):
            for between in range(c + 1, k):
                if grown.state[s, between] != NONE:
                    return -1
            return c
    return -1


@part
def safe_end(s: int, c: int, rules: Rules, grown: Grown) -> float:
    """Distance of the outer edge of the last cell of floor up to ring c."""
    while c >= 0 and grown.state[s, c] == NONE:
        c -= 1
    return (c + 1) * rules.cell


@part
def mark(s: int, k: int, top: float, rules: Rules, listed: Listed, grown: Grown, edges: Edges) -> None:
    """Mark where the beams of a cell's late returns crossed the floor."""
    i = listed.head[s * RINGS + k]
    face = i != END and is_face(i, rules, listed)
    while i != END:
        r, z = float(listed.r[i]), float(listed.z[i])
        above = z - (grown.inner[s, k] + grown.rise[s, k] * (r - k * rules.cell))
        if abs(above) <= BAND and grown.state[s, k] != NONE:
            edges.tally[0] += 1
        elif above < -BAND:
            edges.tally[1] += 1
        if above < -(rules.drop + BLUR):
            c = crossing(s, k, r, z, top, rules, grown)
            safe = safe_end(s, c, rules, grown)
            if c >= 0 and (face or safe < CAUTIOUS or -above > rules.drop + rules.slope * (r - safe)):
                edges.late[s, c] += 1
        i = listed.next_[i]


@part
def farthest_floor(s: int, c: int, rules: Rules, listed: Listed, grown: Grown) -> float:
    """Distance of the farthest return of the floor in a cell; its inner edge without one."""
    far = c * rules.cell
    i = listed.head[s * RINGS + c]
    while i != END:
        r = float(listed.r[i])
        if abs(listed.z[i] - (grown.inner[s, c] + grown.rise[s, c] * (r - c * rules.cell))) <= BAND:
            far = max(far, r)
        i = listed.next_[i]
    return far


@part
def edge_of(s: int, rules: Rules, listed: Listed, grown: Grown, edges: Edges) -> float:
    """Distance of the nearest edge of a sector."""
    left, right = (s + 1) % SECTORS, (s - 1) % SECTORS
    for c in range(RINGS):
        mine = edges.late[s, c] + (edges.late[s, c + 1] if c + 1 < RINGS else 0)
        if mine == 0 or edges.late[s, c] == 0:
            continue
        first, last = max(0, c - 1), min(RINGS, c + 2)
        beside = edges.late[left, first:last].sum() + edges.late[right, first:last].sum()
        if mine >= 2 or beside >= 1:
            safe = c
            while safe > 0 and grown.state[s, safe] == NONE:
                safe -= 1
            return farthest_floor(s, safe, rules, listed, grown)
    return np.inf


@kernel
def find_edges(top: float, rules: Rules, listed: Listed, grown: Grown, edges: Edges) -> None:
    """Find the ways down; `top` is the sensor's height."""
    edges.late[:] = 0
    edges.tally[:] = 0
    for s in range(SECTORS):
        for k in range(RINGS):
            mark(s, k, top, rules, listed, grown, edges)
    for s in range(SECTORS):
        edges.drops[s] = edge_of(s, rules, listed, grown, edges)


@kernel
def join(rules: Rules, grown: Grown, nodes: Singles) -> None:
    """Make the cells' lines one that hangs together: heights at whole cells, nodes (SECTORS, RINGS + 1)."""
    for s in range(SECTORS):
        nodes[s, 0] = grown.inner[s, 0]
        for k in range(1, RINGS):
            before = grown.inner[s, k - 1] + rules.cell * grown.rise[s, k - 1]
            after = grown.inner[s, k]
            known_before, known_after = grown.state[s, k - 1] != NONE, grown.state[s, k] != NONE
            if known_before == known_after:
                nodes[s, k] = 0.5 * (before + after)
            else:
                nodes[s, k] = before if known_before else after
        nodes[s, RINGS] = grown.inner[s, RINGS - 1] + rules.cell * grown.rise[s, RINGS - 1]


@kernel
def allow(rules: Rules, state: Flags, nodes: Singles, allowed: Singles) -> None:
    """Where the floor is not known, count heights from the highest that it may be: `allowed` for `nodes`.

    It may rise from where it was last seen, and to where it is seen again, by POSSIBLE_SLOPE, but by no more
    than MOST.
    """
    for s in range(SECTORS):
        gap = 0.0
        for k in range(RINGS + 1):
            seen = (k > 0 and state[s, k - 1] != NONE) or (k < RINGS and state[s, k] != NONE)
            gap = 0.0 if seen else gap + rules.cell
            allowed[s, k] = gap
        for k in range(RINGS, -1, -1):
            gap = min(gap, float(allowed[s, k]))
            allowed[s, k] = nodes[s, k] + min(MOST, POSSIBLE_SLOPE * gap)
            gap += rules.cell


@kernel
def spread(
    places: Singles, nodes: Singles, state: Flags, scale: float, heights: Singles, known: Flags
) -> tuple[float, float, float]:
    """Hand the floor out bin by bin; give its least and greatest height and its steepest rise.

    `places` (bins,) are the bins' middles, counted in sectors from sector 0's middle on.
    """
    lowest, highest, steepest = 0.0, 0.0, 0.0
    for b in range(len(places)):
        s = int(places[b])
        w = places[b] - s
        s, t = s % SECTORS, (s + 1) % SECTORS
        nearest = s if w < 0.5 else t
        for k in range(RINGS + 1):
            height = nodes[s, k] + w * (nodes[t, k] - nodes[s, k])
            heights[b, k] = height
            lowest, highest = min(lowest, float(height)), max(highest, float(height))
            if k > 0:
                known[b, k - 1] = state[nearest, k - 1] != NONE
                rise = abs(float(heights[b, k]) - float(heights[b, k - 1])) * scale
                steepest = max(steepest, rise)
    return lowest, highest, steepest
