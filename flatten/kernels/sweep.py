"""One pass over the returns, for all slices: the way of the data, block by block.

The fast half (`sieve` to `scatter`: float32, vectors) takes all returns and is sure of nearly all; the
exact half (`settle`, `merge`: float64) decides what is left. The answer is the exact half's, as if it
had seen every return.
"""

from __future__ import annotations

import numpy as np

from flatten.kernels.bands import FAR_END, NEAR_END, find_unsure, take_band, turn_around
from flatten.kernels.gate import FARTHEST, MIN_HITS
from flatten.kernels.gather import gather
from flatten.kernels.ground import is_given, lower
from flatten.kernels.groups import (
    Bins,
    Frame,
    Ground,
    Lists,
    Newest,
    Plan,
    Returns,
    Tables,
    Work,
    opened,
)
from flatten.kernels.jit import kernel, part
from flatten.kernels.levels import count_used, find_levels, take_levels
from flatten.kernels.lists import append_sure
from flatten.kernels.merge import merge
from flatten.kernels.newest import doubt_older
from flatten.kernels.pack import keep, whole
from flatten.kernels.scatter import NO_KEY, TABLES, count, scatter
from flatten.kernels.settle import put_aside, settle_all
from flatten.kernels.sieve import flag_heights, flag_own
from flatten.kernels.sift import sift
from flatten.kernels.spans import FIRST_GROUP, LEVEL_BEYOND, LEVEL_LOW
from flatten.kernels.words import Words
from flatten.kernels.workroom import BLOCK, FLAG, NO, UNSURE
from flatten.kernels.zones import swallow

RETURNS_SKIPPED, RETURNS_SWALLOWED = 0, 1
"""Places of a tally."""


@part
def sieve(n: int, frame: Frame, plan: Plan, work: Work) -> int:
    """Flag what may be of a slice's height or lie in a blind zone; give how many are no returns."""
    singles, lanes = work.singles, work.lanes
    skipped = flag_heights(n, frame.matrix, np.float32(plan.middle), np.float32(frame.half), singles, lanes)
    if plan.box.size > 0:
        flag_own(n, plan.body_matrix, plan.box, singles, lanes)
    for j in range(n, whole(n)):
        lanes[FLAG + j] = NO
    return skipped


@part
def take_all_levels(
    n: int, kept: int, first: int, waiting: int, plan: Plan, bins: Bins, tables: Tables, work: Work
) -> int:
    """Enter what is surely of a level into the tables; count all that waits aside."""
    singles, lanes, step = work.singles, work.lanes, TABLES * plan.row
    find_levels(n, plan.borders, step, singles, lanes)
    near, far = plan.bands[0, NEAR_END], plan.bands[0, FAR_END]
    take_levels(n, first, plan.borders.shape[0] * step, plan.row, near, far, singles, lanes, work.halves)
    waiting = scatter(kept, work.keys, lanes, tables.keys, tables.aside, waiting)
    for s in range(plan.spans.shape[0]):
        low, beyond = plan.spans[s, LEVEL_LOW], plan.spans[s, LEVEL_BEYOND]
        if beyond > 0:
            bins.used[s] += count_used(n, low * step, beyond * step, lanes)
    if tables.counters.size > 0:
        count(kept, lanes, tables.counters)
    return waiting


@part
def take_band_of(
    s: int, n: int, kept: int, first: int, waiting: int, plan: Plan, bins: Bins, tables: Tables, work: Work
) -> int:
    """Enter what is surely of slice s, which is no levels, into its tables; count all that waits aside."""
    singles, lanes, step = work.singles, work.lanes, TABLES * plan.row
    offset = plan.spans[s, FIRST_GROUP] * step
    bins.used[s] += take_band(n, first, plan.bands, s, offset, plan.row, singles, lanes, work.halves)
    waiting = scatter(kept, work.keys, lanes, tables.keys, tables.aside, waiting)
    if tables.counters.size > 0:
        count(kept, lanes, tables.counters)
    if plan.slices[s, FARTHEST] != 0.0:
        turn_around(n, step, singles, lanes, work.halves)
        waiting = scatter(kept, work.keys, lanes, tables.keys, tables.aside, waiting)
    return waiting


