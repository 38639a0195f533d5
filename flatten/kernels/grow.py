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

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Grown, Listed, Rules
from flatten.kernels.jit import kernel, part
from flatten.kernels.lines import MANY, best_line, fit
from flatten.kernels.survey import END, RINGS, SECTORS

Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.uint8]

CHORD = 0.25
"""m² · returns: beyond what length the heights of so many returns tell a slope."""
FEW = 4
"""Fewer returns than these in a cell: those of the cells to its sides count too."""
STEEPER = 0.06
"""m per m by which a fitted slope may be too steep for noise."""
FACE = 0.06
"""Metres, twice the noise of ranges and more, by which a face is higher than a slope."""
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


@part
def reaches(at_start: float, at_end: float, step: float) -> bool:
    """Tell whether two lines that differ by so much at the ends come within a step of each other."""
    return min(at_start, at_end) <= step and max(at_start, at_end) >= -step


@part
def is_face(i: int, rules: Rules, listed: Listed) -> bool:
    """Tell whether the returns of a list stand too steeply for a slope."""
    least_r, greatest_r = float(listed.r[i]), float(listed.r[i])
    least_z, greatest_z = float(listed.z[i]), float(listed.z[i])
    while i != END:
        least_r, greatest_r = min(least_r, float(listed.r[i])), max(greatest_r, float(listed.r[i]))
        least_z, greatest_z = min(least_z, float(listed.z[i])), max(greatest_z, float(listed.z[i]))
        i = listed.next_[i]
    return greatest_z - least_z > rules.slope * (greatest_r - least_r) + FACE


@part
def judge(s: int, k: int, n: int, spread: float, rules: Rules, listed: Listed, grown: Grown) -> None:
    """Say how sure it is that the line fitted to n returns of a cell is floor, and what slope to believe."""
    h, g = float(grown.edge[0, s]), float(grown.edge[1, s])
    gap, held = float(grown.edge[2, s]), float(grown.edge[3, s])
    line, slope = float(grown.edge[4, s]), float(grown.edge[5, s])
    cell, steepest = rules.cell, rules.slope + STEEPER
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
        if is_face(listed.head[s * RINGS + k], rules, listed) and past > 0.0:
            # what stands here lifts the line: no higher than was expected
            grown.edge[4, s], grown.edge[5, s] = h, g
    elif not telling and gap > 0.0 and past > 0.0:  # down across a gap is as good as the far side of a ditch
        chord = (middle - held) / (gap + 0.5 * cell)
        if abs(chord) <= steepest:
            grown.state[s, k] = POSSIBLE
            grown.edge[4, s], grown.edge[5, s] = middle - 0.5 * cell * chord, chord


@part
def try_cell(s: int, k: int, rules: Rules, listed: Listed, grown: Grown) -> None:
    """Find the line of one cell, and how sure it is that it is floor."""
    h, g = float(grown.edge[0, s]), float(grown.edge[1, s])
    gap = float(grown.edge[2, s])
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
    if n < 2 or abs(slope) > rules.slope + STEEPER:
        return
    grown.edge[4, s], grown.edge[5, s] = line, slope
    judge(s, k, n, spread, rules, listed, grown)


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
            grown.inner[s, k], grown.rise[s, k] = (
                grown.edge[0, s],
                grown.edge[1, s] * max(0.0, 1.0 - 0.05 * cell),
            )
    for s in range(SECTORS):
        grown.filled[s, k] &= 1
        if grown.state[s, k] == NONE:
            continue_between(s, k, cell, grown)
    for s in range(SECTORS):
        grown.edge[0, s] = grown.inner[s, k] + cell * grown.rise[s, k]
        grown.edge[1, s] = grown.rise[s, k]
        if grown.state[s, k] == NONE:
            grown.edge[2, s] += 0.0 if grown.filled[s, k] else cell
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
