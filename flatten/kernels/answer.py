"""What every bin says, from the tables that the sweep filled."""

from __future__ import annotations

import math

import numpy as np

from flatten.kernels.ground import above
from flatten.kernels.groups import Answers, Bins, Frame, Ground, Plan, Returns, opened
from flatten.kernels.jit import kernel, part
from flatten.kernels.place import place_return
from flatten.kernels.witness import ALL, CELL_BITS, Masks
from flatten.kernels.words import Words

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
def find_states(s: int, plan: Plan, bins: Bins, answers: Answers) -> None:
    """Fill the states and stretches of slice s."""
    masks, stretches = bins.masks, answers.stretches
    for b in range(plan.bins):
        is_clear = False
        if masks.shape[0] > 0:
            a, z = stretch(s, b, masks, plan.cell, bins.ends[s, b])
            stretches[0, s, b], stretches[1, s, b] = a, z
            is_clear = bool(0.0 <= plan.clear_to <= z and a <= plan.clear_from and z > a)
            is_clear = is_clear and bins.doubtful[s, b] == 0 and bins.dropped[b] == 0
        answers.states[s, b] = state_of(
            bins.best[s, b], bins.closest[s, b], plan.near_square, plan.far_square, is_clear,
            bins.blocked[b] != 0,
        )  # fmt: skip


@part
def fill_ranges(s: int, far: float, bins: Bins, answers: Answers) -> None:
    """Fill the ranges of slice s: rounded once to float32, and never above `far`."""
    last = round_down(far)
    for b in range(bins.best.shape[1]):
        state = answers.states[s, b]
        value = np.float32(math.sqrt(bins.best[s, b] if state == HIT else 0.0))
        value = value if float(value) <= far else last
        value = value if state == HIT else NAN
        value = INF if state == CLEAR else value
        answers.ranges[s, b] = -INF if state == TOO_NEAR else value


@part
def fill_heights(
    s: int, returns: Returns, frame: Frame, ground: Ground, bins: Bins, answers: Answers
) -> None:
    """Fill the heights of slice s from the coordinates of the deciding returns."""
    for b in range(bins.best.shape[1]):
        answers.heights[s, b] = NAN
        if answers.states[s, b] == HIT:
            x, y, z = place_return(bins.winner[s, b], returns, frame.level_from_sensor)
            answers.heights[s, b] = np.float32(above(z, x * x + y * y, b, ground))


@kernel
def answer(words: Words) -> None:
    """Say what every bin says; ranges and heights that have no bins are left alone.

    What is handed over stands in `groups`. `masks` has no slice where nothing is witnessed; then the
    stretches are left alone.
    """
    returns, frame, plan = opened(words, Returns), opened(words, Frame), opened(words, Plan)
    ground, bins, answers = opened(words, Ground), opened(words, Bins), opened(words, Answers)
    for s in range(plan.slices.shape[0]):
        find_states(s, plan, bins, answers)
        if answers.ranges.size > 0:
            fill_ranges(s, plan.far, bins, answers)
        if answers.heights.size > 0:
            fill_heights(s, returns, frame, ground, bins, answers)
