"""`min_hits`: a return counts only in company, so that dust and stray returns do not decide.

A return at r is accepted if its bin and the two beside it hold at least k returns of the slice in
[r, r + w], itself among them, counted before the reach is applied.

What a bin says hangs on one return, nearly always the first or second from the side that is asked
for. So only these are judged, one after another, until one is accepted; nothing is sorted but the
returns into their bins. float32 keys (see `lists`) tell near from far; where two are too close to
tell, or one too close to an end of [r, r + w], the exact squares of these few are made. A bin that
has had many judged in vain is left to `company`, so that no cloud takes more than n·log n.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.company import beside, first_at, judge_all, order_around
from flatten.kernels.gate import FARTHEST, MIN_HITS, WITHIN
from flatten.kernels.groups import Bins, Frame, Lists, Plan, Returns, opened
from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import select
from flatten.kernels.lists import NUMBER, OFF, VALUE, sort_by_bin, value_of
from flatten.kernels.place import exact_square
from flatten.kernels.scatter import CLOSE
from flatten.kernels.words import Words

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

PATIENCE = 4
"""Returns that are judged before a bin is left to `company`."""
MOST_BEHIND = 16
"""With `pick: farthest`, as many more as are wanted in company, but not more than this: the last few
returns of a wall have too few behind them."""
LAST = 0x7FFFFFFFFFFFFFFF
"""A key beyond all."""


@part
def survey(low: int, high: int, flip: int, first: int, last: int, keys: Indices) -> tuple[int, int]:
    """Give the least of the keys low … high − 1, and how many of them are from `first` to `last`.

    With `flip` −1, which turns the order round, the least of those from `first` to `last`. LAST if
    there is none.
    """
    least, inside = LAST, 0
    for i in range(low, high):
        is_inside = (keys[i] >= first) & (keys[i] <= last)
        key = select(is_inside | (flip == 0), keys[i] ^ flip, LAST)
        least = select(key < least, key, least)
        inside += select(is_inside, 1, 0)
    return least, inside


@part
def decide_first(
    low: int,
    high: int,
    least: int,
    flip: int,
    first: int,
    last: int,
    keys: Indices,
    returns: Returns,
    frame: Frame,
) -> tuple[int, float]:
    """Give the number of the return that is first in the order of `survey`, and its exact square.

    Nearly always it is the one of the least key. If others are too close to it to tell, all of them
    are compared exactly; of equals the first in the cloud is taken.
    """
    number = (least ^ flip) & NUMBER
    square = exact_square(number, returns, frame.level_from_sensor)
    limit, close = ((least >> VALUE) + CLOSE + 1) << VALUE, 0
    for i in range(low, high):
        close += select(((keys[i] ^ flip) >= least) & ((keys[i] ^ flip) < limit), 1, 0)
    if close == 1:
        return number, square
    for i in range(low, high):
        if least <= (keys[i] ^ flip) < limit and (flip == 0 or first <= keys[i] <= last):
            mine = keys[i] & NUMBER
            other = exact_square(mine, returns, frame.level_from_sensor)
            beats = other > square if flip != 0 else other < square
            if beats or (other == square and mine < number):
                square, number = other, mine
    return number, square


@part
def put_first(low: int, number: int, keys: Indices) -> None:
    """Let the key of a return and the one at place `low`, which is not behind it, change places."""
    place = low
    while keys[place] & NUMBER != number:
        place += 1
    keys[low], keys[place] = keys[place], keys[low]


@part
def in_company(
    s: int, b: int, square: float, starts: Indices, keys: Indices, returns: Returns, frame: Frame, plan: Plan
) -> bool:
    """Tell whether bin `b` and those beside it hold as many returns as wanted in [r, r + within]."""
    within, wanted = plan.slices[s, WITHIN], plan.slices[s, MIN_HITS]
    r, found = math.sqrt(square), 0
    end = r + within
    first, last = value_of(square), value_of(end * end)
    for side in range(2):
        first_bin, last_bin = beside(b, side, plan.bins, plan.span >= 4.0)
        for i in range(starts[first_bin], starts[last_bin]):
            value = keys[i] >> VALUE
            if value < first - OFF or value > last + OFF:
                continue
            if value > first + OFF and value < last - OFF:
                found += 1
            else:
                number = keys[i] & NUMBER
                other = math.sqrt(exact_square(number, returns, frame.level_from_sensor))
                found += 1 if r <= other <= end else 0
            if found >= wanted:
                return True
    return False


@part
def judge_first(
    s: int, b: int, starts: Indices, returns: Returns, frame: Frame, plan: Plan, bins: Bins, lists: Lists
) -> bool:
    """Judge the first returns of bin `b` from the side that is asked for; tell whether they decide.

    Returns that are not accepted are moved to the front, where none looks again.
    """
    slices, keys = plan.slices, lists.sorted_keys
    first, last = value_of(plan.near_square) << VALUE, (value_of(plan.far_square) << VALUE) | NUMBER
    farthest = slices[s, FARTHEST] != 0.0
    low, high, flip = starts[b], starts[b + 1], 0
    behind = min(int(slices[s, MIN_HITS]), MOST_BEHIND) if farthest else 0
    for step in range(PATIENCE + behind):
        least, inside = survey(low, high, flip, first, last, keys)
        if least == LAST:
            return not farthest  # with the farthest, one before the reach may be TOO_NEAR
        number, square = decide_first(low, high, least, flip, first, last, keys, returns, frame)
        if step == 0:
            bins.hits[s, b], bins.ends[s, b] = inside, square
        if step == 0 and farthest:  # the nearest was sought for `ends` alone
            flip = -1
            continue
        if in_company(s, b, square, starts, keys, returns, frame, plan):
            bins.best[s, b], bins.closest[s, b], bins.winner[s, b] = square, square, number
            return True
        bins.doubtful[s, b] = 1
        put_first(low, number, keys)
        low += 1
    return False


@part
def judge_rest(
    s: int, b: int, starts: Indices, returns: Returns, frame: Frame, plan: Plan, bins: Bins, lists: Lists
) -> None:
    """Judge all returns of bin `b` by their sorted distances; then find whose these are."""
    full = plan.span >= 4.0
    order_around(b, full, starts, returns, frame, lists)
    nearest, farthest = judge_all(s, b, full, starts, plan, bins, lists)
    for flip in range(-1, 1):
        r = farthest if flip != 0 else nearest
        if r < 0.0:
            continue
        square, number = first_at(r, starts[b], starts[b + 1], flip, lists.sorted_keys, returns, frame)
        if flip == 0:
            bins.closest[s, b] = square
        if flip != 0 or plan.slices[s, FARTHEST] == 0.0:
            bins.best[s, b], bins.winner[s, b] = square, number


@part
def accept_slice(
    s: int, number: int, returns: Returns, frame: Frame, plan: Plan, bins: Bins, lists: Lists
) -> None:
    """Fill the tables of slice s from its list, which is that of this number."""
    starts, witnessing = lists.starts[number], bins.masks.shape[0] > 0
    sort_by_bin(number, lists)
    lists.ordered[:] = 0
    for b in range(plan.bins):
        bins.closest[s, b], bins.doubtful[s, b] = np.inf, 0
        if starts[b] == starts[b + 1]:
            continue
        decided = judge_first(s, b, starts, returns, frame, plan, bins, lists)
        beyond = bins.best[s, b] > plan.far_square
        if not decided or (beyond and bins.doubtful[s, b] == 0 and witnessing):
            judge_rest(s, b, starts, returns, frame, plan, bins, lists)


@kernel
def accept(words: Words) -> None:
    """Fill the tables of the slices with min_hits from their lists.

    `closest` takes the nearest accepted return, `doubtful` marks bins with returns that were not
    accepted. These two hold where `answer` looks at them: in bins without an accepted return in the
    reach, and `doubtful` only where beams witness. What is handed over stands in `groups`.
    """
    returns, frame, plan = opened(words, Returns), opened(words, Frame), opened(words, Plan)
    bins, lists = opened(words, Bins), opened(words, Lists)
    number = 0
    for s in range(plan.slices.shape[0]):
        for b in range(plan.bins):
            bins.closest[s, b] = bins.ends[s, b]  # where every return is accepted
        if plan.slices[s, MIN_HITS] > 1.0:
            accept_slice(s, number, returns, frame, plan, bins, lists)
            number += 1
