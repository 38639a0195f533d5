"""One pass over the returns, for all slices: the way of the data, block by block.

The fast half (`sieve` to `scatter`: float32, vectors) takes all returns and is sure of nearly all; the
exact half (`settle`, `merge`: float64) decides what is left. The answer is the exact half's, as if it
had seen every return.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.bands import find_unsure, take_band, turn_around
from flatten.kernels.gate import FARTHEST, MIN_HITS
from flatten.kernels.gather import Layout, gather
from flatten.kernels.jit import kernel, part
from flatten.kernels.levels import count_used, find_levels, take_levels
from flatten.kernels.lists import append_sure
from flatten.kernels.merge import merge
from flatten.kernels.pack import keep, whole
from flatten.kernels.scatter import NO_KEY, TABLES, Keys, count, scatter
from flatten.kernels.settle import put_aside, settle_all
from flatten.kernels.sieve import flag_heights, flag_own
from flatten.kernels.sift import sift
from flatten.kernels.spans import FIRST_GROUP, LEVEL_BEYOND, LEVEL_LOW
from flatten.kernels.workroom import BLOCK, FLAG, NO, UNSURE
from flatten.kernels.zones import swallow

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]
Counts = npt.NDArray[np.uint32]

RETURNS_SKIPPED, RETURNS_SWALLOWED = 0, 1
"""Places of a tally."""


@part
def sieve(
    n: int, m: Singles, body: Singles, middle: float, half: float, box: Singles, work: Singles, lanes: Lanes
) -> int:
    """Flag what may be of a slice's height or lie in a blind zone; give how many are no returns."""
    skipped = flag_heights(n, m, np.float32(middle), np.float32(half), work, lanes)
    if box.size > 0:
        flag_own(n, body, box, work, lanes)
    for j in range(n, whole(n)):
        lanes[FLAG + j] = NO
    return skipped


@part
def take_all_levels(
    n: int,
    kept: int,
    first: int,
    borders: Singles,
    spans: Indices,
    bands: Singles,
    row: int,
    counting: bool,
    tables: Keys,
    counters: Counts,
    aside: Indices,
    waiting: int,
    used: Indices,
    work: Singles,
    lanes: Lanes,
    keys: Keys,
    halves: Counts,
) -> int:
    """Enter what is surely of a level into the tables; count all that waits aside."""
    step = TABLES * row
    find_levels(n, borders, step, work, lanes)
    near, far = bands[0, 4], bands[0, 5]
    take_levels(n, first, borders.shape[0] * step, row, near, far, work, lanes, halves)
    waiting = scatter(kept, keys, lanes, tables, aside, waiting)
    for s in range(spans.shape[0]):
        if spans[s, LEVEL_BEYOND] > 0:
            used[s] += count_used(n, spans[s, LEVEL_LOW] * step, spans[s, LEVEL_BEYOND] * step, lanes)
    if counting:
        count(kept, lanes, counters)
    return waiting


@part
def take_band_of(
    s: int,
    n: int,
    kept: int,
    first: int,
    slices: Numbers,
    spans: Indices,
    bands: Singles,
    row: int,
    counting: bool,
    tables: Keys,
    counters: Counts,
    aside: Indices,
    waiting: int,
    used: Indices,
    work: Singles,
    lanes: Lanes,
    keys: Keys,
    halves: Counts,
) -> int:
    """Enter what is surely of slice s, which is no levels, into its tables; count all that waits aside."""
    used[s] += take_band(n, first, bands, s, spans[s, FIRST_GROUP] * TABLES * row, row, work, lanes, halves)
    waiting = scatter(kept, keys, lanes, tables, aside, waiting)
    if counting:
        count(kept, lanes, counters)
    if slices[s, FARTHEST] != 0.0:
        turn_around(n, TABLES * row, work, lanes, halves)
        waiting = scatter(kept, keys, lanes, tables, aside, waiting)
    return waiting


@part
def take_bands(
    n: int,
    kept: int,
    first: int,
    slices: Numbers,
    spans: Indices,
    bands: Singles,
    row: int,
    counting: bool,
    tables: Keys,
    counters: Counts,
    aside: Indices,
    waiting: int,
    used: Indices,
    listed: Indices,
    list_bins: Lanes,
    list_keys: Indices,
    starts: Indices,
    work: Singles,
    lanes: Lanes,
    keys: Keys,
    halves: Counts,
) -> int:
    """Enter what is surely of a slice that is no levels into its tables or its list, slice by slice."""
    lists = 0
    for s in range(slices.shape[0]):
        if slices[s, MIN_HITS] > 1.0:
            take_band(n, first, bands, s, 0, row, work, lanes, halves)
            append_sure(kept, keys, lanes, lists, listed, list_bins, list_keys, starts)
            lists += 1
        elif spans[s, LEVEL_BEYOND] == 0:
            waiting = take_band_of(
                s, n, kept, first, slices, spans, bands, row, counting, tables, counters, aside, waiting,
                used, work, lanes, keys, halves,
            )  # fmt: skip
    return waiting


