"""The floor, grown outward from under the tracks ring by ring through the cells of `survey`.

In each cell the floor is a line over the distance. It goes on from the line of the cell before; heights of
the cell's returns above such lines are counted in bins of 2 cm, and the lowest bins that many returns lie
in are taken, and fitted by least squares. A fitted line is floor where it can be reached: somewhere between
the last floor that was seen and the middle of the cell the two lines are within a step of each other. A
ramp's line meets that of the floor before it at its toe; the top of a pallet meets it nowhere.

Where too few returns lie too close together to tell a slope, the chord from the last floor is taken for it;
such cells are floor if their neighbours to the side say so too.

Sums are of integers (0.1 mm): the order of the returns changes nothing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import kernel, part
from flatten.kernels.survey import END, RINGS, SECTORS, Listed, Rules

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.uint8]

WIDTH = 0.02
"""Metres of a bin of heights."""
TALLEST = 128
"""Most bins of heights."""
SLOPES = 5
BAND = 0.06
"""Metres about the mode within which returns are of the floor."""
UNITS = 1e4
"""Integers a metre."""
RIDGE = 0.04
"""m²: the variance of heights (2 cm) over that of how slopes change from cell to cell (0.1)."""
MANY = 6
"""With so many returns a cell may have a slope of its own."""
CHORD = 0.25
"""m² · returns: beyond what length the heights of so many returns tell a slope."""
FEW = 4
"""Fewer returns than these in a cell: those of the cells to its sides count too."""
DENSE = 0.6
"""Part of a step that is left where many returns are, whose noise need not be allowed for."""
TELLING = 0.05
"""m²: with a lesser sum of squared distances about their mean, returns tell no slope."""
ASIDE = 3
"""Neighbours to each side that are asked."""

FARTHEST = 6
"""Sectors to the side within which floor is drawn between what is seen."""

CALM = 2
"""Sectors to each side whose slope is expected to go on."""

NONE, POSSIBLE, SURE = 0, 1, 2


class Grown(NamedTuple):
    """The floor, cell by cell, and room to grow it."""

    inner: Singles
    rise: Singles
    """(SECTORS, RINGS) height at the cell's inner edge, slope outward."""
    state: Flags
    """(SECTORS, RINGS) NONE (continued only), POSSIBLE (only while it grows) or SURE."""
    filled: Flags
    """(SECTORS, RINGS) whether returns lie in the cell."""
    edge: Singles
    """(6, SECTORS) where the next ring begins: height, slope, metres since floor was seen, height there;
    height and slope of the next candidate."""
    counts: Lanes
    """(TALLEST + 2,)"""


@part
def count(c: int, r0: float, h: float, g: float, low: float, n: int, listed: Listed, counts: Lanes) -> int:
    """Count the heights of a cell's returns above the line, in n bins from `low` on; give their number."""
    i, found = listed.head[c], 0
    while i != END:
        d = listed.z[i] - (h + g * (listed.r[i] - r0)) - low
        if 0.0 <= d < n * WIDTH:
            counts[min(int(d / WIDTH), n - 1)] += 1
            found += 1
        i = listed.next_[i]
    return found


