"""A motion as the kernels take it: between which knots of time which parabolas hold.

From one pose to the next the body turns evenly about one axis, by an angle θ from knot to knot. Each number
of its matrix is then a sum of a constant, a sine and a cosine, and the parabola through its values at both
knots and half-way is off by at most max|s·(s − ½)·(s − 1)|·θ³/6 = θ³·√3/216 of the turning arm. With
θ ≤ TURN that is 0.41 µm at an arm of 100 m.

Knots stand at every pose too, where the turning changes at once; at the nearest tick, that is, which adds at
most half a tick times the change of the rate: 0.1 µm at 100 m in a frame of 0.1 s with a change of 20 rad/s.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.kernels.carry_one import TERMS
from flatten.kernels.instants import TICKS
from flatten.motion import Motion

Numbers = npt.NDArray[np.float64]

TURN = 0.008
"""Most radians from knot to knot."""
LEAST_BITS, MOST_BITS = 8, 20
"""A frame has 2^bits cells, about four a knot or more."""


class Knots(NamedTuple):
    """What `kernels.carry.carry` looks up, in the order in which it takes it."""

    parabolas: npt.NDArray[np.float32]
    starts: npt.NDArray[np.int32]
    inverses: npt.NDArray[np.float32]
    cells: npt.NDArray[np.int32]
    shift: int


def make_knots(
    motion: Motion, first: float, last: float, at: float, body_from_sensor: Numbers
) -> tuple[Knots, Numbers]:
    """Lay a motion out between two times, as a sensor at a third sees it; give odom_from_body then too.

    The times are seconds after the first pose, all within the poses.
    """
    ticks = knot_ticks(motion, first, last)
    edges = np.append(ticks, TICKS)
    tick = np.concatenate([edges, 0.5 * (edges[:-1] + edges[1:])])
    seconds = np.append(first + tick * ((last - first) / TICKS), at)
    poses = motion.matrices(np.minimum(seconds, motion.seconds[-1]))  # rounding may go beyond
    change = sensor_change(poses[:-1], poses[-1], body_from_sensor)
    parabolas = fit_parabolas(change[: edges.size], change[edges.size :])
    bits = min(max((4 * ticks.size - 1).bit_length(), LEAST_BITS), MOST_BITS)
    shift = TICKS.bit_length() - 1 - bits
    cells = np.searchsorted(ticks, np.arange(2**bits + 1) << shift, "right") - 1
    knots = Knots(
        parabolas.astype(np.float32),
        np.append(ticks, np.iinfo(np.int32).max).astype(np.int32),
        (1.0 / (edges[1:] - edges[:-1])).astype(np.float32),
        cells.astype(np.int32),
        shift,
    )
    return knots, poses[-1]


def fit_parabolas(at_knots: Numbers, half_way: Numbers) -> Numbers:
    """A, B and C of A + s·(B + s·C) through k + 1 values at knots and k half-way: (k, 3, …)."""
    a, z = at_knots[:-1], at_knots[1:]
    return np.stack([a, 4 * half_way - 3 * a - z, 2 * (a + z) - 4 * half_way], axis=1)


def knot_ticks(motion: Motion, first: float, last: float) -> npt.NDArray[np.int64]:
    """Ticks of all knots but the last, ascending from 0: at every pose, and at most TURN apart."""
    if last <= first:
        return np.zeros(1, np.int64)
    poses = motion.seconds
    borders = np.concatenate([[first], poses[(poses > first) & (poses < last)], [last]])
    lengths = borders[1:] - borders[:-1]
    between = np.searchsorted(poses[1:-1], borders[:-1], "right")
    turned = motion.angles[between] * lengths / (poses[between + 1] - poses[between])
    parts = np.maximum(np.ceil(turned / TURN), 1).astype(np.int64)
    whose = np.repeat(np.arange(parts.size), parts)
    number = np.arange(whose.size) - (np.cumsum(parts) - parts)[whose]
    seconds = borders[whose] + (lengths / parts)[whose] * number
    ticks = np.unique(np.rint((seconds - first) * (TICKS / (last - first))).astype(np.int64))
    return ticks[ticks < TICKS]


def sensor_change(then: Numbers, now: Numbers, body_from_sensor: Numbers) -> Numbers:
    """Work out now_from_then − 1 of a sensor, column after column, four numbers each: (m, TERMS).

    `then` (m, 4, 4) and `now` (4, 4) are odom_from_body; now_from_then is
    (now·body_from_sensor)⁻¹·then·body_from_sensor. The poses are
    subtracted first: what did not move is 0 exactly, and odom may count millions of metres.
    """
    moved = (then - now)[:, :3] @ body_from_sensor
    change = np.zeros((len(then), 4, 4))
    change[:, :, :3] = np.swapaxes((now[:3, :3] @ body_from_sensor[:3, :3]).T @ moved, 1, 2)
    return change.reshape(-1, TERMS)
