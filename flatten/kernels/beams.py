"""The second pass, where CLEAR is wanted: what the beams of all returns passed."""

from __future__ import annotations

import math

import numpy as np

from flatten.kernels.gather import gather
from flatten.kernels.ground import above, is_given
from flatten.kernels.groups import Bins, Frame, Ground, Newest, Plan, Returns, Tile, Work, opened
from flatten.kernels.jit import kernel, part
from flatten.kernels.pack import keep, whole
from flatten.kernels.place import exact_bin, place_return, start_of
from flatten.kernels.sift import sift
from flatten.kernels.stretches import (
    BEAM_BYTES,
    DROPS,
    EXACT,
    TILE,
    aim_level,
    flag_beams,
    flag_ends,
    heights_that_matter,
    stretch,
)
from flatten.kernels.strides import (
    FARTHEST_OFF,
    MOST_STEPS,
    WIDEST,
    aim_beside,
    begin_apart,
    begin_together,
    face,
    load_tile,
    mark_across,
    mark_straight,
)
from flatten.kernels.witness import witness
from flatten.kernels.words import Words
from flatten.kernels.workroom import BIN, BLOCK, NUMBER


@part
def follow_exactly(
    index: int, returns: Returns, frame: Frame, ground: Ground, plan: Plan, bins: Bins
) -> None:
    """Let the exact half follow the beam of one return."""
    x, y, z = place_return(index, returns, frame.level_from_sensor)
    b = exact_bin(x, y, plan)
    if b < 0 or not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
        return
    if above(z, x * x + y * y, b, ground) < -plan.drop:
        bins.dropped[b] = 1
    witness(x, y, z, b, start_of(index, returns, frame.level_from_sensor), plan, ground, bins.masks)


@part
def bin_width(plan: Plan) -> float:
    """Radians of a bin."""
    return plan.span * math.pi * 0.5 / plan.bins


@part
def start_beams(returns: Returns, frame: Frame, plan: Plan, tile: Tile) -> None:
    """Make ready what is the same for all tiles: the sine and cosine of whole numbers of bins, and starts."""
    m, width = frame.level_from_sensor, bin_width(plan)
    if returns.starts == 0:
        begin_together(m, tile.exact)
    if returns.starts != 0 or m[0, 3] != 0.0 or m[1, 3] != 0.0:
        for q in range(MOST_STEPS):
            tile.turns[2 * q], tile.turns[2 * q + 1] = math.sin(q * width), math.cos(q * width)


@part
def aim(
    n: int, first: int, start: int, returns: Returns, frame: Frame, plan: Plan, work: Work, tile: Tile
) -> float:
    """Describe n beams of a block, from its place `start` on, in their own terms.

    Gives how far beside the axis, or above or below the sensor, they begin at most; 0 if all do on the axis.
    """
    m, here, bins = frame.level_from_sensor, work.singles[start:], work.lanes[start:]
    beside = abs(m[0, 3]) + abs(m[1, 3])
    if returns.starts != 0:
        beside = begin_apart(n, first, returns, m, bins, tile.exact)
    if beside > 0.0:
        width = bin_width(plan)
        widest_off = FARTHEST_OFF / width if width < WIDEST else 0.0
        load_tile(n, first, returns, here, bins, tile.exact)
        aim_beside(
            n, m, plan.drop, plan.cells_per_metre, widest_off, tile.exact, bins, tile.kept, tile.room
        )  # fmt: skip
        face(n, plan.edges, tile.exact, bins, tile.side)
    else:
        aim_level(
            n, np.float32(m[2, 3]), np.float32(plan.drop), np.float32(plan.cells_per_metre), here, bins,
            tile.kept, tile.room,
        )  # fmt: skip
    return beside


@part
def follow_tile(
    n: int, start: int, beside: float, frame: Frame, plan: Plan, bins: Bins, work: Work, tile: Tile
) -> None:
    """Mark what the sure beams of a tile witness in all slices, and where they end in a drop."""
    lanes, kept, aloft = work.lanes[start:], tile.kept, abs(frame.level_from_sensor[2, 3]) + beside
    for k in range(n):
        if kept[DROPS + k] != 0 and lanes[BIN + k] >= 0:
            bins.dropped[lanes[BIN + k]] = 1
    for s in range(plan.slices.shape[0]):
        stretch(
            n, s, plan.slices, plan.smallest, beside, aloft, plan.cells_per_metre, kept, tile.room
        )  # fmt: skip
        if beside == 0.0:
            mark_straight(n, s, lanes, kept, bins.masks)
        else:
            mark_across(n, s, lanes, plan, bins.masks, tile)


@part
def follow_block(
    first: int,
    n: int,
    exactly: bool,
    returns: Returns,
    frame: Frame,
    ground: Ground,
    plan: Plan,
    bins: Bins,
    work: Work,
    tile: Tile,
) -> None:
    """Follow the n beams that matter of the block from return `first` on; `exactly`: by the exact half."""
    for start in range(0, n, TILE):
        m = n - start if n - start < TILE else TILE
        if exactly:
            tile.kept[EXACT : EXACT + m] = 1
        else:
            beside = aim(m, first, start, returns, frame, plan, work, tile)
            follow_tile(m, start, beside, frame, plan, bins, work, tile)
        for k in range(m):
            if tile.kept[EXACT + k] != 0:
                follow_exactly(first + work.lanes[NUMBER + start + k], returns, frame, ground, plan, bins)


@part
def flag(
    first: int, n: int, lowest: float, highest: float, returns: Returns, frame: Frame, plan: Plan, work: Work
) -> None:
    """Flag which of n gathered returns from `first` on end beams that may matter."""
    if returns.starts == 0:
        z0 = frame.level_from_sensor[2, 3]
        flag_ends(n, z0, frame.matrix, lowest, highest, plan.drop, work.singles, work.lanes)
    else:
        start = returns.x.start + first * BEAM_BYTES
        flag_beams(n, start, frame.matrix, lowest, highest, plan.drop, work.singles, work.lanes)


@kernel
def follow_beams(words: Words) -> None:
    """Mark the witnessed cells of all slices, and the bins with a return beyond an edge.

    What is handed over stands in `groups`; `masks` and `dropped` may be in any state, but where some beams
    have been followed already: there the marks of all others join theirs.
    """
    returns, frame, plan = opened(words, Returns), opened(words, Frame), opened(words, Plan)
    ground, bins, newest = opened(words, Ground), opened(words, Bins), opened(words, Newest)
    work, tile = opened(words, Work), opened(words, Tile)
    if newest.followed == 0:
        bins.masks[:, :, :] = 0
        bins.dropped[:] = 0
    exactly = is_given(ground)
    start_beams(returns, frame, plan, tile)
    lowest, highest = heights_that_matter(plan.slices, plan.smallest)
    if exactly:
        lowest, highest = -math.inf, math.inf
    for first in range(newest.followed, returns.n, BLOCK):
        n = returns.n - first if returns.n - first < BLOCK else BLOCK
        gather(first, n, returns, work.singles)
        flag(first, n, lowest, highest, returns, frame, plan, work)
        n = keep(whole(n), work.singles, work.lanes)
        sift(
            whole(n), frame.matrix, np.float32(plan.first_turn), np.float32(plan.span), np.float32(plan.bins),
            work.singles, work.lanes,
        )  # fmt: skip
        follow_block(first, n, exactly, returns, frame, ground, plan, bins, work, tile)
