"""What the beams passed: where an empty bin is known to be free, and not merely empty.

Each return is the end of a beam from the sensor S. On its way to the end P the beam crosses the
heights between which an object would have stopped it; there, and only there, its bin is witnessed:

      z
      │ S                             bottom + rise·r ≤ z ≤ min(top, bottom + rise·r + smallest)
      │  ╲·
    ──┼───╲──·────────────────────    upper height
      │    ╲▒▒▒▒·
      │     ╲▒▒▒▒▒▒▒·                 ▒ witnessed
    ──┼──────╲──────────·─────────    bottom
      └───────╲─────────────·─────── r
              P₁            P₂

The beam is the segment S + t·(P − S), t in [0, 1]. With S off the fan's axis (a body that leans), its
distance from the axis is r(t) = √(p² + L²(t − tₚ)²): p the closest approach, reached at tₚ, L the
horizontal length. Only the part that runs outward is used. As L(t − tₚ) ≤ r(t) ≤ p + L(t − tₚ), both
heights are bounded by straight lines on the safe side, and a clipped interval of t remains, in which
bin after bin is walked: what is witnessed counts for the bin in which the beam runs there, not
for the bin in which it ends.

Distances are kept as one bit a cell; a cell counts only if one beam passes all of it.

Over a fitted floor the heights count from there, and the interval of t is only bounded: within it every cell
is looked at, at both of its ends. In between, beam and floor are straight, but for a beam beside the axis,
whose t bends with r by at most p²·cell²/(8·L·(r² − p²)^1.5). Where the floor is unknown nothing is witnessed.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import BOTTOM, RISE, TOP
from flatten.kernels.ground import ground_at, is_given
from flatten.kernels.groups import Ground, Plan
from flatten.kernels.jit import part

Numbers = npt.NDArray[np.float64]
Masks = npt.NDArray[np.uint64]
Point = tuple[float, float, float]

CELL_BITS = 64
ALL = np.uint64(0xFFFFFFFFFFFFFFFF)


@part
def clip(offset: float, slope: float, low: float, high: float) -> tuple[float, float]:
    """Narrow [low, high] to where offset + slope·t ≥ 0; an empty interval has high < low."""
    if slope > 0.0:
        root = -offset / slope
        return (root, high) if root > low else (low, high)
    if slope < 0.0:
        root = -offset / slope
        return (low, root) if root < high else (low, high)
    return (low, high) if offset >= 0.0 else (1.0, 0.0)


@part
def mark(low: float, high: float, cells_per_metre: float, s: int, b: int, masks: Masks) -> None:
    """Set the bits of the cells of bin b that lie wholly in the distances [low, high]."""
    n_cells = masks.shape[2] * CELL_BITS
    if low * cells_per_metre > n_cells:
        return
    a = math.ceil(low * cells_per_metre)
    z = n_cells if high * cells_per_metre > n_cells else math.floor(high * cells_per_metre)
    set_cells(a, z, s, b, masks)


@part
def set_cells(a: int, z: int, s: int, b: int, masks: Masks) -> None:
    """Set the bits of the cells of bin b from a to before z."""
    for word in range(a // CELL_BITS, (z + CELL_BITS - 1) // CELL_BITS):
        from_bit, to_bit = a - word * CELL_BITS, z - word * CELL_BITS
        from_bit = from_bit if from_bit > 0 else 0
        to_bit = to_bit if to_bit < CELL_BITS else CELL_BITS
        if to_bit > from_bit:
            masks[s, b, word] |= (ALL >> np.uint64(CELL_BITS - (to_bit - from_bit))) << np.uint64(from_bit)


@part
def mark_over(
    r_in: float,
    r_out: float,
    b: int,
    s: int,
    sensor: Point,
    z_end: float,
    length: float,
    p: float,
    t_p: float,
    plan: Plan,
    ground: Ground,
    masks: Masks,
) -> None:
    """Set the bits of the cells of bin b, wholly in [r_in, r_out], that the beam passes at those heights."""
    slices, dz = plan.slices, z_end - sensor[2]
    bottom, top, rise = slices[s, BOTTOM], slices[s, TOP], slices[s, RISE]
    n_cells = masks.shape[2] * CELL_BITS
    if not r_in * plan.cells_per_metre < n_cells:
        return
    k = math.ceil(r_in * plan.cells_per_metre)
    z = n_cells if r_out * plan.cells_per_metre > n_cells else math.floor(r_out * plan.cells_per_metre)
    if z <= k:  # not one whole cell
        return
    stride = straight_cells(n_cells, ground)
    climb, start = dz / length, sensor[2] + t_p * dz
    outward, height = height_over(k, b, p, climb, start, plan, ground)
    passed = False  # at the end of the cell before
    while True:
        bottom_k = bottom + rise * (k * plan.cell)
        if stride > 1 and k % stride == 0 and k + stride <= z:
            end_outward, end = height_over(k + stride, b, p, climb, start, plan, ground)
            bottom_end = bottom_k + rise * (stride * plan.cell)
            bend = bend_of(outward, p, climb, stride * plan.cell)
            # a stretch that is straight but for `bend`, and so is all of it where both of its ends are
            below = height < bottom_k - bend and end < bottom_end - bend
            over_all = height > bottom_k + plan.smallest + bend and end > bottom_end + plan.smallest + bend
            within = is_within(height, bottom_k, top, 2.0 * bend, plan.smallest)
            within = within and is_within(end, bottom_end, top, 2.0 * bend, plan.smallest)
            if below or over_all or within:
                if within and is_known(b, k, n_cells, ground):
                    set_cells(k, k + stride, s, b, masks)
                if within and passed and is_known(b, k - 1, n_cells, ground):
                    set_cells(k - 1, k, s, b, masks)
                passed, k, outward, height = within, k + stride, end_outward, end
                continue
        passes = is_within(height, bottom_k, top, bend_of(outward, p, climb, plan.cell), plan.smallest)
        if passed and passes and is_known(b, k - 1, n_cells, ground):
            set_cells(k - 1, k, s, b, masks)
        passed = passes
        k += 1
        if k > z:
            return
        outward, height = height_over(k, b, p, climb, start, plan, ground)


@part
def is_within(height: float, bottom: float, top: float, margin: float, smallest: float) -> bool:
    """Tell whether a height over the floor is one at which a beam witnesses, by so much at least."""
    over = height - bottom
    return over >= margin and over <= smallest - margin and height <= top - margin and height >= margin


@part
def straight_cells(n_cells: int, ground: Ground) -> int:
    """How many cells one straight piece of the floor has; 0 where that is no whole number."""
    pieces = ground.known.shape[1]
    return n_cells // pieces if n_cells % pieces == 0 else 0


@part
def height_over(
    k: int, b: int, p: float, climb: float, start: float, plan: Plan, ground: Ground
) -> tuple[float, float]:
    """Where cell k begins: distance from where the beam is nearest to the axis, and height over the floor."""
    r = k * plan.cell
    outward = math.sqrt(max(r * r - p * p, 0.0))
    return outward, start + outward * climb - ground_at(b, r, ground)


@part
def bend_of(outward: float, p: float, climb: float, run: float) -> float:
    """By how much the beam's height, over its distance from the axis, is off a straight line within `run`."""
    bend = 1e-9
    if p > 0.0:
        bend += abs(climb) * p * p * run * run / (8.0 * max(outward, 1e-6) ** 3)
    return bend


