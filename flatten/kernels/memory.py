"""Floor that is not seen in a frame is remembered for a while, where it is known how the robot moved."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Cells, Rings, Surface
from flatten.kernels.jit import part
from flatten.kernels.outward import FLOOR, WIDTH
from flatten.kernels.place import quarter_turns
from flatten.kernels.survey import PART, SECTORS

Numbers = npt.NDArray[np.float64]

HEIGHT, OUTWARD, ACROSS, AGE = range(4)
"""Rows of what is remembered: the surface, and how long ago it was seen; inf where it was not."""


@part
def recall(
    last_from_now: Numbers, elapsed: float, memory: float, rings: Rings, cells: Cells, surface: Surface
) -> None:
    """Enter what was known as if it were seen, in all cells without returns; note its age (`recalled`)."""
    last = len(rings.middles)
    past, far = surface.past, rings.edges[last]
    for k in range(last):
        for s in range(SECTORS):
            surface.recalled[k, s] = np.inf
            if cells.n[k, s] > 0 or not elapsed < memory:
                continue
            turn = (s + 0.5) * WIDTH - math.pi
            x, y = rings.middles[k] * math.cos(turn), rings.middles[k] * math.sin(turn)
            px = last_from_now[0, 0] * x + last_from_now[0, 1] * y + last_from_now[0, 3]
            py = last_from_now[1, 0] * x + last_from_now[1, 1] * y + last_from_now[1, 3]
            r = math.sqrt(px * px + py * py)
            if not r < far:
                continue
            u = (quarter_turns(px, py) + 2.0) * (SECTORS / 4.0)
            o = min(int(u), SECTORS - 1)
            j = rings.ring_at[int(r / PART)]
            age = past[AGE, j, o] + elapsed
            if age <= memory:
                z = past[HEIGHT, j, o] + (r - rings.middles[j]) * past[OUTWARD, j, o]
                z += (u - o - 0.5) * past[ACROSS, j, o] - last_from_now[2, 3]
                cells.low[k, s], cells.low_r[k, s], cells.low_aside[k, s] = z, rings.middles[k], 0.0
                cells.high[k, s], cells.high_r[k, s] = z, rings.middles[k]
                cells.n[k, s], surface.recalled[k, s] = 1, age


@part
def remember(rings: Rings, cells: Cells, surface: Surface) -> None:
    """Keep the surface for the next frame."""
    past = surface.past
    for k in range(len(rings.middles)):
        for s in range(SECTORS):
            is_floor = surface.state[k, s] == FLOOR
            past[HEIGHT, k, s] = surface.height[k, s]
            past[OUTWARD, k, s] = surface.outward[k, s]
            past[ACROSS, k, s] = surface.across[k, s]
            is_seen = cells.on[k * SECTORS + s] > 0
            past[AGE, k, s] = 0.0 if is_floor and is_seen else surface.recalled[k, s] if is_floor else np.inf
