"""The lists of `min_hits`: all returns of a slice, first as they come, then bin by bin.

Whether a return has company is known only when all have been seen. Until then a list keeps of each
its bin and its key: the bits of r² as float32 above the number of the return. The float64 square is
made again from the return itself, and only where float32 does not suffice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Lists, Plan
from flatten.kernels.jit import part
from flatten.kernels.lanes import bits, select
from flatten.kernels.scatter import CLOSE, NO_RETURN, Keys
from flatten.kernels.workroom import BIN, CELL

Lanes = npt.NDArray[np.int32]

VALUE = 32
"""Bits by which a key is shifted to give those of its r²."""
NUMBER = 0xFFFFFFFF
"""The bits of a key that are the number of its return."""
OFF = CLOSE // 2
"""Units in the last place of r² by which a key may be off, and its exact square rounded."""


@part
def append(b: int, key: int, place: int, number: int, lists: Lists) -> None:
    """Put a return at this place of a list, and count it in its bin (see `sort_by_bin`)."""
    lists.bins[number, place], lists.keys[number, place] = b, key
    lists.starts[number, np.uint32(b) + np.uint32(2)] += 1  # unsigned, since −1 would mean the last


@part
def append_sure(n: int, keys: Keys, lanes: Lanes, number: int, lists: Lists) -> None:
    """Append those of n returns that have a key to a list; CELL is free for use."""
    chosen, begin = 0, lists.listed[number]
    for j in range(n):  # all are written, and only those that belong there move the end on: no branch
        lanes[CELL + chosen] = j
        chosen += select(keys[j] < NO_RETURN, 1, 0)
    for k in range(chosen):
        j = lanes[CELL + k]
        append(lanes[BIN + j], keys[j], begin + k, number, lists)
    lists.listed[number] = begin + chosen


@part
def value_of(square: float) -> int:
    """The bits of a squared distance, rounded to float32, as a signed number."""
    return np.int64(bits(np.float32(square)))


@part
def append_unsure(b: int, square: float, index: int, number: int, plan: Plan, lists: Lists) -> None:
    """Append a return whose exact square is known.

    Rounding must not carry it over an end of the reach: its key says there what the exact square says.
    """
    near, far, value = value_of(plan.near_square), value_of(plan.far_square), value_of(square)
    if square < plan.near_square:
        value = min(value, near - 1)
    elif square > plan.far_square:
        value = max(value, far + 1)
    else:
        value = min(max(value, near), far)
    append(b, (value << VALUE) | index, lists.listed[number], number, lists)
    lists.listed[number] += 1


@part
def sort_by_bin(number: int, lists: Lists) -> None:
    """Lay the keys of a list out bin by bin: those of bin b are sorted_keys[starts[b]:starts[b + 1]].

    The list's `starts` (bins + 2,) arrive with the number of returns in bin b at place b + 2. Two places
    on, so that their sums, moved on as the bins fill, end up where the next bin starts.
    """
    bins, unsorted, keys = lists.bins[number], lists.keys[number], lists.sorted_keys
    starts = lists.starts[number]
    for k in range(1, starts.size):
        starts[k] += starts[k - 1]
    for i in range(lists.listed[number]):
        following = np.uint32(bins[i]) + np.uint32(1)
        place = starts[following]
        keys[np.uint64(place)] = unsorted[i]
        starts[following] = place + 1