@part
def find_unsure_of_bands(n: int, spans: Indices, bands: Singles, work: Singles, lanes: Lanes) -> None:
    """Mark as UNSURE what is unsure to one of the slices that are no levels."""
    for j in range(n):
        lanes[UNSURE + j] = NO
    for s in range(spans.shape[0]):
        if spans[s, LEVEL_BEYOND] == 0:
            find_unsure(n, bands, s, work, lanes)


@part
def reset(
    slices: Numbers,
    tables: Keys,
    counters: Counts,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: Counts,
    used: Indices,
    blocked: Flags,
    listed: Indices,
    starts: Indices,
    tally: Indices,
) -> None:
    """Put all tables into their starting state: nothing seen, nothing decided."""
    for s in range(slices.shape[0]):
        start = (
            -1.0 if slices[s, FARTHEST] != 0.0 else np.inf
        )  # the greatest distance is sought, or the least
        for b in range(best.shape[1]):
            best[s, b], ends[s, b], winner[s, b], hits[s, b] = start, np.inf, -1, 0
        used[s] = 0
    for b in range(blocked.size):
        blocked[b] = 0
    tables[:] = NO_KEY
    counters[:] = 0
    listed[:] = 0
    starts[:, :] = 0
    tally[:] = 0


@kernel
def sweep(
    code: int,
    layout: Layout,
    columns: int,
    stride: int,
    n_returns: int,
    level_from_sensor: Numbers,
    m: Singles,
    body_from_sensor: Numbers,
    body: Singles,
    zones: Numbers,
    box: Singles,
    slices: Numbers,
    bands: Singles,
    borders: Singles,
    spans: Indices,
    middle: float,
    half: float,
    first_turn: float,
    span: float,
    near_square: float,
    far_square: float,
    counting: bool,
    row: int,
    tables: Keys,
    counters: Counts,
    aside: Indices,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: Counts,
    used: Indices,
    blocked: Flags,
    listed: Indices,
    list_bins: Lanes,
    list_keys: Indices,
    starts: Indices,
    tally: Indices,
    work: Singles,
    lanes: Lanes,
    keys: Keys,
    halves: Counts,
    least: Keys,
    second: Keys,
    joined: Keys,
    points: Numbers,
) -> None:
    """Fill the tables of all slices from the returns of one cloud.

    Tables are (slices, bins), in any state; `tables` and `counters` (cells,) hold rows of `row` cells,
    of which `spans` tells those of each slice. Returns of slices with min_hits are only put into
    lists, for `accept`. `zones` (k, 12), `bands` (s, 6) and `spans` (s, 4) are rows as in the modules of
    those names, `slices` (s, 6) as in `gate`, `borders` (2k, 2) as in `levels`; `m` and `body` (13,) are
    level_from_sensor and body_from_sensor as in `sift`; first_turn and span are in quarter turns; the
    sieve lets through what lies within `half` of `middle`, metres. The last eight are room to work
    in; `halves` are the keys seen as 32-bit numbers.
    """
    reset(slices, tables, counters, best, winner, ends, hits, used, blocked, listed, starts, tally)
    n_bins, levels, others = best.shape[1], borders.shape[0] > 0, borders.shape[0] < 2 * slices.shape[0]
    waiting = 0
    for first in range(0, n_returns, BLOCK):
        taken = n_returns - first if n_returns - first < BLOCK else BLOCK
        gather(code, layout, columns, stride, first, taken, work)
        tally[RETURNS_SKIPPED] += sieve(taken, m, body, middle, half, box, work, lanes)
        kept = keep(whole(taken), work, lanes)
        n = whole(kept)
        sift(n, m, np.float32(first_turn), np.float32(span), np.float32(n_bins), work, lanes)
        tally[RETURNS_SWALLOWED] += swallow(
            kept, first, code, layout, columns, body_from_sensor, level_from_sensor, zones, first_turn, span,
            work, lanes, blocked,
        )  # fmt: skip
        find_unsure_of_bands(n, spans, bands, work, lanes)
        if levels:
            waiting = take_all_levels(
                n, kept, first, borders, spans, bands, row, counting, tables, counters, aside,
                waiting, used, work, lanes, keys, halves,
            )  # fmt: skip
        if others:
            waiting = take_bands(
                n, kept, first, slices, spans, bands, row, counting, tables, counters, aside, waiting, used,
                listed, list_bins, list_keys, starts, work, lanes, keys, halves,
            )  # fmt: skip
        waiting = put_aside(n, first, lanes, aside, waiting)
        if waiting > aside.size // 2 or first + BLOCK >= n_returns:  # a block fills less than half
            settle_all(
                aside, waiting, code, layout, columns, level_from_sensor, slices, first_turn, span,
                near_square, far_square, best, winner, ends, hits, used, listed, list_bins, list_keys, starts,
            )  # fmt: skip
            waiting = 0
    merge(
        slices, spans, row, counting, tables, counters, code, layout, columns, stride, level_from_sensor,
        near_square, far_square, least, second, joined, points, best, winner, ends, hits,
    )  # fmt: skip