@part
def is_known(b: int, k: int, n_cells: int, ground: Ground) -> bool:
    """Tell whether the floor is known in cell k of so many, in bin b."""
    return bool(ground.known[b, k * ground.known.shape[1] // n_cells] != 0)


@part
def clip_heights(
    sensor: Point,
    z_end: float,
    length: float,
    p: float,
    t_p: float,
    s: int,
    plan: Plan,
    ground: Ground,
) -> tuple[float, float]:
    """Interval of t in which the beam runs outward and between the two heights, safely rounded.

    Over a fitted floor it is one that holds that interval.
    """
    slices, smallest = plan.slices, plan.smallest
    z, dz = sensor[2], z_end - sensor[2]
    bottom, top, rise = slices[s, BOTTOM], slices[s, TOP], slices[s, RISE]
    if is_given(ground):
        bottom, top = bottom + ground.lowest, top + ground.highest
        smallest += ground.highest - ground.lowest
    lowest, highest = (z, z_end) if z < z_end else (z_end, z)
    if lowest > top or highest < bottom or (rise == 0.0 and lowest > bottom + smallest):
        return 1.0, 0.0  # it passes above or below all the way
    low, high = t_p if t_p > 0.0 else 0.0, 1.0
    low, high = clip(z - bottom - rise * (p - length * t_p), dz - rise * length, low, high)
    low, high = clip(top - z, -dz, low, high)
    low, high = clip(bottom + smallest - rise * length * t_p - z, rise * length - dz, low, high)
    if z_end < -plan.drop and not is_given(ground):  # what lies past the floor plane is beyond an edge
        low, high = clip(z, dz, low, high) if z > 0.0 else (1.0, 0.0)
    return low, high


@part
def distance(t: float, p: float, length: float, t_p: float) -> float:
    """Distance of the beam from the fan's axis at t."""
    outward = length * (t - t_p)
    return math.sqrt(p * p + outward * outward)


@part
def walk(
    sensor: Point,
    dx: float,
    dy: float,
    z_end: float,
    length: float,
    p: float,
    t_p: float,
    low: float,
    high: float,
    b: int,
    shortest: float,
    s: int,
    plan: Plan,
    ground: Ground,
    masks: Masks,
) -> None:
    """Mark the beam's interval [low, high] of t in every bin that it runs through, from its end inward.

    Nearer than `shortest` it runs through every bin in less than a cell, and marks nothing.
    """
    edges, n_bins = plan.edges, plan.bins
    side = sensor[0] * dy - sensor[1] * dx  # > 0: the bearing grows outward
    r_low, r_out = distance(low, p, length, t_p), distance(high, p, length, t_p)
    for _ in range(n_bins):
        inner = b if side > 0.0 else b + 1
        ex, ey = edges[inner, 0], edges[inner, 1]
        across = ex * dy - ey * dx
        t_edge = -(ex * sensor[1] - ey * sensor[0]) / across if across != 0.0 else t_p
        ahead = ex * (sensor[0] + t_edge * dx) + ey * (sensor[1] + t_edge * dy)
        # it runs to its beginning in this bin, or crosses the edge that lies inward
        last = ahead <= 0.0 or t_edge <= low
        if last or t_edge < high:
            r_in = r_low if last else distance(t_edge, p, length, t_p)
            if is_given(ground):
                mark_over(r_in, r_out, b, s, sensor, z_end, length, p, t_p, plan, ground, masks)
            else:
                mark(r_in, r_out, plan.cells_per_metre, s, b, masks)
            if last or r_in < shortest:
                return
            r_out = r_in
        b += -1 if side > 0.0 else 1
        if plan.span >= 4.0:
            b = b % n_bins
        elif b < 0 or b >= n_bins:
            return


@part
def witness(
    x: float, y: float, z: float, b: int, sensor: Point, plan: Plan, ground: Ground, masks: Masks
) -> None:
    """Mark in `masks` (slices, bins, words) what one beam witnesses, slice by slice.

    (x, y, z) in bin b is its end and `sensor` its start, in level axes about the fan's origin.
    A return that a blind zone swallowed ends its beam like any other.
    """
    dx, dy = x - sensor[0], y - sensor[1]
    square = dx * dx + dy * dy
    if not 1e-12 < square < 1e12:  # straight up or down, or not a distance of this world
        return
    length = math.sqrt(square)
    t_p = -(sensor[0] * dx + sensor[1] * dy) / square
    p = abs(sensor[0] * dy - sensor[1] * dx) / length
    edges, cells_per_metre = plan.edges, plan.cells_per_metre
    width = abs(edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0])  # the sine of a bin's
    for s in range(plan.slices.shape[0]):
        low, high = clip_heights(sensor, z, length, p, t_p, s, plan, ground)
        if high <= low:
            continue
        if p == 0.0 and is_given(ground):
            r_in, r_out = length * (low - t_p), length * (high - t_p)
            mark_over(r_in, r_out, b, s, sensor, z, length, p, t_p, plan, ground, masks)
            continue
        if p == 0.0:
            mark(length * (low - t_p), length * (high - t_p), cells_per_metre, s, b, masks)
            continue
        # a bin of width w is crossed within about w·r²/p at distance r
        shortest = 0.9 * math.sqrt(p / (cells_per_metre * width))
        if distance(high, p, length, t_p) > shortest:
            walk(sensor, dx, dy, z, length, p, t_p, low, high, b, shortest, s, plan, ground, masks)
