"""What every bin says, from the tables that the sweep filled."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import Bytes, Layout
from flatten.kernels.jit import kernel, part
from flatten.kernels.place import place_return
from flatten.kernels.witness import ALL, CELL_BITS, Masks

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

NONE = np.uint64(0)

UNSEEN, HIT, CLEAR, TOO_NEAR, BLOCKED = range(5)
"""The states, as numbers."""


@part
def first_run(s: int, b: int, masks: Masks) -> tuple[int, int]:
    """First unbroken run of set bits of bin b: its first cell and the cell after its last; (0, 0) if none."""
    begin = -1
    for word in range(masks.shape[2]):
        bits = masks[s, b, word]
        if bits == (ALL if begin >= 0 else NONE):  # nothing begins or ends in this word
            continue
        for bit in range(CELL_BITS):
            is_set = (bits >> np.uint64(bit)) & np.uint64(1) != NONE
            if is_set and begin < 0:
                begin = word * CELL_BITS + bit
            elif not is_set and begin >= 0:
                return begin, word * CELL_BITS + bit
    return (begin, masks.shape[2] * CELL_BITS) if begin >= 0 else (0, 0)


@part
def round_up(value: float) -> np.float32:
    """Least float32 that is not below `value`."""
    single = np.float32(value)
    return np.nextafter(single, np.float32(np.inf)) if float(single) < value else single


@part
def round_down(value: float) -> np.float32:
    """Greatest float32 that is not above `value`."""
    single = np.float32(value)
    return np.nextafter(single, np.float32(-np.inf)) if float(single) > value else single


@part
def stretch(s: int, b: int, masks: Masks, cell: float, end_square: float) -> tuple[np.float32, np.float32]:
    """Witnessed stretch of a bin: the first run, ended by the nearest return of the slice; rounded inward."""
    a, z = first_run(s, b, masks)
    clear_from = round_up(a * cell)
    end = math.sqrt(end_square)
    clear_to = round_down(end if end < z * cell else z * cell)
    if clear_to <= clear_from:
        return np.float32(0.0), np.float32(0.0)
    return clear_from, clear_to


@part
def state_of(
    best: float, closest: float, near_square: float, far_square: float, is_clear: bool, blocked: bool
) -> int:
    """State of a bin; the order of the questions is the meaning of the states.

    `best` is the squared distance of the deciding return: for `pick: nearest` it may lie outside
    the reach (infinite where there is none), for `pick: farthest` never (−1 where there is none).
    """
    if near_square <= best <= far_square:
        return HIT
    if closest < near_square:
        return TOO_NEAR
    if is_clear:
        return CLEAR
    return BLOCKED if blocked else UNSEEN


@kernel
def answer(
    s: int,
    best: Numbers,
    closest: Numbers,
    ends: Numbers,
    doubtful: npt.NDArray[np.uint8],
    dropped: npt.NDArray[np.uint8],
    blocked: npt.NDArray[np.uint8],
    masks: Masks,
    cell: float,
    near_square: float,
    far_square: float,
    clear_from: float,
    clear_to: float,
    states: npt.NDArray[np.uint8],
    stretches: Singles,
) -> None:
    """Fill `states` (bins,) and `stretches` (2, bins) of slice s from its tables.

    `masks` has no slice where nothing is witnessed; `clear_to` < 0 switches CLEAR off.
    """
    for b in range(states.size):
        is_clear = False
        if masks.shape[0] > 0:
            a, z = stretch(s, b, masks, cell, ends[s, b])
            stretches[0, b], stretches[1, b] = a, z
            is_clear = bool(0.0 <= clear_to <= z and a <= clear_from and z > a)
            is_clear = is_clear and doubtful[s, b] == 0 and dropped[b] == 0
        states[b] = state_of(best[s, b], closest[s, b], near_square, far_square, is_clear, blocked[b] != 0)


@kernel
def measure(
    s: int,
    states: npt.NDArray[np.uint8],
    winner: npt.NDArray[np.int64],
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    far: float,
    ranges: Singles,
    heights: Singles,
) -> None:
    """Fill `ranges` and `heights` (bins,) of slice s; the winner's are computed from its own coordinates.

    A range is rounded once to float32 and never above `far`. What is empty is left alone.
    """
    for b in range(states.size):
        value, height = np.float32(np.nan), np.float32(np.nan)
        if states[b] == HIT:
            x, y, z = place_return(source, code, layout, columns, winner[s, b], level_from_sensor)
            height = np.float32(z)
            value = np.float32(math.sqrt(x * x + y * y))
            if float(value) > far:
                value = round_down(far)
        elif states[b] == CLEAR:
            value = np.float32(np.inf)
        elif states[b] == TOO_NEAR:
            value = np.float32(-np.inf)
        if ranges.size > 0:
            ranges[b] = value
        if heights.size > 0:
            heights[b] = height
