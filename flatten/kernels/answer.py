"""What every bin says, from the tables that the sweep filled."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import Layout
from flatten.kernels.jit import kernel, part
from flatten.kernels.place import place_return
from flatten.kernels.witness import ALL, CELL_BITS, Masks

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

Flags = npt.NDArray[np.uint8]

NONE = np.uint64(0)
NAN, INF = np.float32(np.nan), np.float32(np.inf)

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


@part
def find_states(
    s: int,
    best: Numbers,
    closest: Numbers,
    ends: Numbers,
    doubtful: Flags,
    dropped: Flags,
    blocked: Flags,
    masks: Masks,
    cell: float,
    near_square: float,
    far_square: float,
    clear_from: float,
    clear_to: float,
    states: Flags,
    stretches: Singles,
) -> None:
    """Fill `states` (slices, bins) and `stretches` (2, slices, bins) of slice s."""
    for b in range(best.shape[1]):
        is_clear = False
        if masks.shape[0] > 0:
            a, z = stretch(s, b, masks, cell, ends[s, b])
            stretches[0, s, b], stretches[1, s, b] = a, z
            is_clear = bool(0.0 <= clear_to <= z and a <= clear_from and z > a)
            is_clear = is_clear and doubtful[s, b] == 0 and dropped[b] == 0
        states[s, b] = state_of(best[s, b], closest[s, b], near_square, far_square, is_clear, blocked[b] != 0)


@part
def fill_ranges(s: int, states: Flags, best: Numbers, far: float, ranges: Singles) -> None:
    """Fill `ranges` (slices, bins) of slice s: rounded once to float32, and never above `far`."""
    last = round_down(far)
    for b in range(best.shape[1]):
        state = states[s, b]
        value = np.float32(math.sqrt(best[s, b] if state == HIT else 0.0))
        value = value if float(value) <= far else last
        value = value if state == HIT else NAN
        value = INF if state == CLEAR else value
        ranges[s, b] = -INF if state == TOO_NEAR else value


@part
def fill_heights(
    s: int,
    states: Flags,
    winner: npt.NDArray[np.int64],
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    heights: Singles,
) -> None:
    """Fill `heights` (slices, bins) of slice s from the coordinates of the deciding returns."""
    for b in range(states.shape[1]):
        heights[s, b] = NAN
        if states[s, b] == HIT:
            _, _, z = place_return(code, layout, columns, winner[s, b], level_from_sensor)
            heights[s, b] = np.float32(z)


@kernel
def answer(
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    best: Numbers,
    winner: npt.NDArray[np.int64],
    closest: Numbers,
    ends: Numbers,
    doubtful: Flags,
    dropped: Flags,
    blocked: Flags,
    masks: Masks,
    cell: float,
    near_square: float,
    far_square: float,
    far: float,
    clear_from: float,
    clear_to: float,
    states: Flags,
    stretches: Singles,
    ranges: Singles,
    heights: Singles,
) -> None:
    """Say what every bin says: `states`, `ranges`, `heights` (slices, bins), `stretches` (2, slices, bins).

    `masks` has no slice where nothing is witnessed; `clear_to` < 0 switches CLEAR off. Ranges and
    heights that are empty are left alone.
    """
    for s in range(best.shape[0]):
        find_states(
            s, best, closest, ends, doubtful, dropped, blocked, masks, cell, near_square, far_square,
            clear_from, clear_to, states, stretches,
        )  # fmt: skip
        if ranges.size > 0:
            fill_ranges(s, states, best, far, ranges)
        if heights.size > 0:
            fill_heights(s, states, winner, code, layout, columns, level_from_sensor, heights)
