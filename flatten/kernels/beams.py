"""The second pass, where CLEAR is wanted: what the beams of all returns passed."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import Layout, gather
from flatten.kernels.jit import kernel, part
from flatten.kernels.pack import keep, whole
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.sift import sift
from flatten.kernels.stretches import (
    DROPS,
    EXACT,
    TILE,
    aim_level,
    flag_ends,
    heights_that_matter,
    stretch,
)
from flatten.kernels.strides import (
    FARTHEST_OFF,
    MOST_STEPS,
    WIDEST,
    aim_beside,
    face,
    load_tile,
    mark_across,
    mark_straight,
)
from flatten.kernels.witness import Masks, witness
from flatten.kernels.workroom import BIN, BLOCK, NUMBER

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.uint8]


@part
def follow_exactly(
    index: int,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    slices: Numbers,
    first_turn: float,
    span: float,
    smallest: float,
    drop: float,
    cells_per_metre: float,
    edges: Numbers,
    masks: Masks,
    dropped: Flags,
) -> None:
    """Let the exact half follow the beam of one return."""
    x, y, z = place_return(code, layout, columns, index, level_from_sensor)
    b = exact_bin(x, y, first_turn, span, masks.shape[1])
    if b < 0 or not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
        return
    if z < -drop:
        dropped[b] = 1
    width = abs(edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0])
    witness(
        x, y, z, b, level_from_sensor[:, 3], slices, smallest, drop, cells_per_metre, width, edges,
        span >= 4.0, masks,
    )  # fmt: skip


@part
def follow_tile(
    n: int,
    level_from_sensor: Numbers,
    slices: Numbers,
    smallest: float,
    cells_per_metre: float,
    masks: Masks,
    dropped: Flags,
    full: bool,
    bound: float,
    width: float,
    turns: Singles,
    lanes: Lanes,
    kept: Lanes,
    room: Singles,
    side: Singles,
    steps: Lanes,
) -> None:
    """Mark what the sure beams of a tile witness in all slices, and where they end in a drop."""
    sensor = level_from_sensor[:, 3]
    for k in range(n):
        if kept[DROPS + k] != 0 and lanes[BIN + k] >= 0:
            dropped[lanes[BIN + k]] = 1
    for s in range(slices.shape[0]):
        stretch(n, s, slices, smallest, sensor, cells_per_metre, bound, kept, room)
        if sensor[0] == 0.0 and sensor[1] == 0.0:
            mark_straight(n, s, lanes, kept, masks)
        else:
            mark_across(n, s, width, full, turns, bound, lanes, kept, room, side, steps, masks)


@kernel
def follow_beams(
    code: int,
    layout: Layout,
    columns: int,
    stride: int,
    n_returns: int,
    level_from_sensor: Numbers,
    matrix: Singles,
    slices: Numbers,
    first_turn: float,
    span: float,
    smallest: float,
    drop: float,
    cells_per_metre: float,
    edges: Numbers,
    masks: Masks,
    dropped: Flags,
    work: Singles,
    lanes: Lanes,
    kept: Lanes,
    room: Singles,
    side: Singles,
    exact: Numbers,
    steps: Lanes,
    turns: Singles,
) -> None:
    """Mark the witnessed cells of all slices, and the bins with a return beyond an edge.

    Arguments as for `sweep`; `masks` (slices, bins, words) and `dropped` (bins,) in any state.
    The last eight are room to work in.
    """
    masks[:, :, :] = 0
    dropped[:] = 0
    n_bins = masks.shape[1]
    off_axis = cells_per_metre * math.hypot(level_from_sensor[0, 3], level_from_sensor[1, 3])
    bound, width = 1e-9, span * math.pi * 0.5 / n_bins
    if off_axis > 0.0:
        bound = 1e-9 + 3e-7 / off_axis if width < WIDEST and off_axis * width < FARTHEST_OFF else 1.0
        for q in range(MOST_STEPS):
            turns[2 * q], turns[2 * q + 1] = math.sin(q * width), math.cos(q * width)
    lowest, highest = heights_that_matter(level_from_sensor[2, 3], slices, smallest)
    for first in range(0, n_returns, BLOCK):
        n = n_returns - first if n_returns - first < BLOCK else BLOCK
        gather(code, layout, columns, stride, first, n, work)
        flag_ends(n, matrix, lowest, highest, drop, work, lanes)
        n = keep(whole(n), work, lanes)
        sift(whole(n), matrix, np.float32(first_turn), np.float32(span), np.float32(n_bins), work, lanes)
        for start in range(0, n, TILE):
            m = n - start if n - start < TILE else TILE
            here, bins = work[start:], lanes[start:]
            if off_axis > 0.0:
                load_tile(m, first, code, layout, columns, here, bins, exact)
                aim_beside(m, level_from_sensor, drop, cells_per_metre, exact, bins, kept, room)
                face(m, edges, exact, bins, side)
            else:
                aim_level(
                    m, np.float32(level_from_sensor[2, 3]), np.float32(drop), np.float32(cells_per_metre),
                    here, bins, kept, room,
                )  # fmt: skip
            follow_tile(
                m, level_from_sensor, slices, smallest, cells_per_metre, masks, dropped,
                span >= 4.0, bound, width, turns, bins, kept, room, side, steps,
            )  # fmt: skip
            for k in range(m):
                if kept[EXACT + k] != 0:
                    follow_exactly(
                        first + bins[NUMBER + k], code, layout, columns, level_from_sensor, slices,
                        first_turn, span, smallest, drop, cells_per_metre, edges, masks, dropped,
                    )  # fmt: skip
