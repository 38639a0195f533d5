"""One pass over the returns, for all slices: the way of the data, block by block.

The fast half (`sift`, `scatter`: float32, vectors) takes all returns and is sure of nearly all; the
exact half (`settle`, float64) decides what is left. The answer is the exact half's, as if it had
seen every return.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS
from flatten.kernels.gather import Bytes, Layout, gather_packed, gather_singles
from flatten.kernels.jit import kernel, part
from flatten.kernels.scatter import Keys, take_slices
from flatten.kernels.settle import collect_sure, merge, settle
from flatten.kernels.sift import find_unsure, pick, sift
from flatten.kernels.workroom import BLOCK, UNSURE
from flatten.kernels.zones import swallow

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]

RETURNS_SKIPPED, RETURNS_SWALLOWED = 0, 1
"""Places of a tally."""


@part
def take_lists(
    n: int,
    first: int,
    work: Singles,
    lanes: Lanes,
    bands: Singles,
    slices: Numbers,
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    listed: Indices,
    list_bins: Lanes,
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Append the sure returns of a block to the lists of the slices with min_hits."""
    lists = 0
    for s in range(slices.shape[0]):
        if slices[s, MIN_HITS] > 1.0:
            pick(n, bands, s, work, lanes)
            collect_sure(
                n, first, work, lanes, source, code, layout, columns, level_from_sensor,
                lists, listed, list_bins, list_squares, list_index,
            )  # fmt: skip
            lists += 1


@part
def settle_all(
    n: int,
    first: int,
    lanes: Lanes,
    crowd: Indices,
    crowded: int,
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    slices: Numbers,
    first_turn: float,
    span: float,
    near_square: float,
    far_square: float,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: npt.NDArray[np.uint32],
    used: Indices,
    listed: Indices,
    list_bins: Lanes,
    list_squares: Numbers,
    list_index: Indices,
) -> None:
    """Settle the unsure returns of a block, and the first `crowded` of the crowd."""
    for k in range(n + crowded):
        if k < n and lanes[UNSURE + k] == 0:
            continue
        settle(
            first + k if k < n else crowd[k - n], 1 if k < n else 0,
            source, code, layout, columns, level_from_sensor, slices, first_turn, span, near_square,
            far_square, best, winner, ends, hits, used, listed, list_bins, list_squares, list_index,
        )  # fmt: skip


@part
def finish(
    groups: Indices,
    tables: Keys,
    source: Bytes,
    code: int,
    layout: Layout,
    columns: int,
    level_from_sensor: Numbers,
    slices: Numbers,
    near_square: float,
    far_square: float,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
) -> None:
    """Let the winners of the fast half decide, by their exact distances."""
    for s in range(slices.shape[0]):
        for side in range(2):
            if groups[s, side] >= 0:
                farthest = slices[s, FARTHEST] != 0.0
                merge(
                    s, groups[s, side], tables, side == 1, source, code, layout, columns, level_from_sensor,
                    near_square, far_square, best, winner, ends, farthest == (side == 1),
                )  # fmt: skip


@kernel
def sweep(
    source: Bytes,
    packed: Singles,
    code: int,
    layout: Layout,
    columns: int,
    n_returns: int,
    level_from_sensor: Numbers,
    matrix: Singles,
    body_from_sensor: Numbers,
    zones: Numbers,
    zone_square: float,
    slices: Numbers,
    bands: Singles,
    groups: Indices,
    first_turn: float,
    span: float,
    near_square: float,
    far_square: float,
    counting: bool,
    tables: Keys,
    crowd: Indices,
    best: Numbers,
    winner: Indices,
    ends: Numbers,
    hits: npt.NDArray[np.uint32],
    used: Indices,
    blocked: Flags,
    listed: Indices,
    list_bins: npt.NDArray[np.int32],
    list_squares: Numbers,
    list_index: Indices,
    tally: Indices,
    work: Singles,
    lanes: Lanes,
) -> None:
    """Fill the tables of all slices from the returns of one cloud.

    Tables are (slices, bins) and arrive in their starting state; `tables` is (groups, 4, bins), and
    `groups` (slices, 2) names those of each slice. Returns of slices with min_hits are only put into
    lists (slices with min_hits, returns), for `accept`. `zones` (k, 12), `slices` (s, 6) and `bands`
    (s, 6) are rows as in `zones`, `gate` and `sift`; first_turn and span are in quarter turns.
    `packed` holds x, y, z without gaps, or nothing. The last two are room to work in, for a block.
    """
    n_slices, n_bins = best.shape
    room, crowded = 4 * BLOCK * n_slices, 0
    for first in range(0, n_returns, BLOCK):
        n = n_returns - first if n_returns - first < BLOCK else BLOCK
        if packed.size > 0:
            tally[RETURNS_SKIPPED] += gather_packed(packed, first, n, work)
        else:
            tally[RETURNS_SKIPPED] += gather_singles(source, code, layout, columns, first, n, work)
        sift(n, matrix, np.float32(first_turn), np.float32(span), np.float32(n_bins), work, lanes)
        if zones.shape[0] > 0:
            tally[RETURNS_SWALLOWED] += swallow(
                n, first, source, code, layout, columns, body_from_sensor, level_from_sensor, zones,
                zone_square, first_turn, span, work, lanes, blocked,
            )  # fmt: skip
        find_unsure(n, bands, work, lanes)
        crowded = take_slices(
            n, first, work, lanes, bands, slices, groups, tables, crowd, crowded, counting, hits, used,
        )  # fmt: skip
        if listed.size > 0:
            take_lists(
                n, first, work, lanes, bands, slices, source, code, layout, columns, level_from_sensor,
                listed, list_bins, list_squares, list_index,
            )  # fmt: skip
        now = crowded if crowded > crowd.size - room or first + BLOCK >= n_returns else 0
        settle_all(
            n, first, lanes, crowd, now, source, code, layout, columns, level_from_sensor, slices,
            first_turn, span, near_square, far_square, best, winner, ends, hits, used, listed, list_bins,
            list_squares, list_index,
        )  # fmt: skip
        crowded = 0 if now > 0 else crowded
    finish(
        groups, tables, source, code, layout, columns, level_from_sensor, slices, near_square, far_square,
        best, winner, ends,
    )  # fmt: skip
