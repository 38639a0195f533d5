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
from flatten.kernels.gather import Layout
from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import select
from flatten.kernels.lists import NUMBER, OFF, VALUE, sort_by_bin, value_of
from flatten.kernels.place import exact_square
from flatten.kernels.scatter import CLOSE

Numbers = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint32]
Flags = npt.NDArray[np.uint8]

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
    low: int, high: int, least: int, flip: int, first: int, last: int, keys: Indices,
    code: int, layout: Layout, columns: int, level_from_sensor: Numbers,
) -> tuple[int, float]:  # fmt: skip
    """Give the number of the return that is first in the order of `survey`, and its exact square.

    Nearly always it is the one of the least key. If others are too close to it to tell, all of them
    are compared exactly; of equals the first in the cloud is taken.
    """
    number = (least ^ flip) & NUMBER
    square = exact_square(number, code, layout, columns, level_from_sensor)
    limit, close = ((least >> VALUE) + CLOSE + 1) << VALUE, 0
    for i in range(low, high):
        close += select(((keys[i] ^ flip) >= least) & ((keys[i] ^ flip) < limit), 1, 0)
    if close == 1:
        return number, square
    for i in range(low, high):
        if least <= (keys[i] ^ flip) < limit and (flip == 0 or first <= keys[i] <= last):
            mine = keys[i] & NUMBER
            other = exact_square(mine, code, layout, columns, level_from_sensor)
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
    b: int, square: float, within: float, wanted: float, full: bool, starts: Indices, keys: Indices,
    code: int, layout: Layout, columns: int, level_from_sensor: Numbers,
) -> bool:  # fmt: skip
    """Tell whether bin `b` and those beside it hold as many returns as wanted in [r, r + within]."""
    r, found = math.sqrt(square), 0
    end = r + within
    first, last = value_of(square), value_of(end * end)
    for side in range(2):
        first_bin, last_bin = beside(b, side, starts.size - 2, full)
        for i in range(starts[first_bin], starts[last_bin]):
            value = keys[i] >> VALUE
            if value < first - OFF or value > last + OFF:
                continue
            if value > first + OFF and value < last - OFF:
                found += 1
            else:
                number = keys[i] & NUMBER
                other = math.sqrt(exact_square(number, code, layout, columns, level_from_sensor))
                found += 1 if r <= other <= end else 0
            if found >= wanted:
                return True
    return False


@part
def judge_first(
    s: int, b: int, slices: Numbers, full: bool, first: int, last: int, starts: Indices, keys: Indices,
    code: int, layout: Layout, columns: int, level_from_sensor: Numbers, best: Numbers,
    winner: Indices, closest: Numbers, ends: Numbers, hits: Counts, doubtful: Flags,
) -> bool:  # fmt: skip
    """Judge the first returns of bin `b` from the side that is asked for; tell whether they decide.

    `first` to `last` are the keys in the reach. Returns that are not accepted are moved to the
    front, where none looks again.
    """
    farthest = slices[s, FARTHEST] != 0.0
    low, high, flip = starts[b], starts[b + 1], 0
    behind = min(int(slices[s, MIN_HITS]), MOST_BEHIND) if farthest else 0
    for step in range(PATIENCE + behind):
        least, inside = survey(low, high, flip, first, last, keys)
        if least == LAST:
            return not farthest  # with the farthest, one before the reach may be TOO_NEAR
        number, square = decide_first(
            low, high, least, flip, first, last, keys, code, layout, columns, level_from_sensor
        )
        if step == 0:
            hits[s, b], ends[s, b] = inside, square
        if step == 0 and farthest:  # the nearest was sought for `ends` alone
            flip = -1
            continue
        if in_company(
            b, square, slices[s, WITHIN], slices[s, MIN_HITS], full, starts, keys, code, layout,
            columns, level_from_sensor,
        ):  # fmt: skip
            best[s, b], closest[s, b], winner[s, b] = square, square, number
            return True
        doubtful[s, b] = 1
        put_first(low, number, keys)
        low += 1
    return False


@part
def judge_rest(
    s: int, b: int, slices: Numbers, full: bool, near_square: float, far_square: float, starts: Indices,
    keys: Indices, code: int, layout: Layout, columns: int, level_from_sensor: Numbers,
    distances: Numbers, ordered: Flags, moving: Indices, best: Numbers, winner: Indices, closest: Numbers,
    doubtful: Flags,
) -> None:  # fmt: skip
    """Judge all returns of bin `b` by their sorted distances; then find whose these are."""
    order_around(b, full, starts, keys, code, layout, columns, level_from_sensor, distances, ordered)
    # the roots of the ends of the reach's squares part the same distances as the squares do
    nearest, farthest = judge_all(
        s, b, slices, full, math.sqrt(near_square), math.sqrt(far_square), starts, distances, moving, doubtful
    )
    for flip in range(-1, 1):
        r = farthest if flip != 0 else nearest
        if r < 0.0:
            continue
        square, number = first_at(
            r, starts[b], starts[b + 1], flip, keys, code, layout, columns, level_from_sensor
        )
        if flip == 0:
            closest[s, b] = square
        if flip != 0 or slices[s, FARTHEST] == 0.0:
            best[s, b], winner[s, b] = square, number


@kernel
def accept(
    s: int,
    slices: Numbers,
    full: bool,
    near_square: float,
    far_square: float,
    witnessing: bool,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    lists: int,
    count: int,
    list_bins: npt.NDArray[np.int32],
    list_keys: Indices,
    all_starts: Indices,
    keys: Indices,
    distances: Numbers,
    ordered: Flags,
    moving: Indices,
    best: Numbers,
    winner: Indices,
    closest: Numbers,
    ends: Numbers,
    hits: Counts,
    doubtful: Flags,
) -> None:
    """Fill the tables (slices, bins) of a slice with min_hits from the `count` returns in its list.

    `best`, `winner`, `ends` and `hits` are as in `gate`; `closest` takes the nearest accepted
    return, `doubtful` marks bins with returns that were not accepted. These two hold where `answer`
    looks at them: in bins without an accepted return in the reach, and `doubtful` only if
    `witnessing`. `all_starts` (lists, bins + 2) are as in
    `sort_by_bin`; `keys` to `moving` are room to work in.
    """
    near, far = value_of(near_square), value_of(far_square)
    first, last = near << VALUE, (far << VALUE) | NUMBER
    starts = all_starts[lists]
    sort_by_bin(count, lists, list_bins, list_keys, starts, keys)
    ordered[:] = 0
    for b in range(ordered.size):
        closest[s, b], doubtful[s, b] = np.inf, 0
        if starts[b] == starts[b + 1]:
            continue
        decided = judge_first(
            s, b, slices, full, first, last, starts, keys, code, layout, columns, level_from_sensor,
            best, winner, closest, ends, hits, doubtful,
        )  # fmt: skip
        if decided and (best[s, b] <= far_square or doubtful[s, b] != 0 or not witnessing):
            continue
        judge_rest(
            s, b, slices, full, near_square, far_square, starts, keys, code, layout, columns,
            level_from_sensor, distances, ordered, moving, best, winner, closest, doubtful,
        )  # fmt: skip