@part
def lowest_mode(n: int, counts: Lanes) -> tuple[int, int]:
    """Middle one of the lowest three bins that many lie in, and how many do."""
    most = 0
    for b in range(1, n - 1):
        most = max(most, counts[b - 1] + counts[b] + counts[b + 1])
    wanted = max(2, (3 * most + 9) // 10)
    for b in range(1, n - 1):
        here = counts[b - 1] + counts[b] + counts[b + 1]
        if here >= wanted:
            at = b
            while at < n - 2 and counts[at + 2] > counts[at - 1]:
                here += counts[at + 2] - counts[at - 1]
                at += 1
            return at, here
    return -1, 0


@part
def middle_mode(n: int, counts: Lanes) -> tuple[int, int]:
    """Of the three bins that most lie in, the middle one; the nearest to what is expected where several do.

    For so few returns that the lowest is only the one with most noise.
    """
    best, most = -1, 0
    for j in range(n - 2):
        b = n // 2 + ((j + 1) // 2 if j % 2 else -(j // 2))
        if b < 1 or b > n - 2:
            continue
        here = counts[b - 1] + counts[b] + counts[b + 1]
        if here > most:
            best, most = b, here
    return (best, most) if most >= 2 else (-1, 0)


@part
def aside(s: int, o: int, rules: Rules, grown: Grown) -> float:
    """How much higher the floor is expected in sector o beside s: the floor falls to the side too."""
    rise = float(grown.edge[0, o]) - float(grown.edge[0, s])
    return rise if abs(rise) <= 2.0 * rules.step else 0.0


@part
def best_line(
    s: int,
    k: int,
    wide: bool,
    r0: float,
    h: float,
    g: float,
    reach: float,
    rules: Rules,
    listed: Listed,
    grown: Grown,
) -> tuple[float, float, int]:
    """Height at r0 and slope of the line with most returns on it; and how many."""
    n = min(TALLEST, 2 * int(reach / WIDTH) + 3)
    low = -0.5 * n * WIDTH
    best, most, best_slope = 0.0, 0, g
    slopes = SLOPES
    for j in range(-1, SLOPES):
        if j >= slopes:
            break
        slope = g if j < 0 else rules.slope * (2.0 * j / (SLOPES - 1) - 1.0)
        grown.counts[:n] = 0
        found = 0
        for t in range(-1 if wide else 0, 2 if wide else 1):
            o = (s + t) % SECTORS
            found += count(
                o * RINGS + k, r0, h + aside(s, o, rules, grown), slope, low, n, listed, grown.counts
            )
        slopes = SLOPES if found >= MANY else 0
        b, here = lowest_mode(n, grown.counts) if found >= MANY else middle_mode(n, grown.counts)
        # a line as before is wrong for a few only where it is as good
        if here > (most + most // 8 + 1 if j >= 0 else most):
            best, most, best_slope = h + low + (b + 0.5) * WIDTH, here, slope
    return best, best_slope, most


@part
def fit(
    s: int,
    k: int,
    wide: bool,
    r0: float,
    h: float,
    g: float,
    expected: float,
    rules: Rules,
    listed: Listed,
    grown: Grown,
) -> tuple[float, float, int, float]:
    """Fit a line to the returns near one: height at r0, slope, returns, their spread of distances (m²)."""
    n, su, sd, suu, sud = 0, 0, 0, 0, 0
    for t in range(-1 if wide else 0, 2 if wide else 1):
        o = (s + t) % SECTORS
        i, other = listed.head[o * RINGS + k], h + aside(s, o, rules, grown)
        while i != END:
            u = listed.r[i] - r0
            d = listed.z[i] - (other + g * u)
            if abs(d) <= BAND:
                iu, id_ = int(u * UNITS), int((d + 1.0) * UNITS)
                n, su, sd, suu, sud = n + 1, su + iu, sd + id_, suu + iu * iu, sud + iu * id_
            i = listed.next_[i]
    if n == 0:
        return h, g, 0, 0.0
    mean_u, mean_d = su / n, sd / n
    spread = (suu - su * mean_u) / UNITS**2
    bend = (sud - su * mean_d) / UNITS**2
    bend = (bend + RIDGE * (expected - g)) / (spread + RIDGE)
    return h + mean_d / UNITS - 1.0 - bend * mean_u / UNITS, g + bend, n, spread


@part
def reaches(at_start: float, at_end: float, step: float) -> bool:
    """Tell whether two lines that differ by so much at the ends come within a step of each other."""
    return min(at_start, at_end) <= step and max(at_start, at_end) >= -step


@part
def try_cell(s: int, k: int, rules: Rules, listed: Listed, grown: Grown) -> None:
    """Find the line of one cell, and how sure it is that it is floor."""
    h, g = float(grown.edge[0, s]), float(grown.edge[1, s])
    gap, held = float(grown.edge[2, s]), float(grown.edge[3, s])
    r0, cell = k * rules.cell, rules.cell
    i, own = listed.head[s * RINGS + k], 0
    while i != END and own < FEW:
        own, i = own + 1, listed.next_[i]
    grown.filled[s, k], grown.state[s, k] = own > 0, NONE
    wide = own < FEW
    if own == 0:
        return
    reach = rules.slope * (cell + gap) + rules.step
    line, slope, most = best_line(s, k, wide, r0, h, g, reach, rules, listed, grown)
    if most == 0:
        return
    line, slope, _, _ = fit(s, k, wide, r0, line, slope, g, rules, listed, grown)
    line, slope, n, spread = fit(s, k, wide, r0, line, slope, g, rules, listed, grown)
    steepest = rules.slope + 0.06
    if n < 2 or abs(slope) > steepest:
        return
    grown.edge[4, s], grown.edge[5, s] = line, slope
    middle = line + 0.5 * cell * slope
    at_start = line - slope * gap - held
    at_end = line - h
    past = middle - (h + 0.5 * cell * g)
    telling = spread >= TELLING
    jump = rules.step * (DENSE if n >= MANY and gap == 0.0 else 1.0)
    flat = middle - held  # a slope may end in the gap
    if (
        reaches(at_end, past, jump)
        or (gap > 0.0 and reaches(past, flat, rules.step))
        or (telling and reaches(at_start, at_end, jump))
    ):
        grown.state[s, k] = SURE
        if not telling:  # the slope follows what the height is off by: the more, the more returns say so
            length = gap + cell
            weight = length * length / (length * length + CHORD / n)
            slope = g + weight * past / length
            grown.edge[5, s] = min(max(slope, -steepest), steepest)
            grown.edge[4, s] = middle - 0.5 * cell * grown.edge[5, s]
    elif not telling and gap > 0.0 and past > 0.0:  # down across a gap is as good as the far side of a ditch
        chord = (middle - held) / (gap + 0.5 * cell)
        if abs(chord) <= steepest:
            grown.state[s, k] = POSSIBLE
            grown.edge[4, s], grown.edge[5, s] = middle - 0.5 * cell * chord, chord


@part
def is_backed(s: int, k: int, rules: Rules, grown: Grown) -> bool:
    """Tell whether the neighbours at the sides have floor like that of a possible cell, and none another."""
    mine = grown.edge[4, s] + 0.5 * rules.cell * grown.edge[5, s]
    width = (k + 0.5) * rules.cell * (6.283185307179586 / SECTORS)
    backers = 0
    for t in range(-ASIDE, ASIDE + 1):
        o = (s + t) % SECTORS
        if t == 0 or grown.state[o, k] == NONE:
            continue
        other = grown.edge[4, o] + 0.5 * rules.cell * grown.edge[5, o]
        if abs(other - mine) <= rules.step + 0.5 * rules.slope * abs(t) * width:
            backers += 1
        elif grown.state[o, k] == SURE:
            return False
    return backers >= ASIDE + 1


@part
def settle_ring(k: int, rules: Rules, grown: Grown) -> None:
    """Take what is floor in a ring, continue the floor elsewhere, and go on to the next."""
    cell = rules.cell
    for s in range(SECTORS):  # the states of the neighbours are still those that were tried
        taken = grown.state[s, k] == SURE or (grown.state[s, k] == POSSIBLE and is_backed(s, k, rules, grown))
        grown.filled[s, k] |= 2 if taken else 0
    for s in range(SECTORS):
        if grown.filled[s, k] & 2:
            grown.state[s, k] = SURE
            grown.inner[s, k], grown.rise[s, k] = grown.edge[4, s], grown.edge[5, s]
        else:
            grown.state[s, k] = NONE
            grown.inner[s, k], grown.rise[s, k] = grown.edge[0, s], grown.edge[1, s] * (1.0 - 0.5 * cell)
    for s in range(SECTORS):
        grown.filled[s, k] &= 1
        if grown.state[s, k] == NONE:
            continue_between(s, k, cell, grown)
    for s in range(SECTORS):
        grown.edge[0, s] = grown.inner[s, k] + cell * grown.rise[s, k]
        grown.edge[1, s] = grown.rise[s, k]
        if grown.state[s, k] == NONE:
            grown.edge[2, s] += cell
        else:
            calm(s, k, rules, grown)
            grown.edge[2, s], grown.edge[3, s] = 0.0, grown.edge[0, s]


@part
def continue_between(s: int, k: int, cell: float, grown: Grown) -> None:
    """Where no floor is seen, draw it from the nearest on the left to the nearest on the right."""
    left, right = 0, 0
    for t in range(FARTHEST, 0, -1):
        left = t if grown.state[(s + t) % SECTORS, k] == SURE else left
        right = t if grown.state[(s - t) % SECTORS, k] == SURE else right
    if left == 0 or right == 0:
        return
    a, b, w = (s - right) % SECTORS, (s + left) % SECTORS, right / (left + right)
    grown.inner[s, k] = grown.inner[a, k] + w * (grown.inner[b, k] - grown.inner[a, k])
    grown.rise[s, k] = grown.rise[a, k] + w * (grown.rise[b, k] - grown.rise[a, k])


@part
def calm(s: int, k: int, rules: Rules, grown: Grown) -> None:
    """Let what is expected next follow the neighbours too, where they go on with the same floor."""
    mine, n, rise, lean = grown.inner[s, k], 1, float(grown.rise[s, k]), 0.0
    for t in range(1, CALM + 1):
        a, b = (s - t) % SECTORS, (s + t) % SECTORS
        if grown.state[a, k] == NONE or grown.state[b, k] == NONE:
            break
        if max(abs(grown.inner[a, k] - mine), abs(grown.inner[b, k] - mine)) > rules.step * (1 + t):
            break
        n, rise = n + 2, rise + grown.rise[a, k] + grown.rise[b, k]
        lean += grown.inner[a, k] + grown.inner[b, k] - 2.0 * mine
    grown.edge[1, s] = rise / n
    grown.edge[0, s] = mine + lean / n + rules.cell * grown.edge[1, s]


@part
def doubt(k: int, rules: Rules, grown: Grown) -> None:
    """Make unknown what differs by more than a step from the mean of its known neighbours to the sides."""
    width = (k + 0.5) * rules.cell * (6.283185307179586 / SECTORS)
    for s in range(SECTORS):
        if grown.state[s, k] != SURE:
            continue
        mine, total, n = grown.inner[s, k], 0.0, 0
        for t in range(-2, 3):
            o = (s + t) % SECTORS
            if t != 0 and grown.state[o, k] != NONE:
                total, n = total + grown.inner[o, k], n + 1
        if n >= 3 and mine - total / n > rules.step + rules.slope * width:
            grown.state[s, k] = POSSIBLE


@kernel
def grow(tracks: Singles, rules: Rules, listed: Listed, grown: Grown) -> None:
    """Find the floor of every cell, from the plane of the tracks (2, SECTORS: height, slope) outward."""
    for s in range(SECTORS):
        grown.edge[0, s], grown.edge[1, s] = tracks[0, s], tracks[1, s]
        grown.edge[2, s], grown.edge[3, s] = 0.0, tracks[0, s]
    for k in range(RINGS):
        if (k + 1) * rules.cell <= rules.near:  # under the tracks
            for s in range(SECTORS):
                grown.inner[s, k], grown.rise[s, k] = grown.edge[0, s], tracks[1, s]
                grown.state[s, k], grown.filled[s, k] = SURE, 1
                grown.edge[0, s] += tracks[1, s] * rules.cell
                grown.edge[3, s] = grown.edge[0, s]
            continue
        for s in range(SECTORS):
            try_cell(s, k, rules, listed, grown)
        settle_ring(k, rules, grown)
    for k in range(RINGS):
        doubt(k, rules, grown)
    for s in range(SECTORS):
        for k in range(RINGS):
            grown.state[s, k] = SURE if grown.state[s, k] == SURE else NONE