@part
def take_bands(
    n: int,
    kept: int,
    first: int,
    waiting: int,
    plan: Plan,
    bins: Bins,
    tables: Tables,
    lists: Lists,
    work: Work,
) -> int:
    """Enter what is surely of a slice that is no levels into its tables or its list, slice by slice."""
    number = 0
    for s in range(plan.slices.shape[0]):
        if plan.slices[s, MIN_HITS] > 1.0:
            take_band(n, first, plan.bands, s, 0, plan.row, work.singles, work.lanes, work.halves)
            append_sure(kept, work.keys, work.lanes, number, lists)
            number += 1
        elif plan.spans[s, LEVEL_BEYOND] == 0:
            waiting = take_band_of(s, n, kept, first, waiting, plan, bins, tables, work)
    return waiting


@part
def find_unsure_of_bands(n: int, plan: Plan, work: Work) -> None:
    """Mark as UNSURE what is unsure to one of the slices that are no levels."""
    for j in range(n):
        work.lanes[UNSURE + j] = NO
    for s in range(plan.spans.shape[0]):
        if plan.spans[s, LEVEL_BEYOND] == 0:
            find_unsure(n, plan.bands, s, work.singles, work.lanes)


@part
def reset(plan: Plan, bins: Bins, tables: Tables, lists: Lists) -> None:
    """Put all tables into their starting state: nothing seen, nothing decided."""
    best, winner, ends, hits = bins.best, bins.winner, bins.ends, bins.hits
    for s in range(plan.slices.shape[0]):
        # the greatest distance is sought, or the least
        start = -1.0 if plan.slices[s, FARTHEST] != 0.0 else np.inf
        for b in range(plan.bins):
            best[s, b], ends[s, b], winner[s, b], hits[s, b] = start, np.inf, -1, 0
        bins.used[s] = 0
    bins.blocked[:] = 0
    bins.tally[:] = 0
    tables.keys[:] = NO_KEY
    tables.counters[:] = 0
    lists.listed[:] = 0
    lists.starts[:, :] = 0


@part
def sift_block(
    first: int, n: int, returns: Returns, frame: Frame, plan: Plan, bins: Bins, newest: Newest, work: Work
) -> int:
    """Bring n returns from `first` on in, and those that matter into their bins; give how many these are."""
    gather(first, n, returns, work.singles)
    bins.tally[RETURNS_SKIPPED] += sieve(n, frame, plan, work)
    kept = keep(whole(n), work.singles, work.lanes)
    sift(
        whole(kept), frame.matrix, np.float32(plan.first_turn), np.float32(plan.span), np.float32(plan.bins),
        work.singles, work.lanes,
    )  # fmt: skip
    bins.tally[RETURNS_SWALLOWED] += swallow(kept, first, returns, frame, plan, bins, newest, work)
    return kept


@kernel
def sweep(words: Words) -> None:
    """Fill the tables of all slices from the returns of one cloud, or of several gathered ones.

    Returns of slices with min_hits are only put into lists, for `accept`. What is handed over stands in
    `groups`; all of `bins`, `tables` and `lists` may be in any state.
    """
    returns, frame, plan = opened(words, Returns), opened(words, Frame), opened(words, Plan)
    ground, bins, tables = opened(words, Ground), opened(words, Bins), opened(words, Tables)
    lists, work, newest = opened(words, Lists), opened(words, Work), opened(words, Newest)
    reset(plan, bins, tables, lists)
    some_levels = plan.borders.shape[0] > 0
    some_bands = plan.borders.shape[0] < 2 * plan.slices.shape[0]
    waiting = 0
    for first in range(0, returns.n, BLOCK):
        taken = returns.n - first if returns.n - first < BLOCK else BLOCK
        kept = sift_block(first, taken, returns, frame, plan, bins, newest, work)
        n = whole(kept)
        if is_given(ground):
            lower(n, ground, work.singles, work.lanes)
        find_unsure_of_bands(n, plan, work)
        if first + taken > newest.returns:
            doubt_older(n, first, plan, newest, work)
        if some_levels:
            waiting = take_all_levels(n, kept, first, waiting, plan, bins, tables, work)
        if some_bands:
            waiting = take_bands(n, kept, first, waiting, plan, bins, tables, lists, work)
        waiting = put_aside(n, first, work.lanes, tables.aside, waiting)
        if waiting > tables.aside.size // 2 or first + BLOCK >= returns.n:  # a block fills less than half
            settle_all(tables.aside, waiting, returns, frame, ground, plan, bins, lists, newest)
            waiting = 0
    merge(returns, frame, plan, bins, tables)
