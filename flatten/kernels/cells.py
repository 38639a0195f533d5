"""The cells of a map that one scan occupies and frees.

It goes in two steps. `mark` notes on a sheet, a byte a cell about the scan, what the scan says: the way
of a beam through the cells is that of Amanatides & Woo (1987, "A fast voxel traversal algorithm for ray
tracing") in two dimensions: of the next border across x and the next across y the nearer one is crossed.
`add` then adds the sheet to the map, as log-odds (Moravec & Elfes 1985; Thrun, Burgard & Fox,
"Probabilistic Robotics", 2005: both from memory). So a scan counts once a cell however many of its beams
pass there, and what it hits it does not free: along a wall many beams pass cells in which others end.

Lengths and places are counted in cells, from the sheet's lower left corner.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import select

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Slots = npt.NDArray[np.int32]
Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.uint8]
Eights = npt.NDArray[np.uint64]

SHIFT = 6
TILE = 1 << SHIFT
"""Cells along the side of a tile: its log-odds take 16 KiB, half of the fastest cache."""

PASSED, HIT = 1, 2
"""Marks on the sheet: a beam crossed the cell; a beam ended in it."""
SEEN, WAS_FREE = 1, 2
"""Flags of a cell of the map: some scan told of it; it was held for free at some time."""

NO_MARK, PASSED_MARK, HIT_MARK = np.uint8(0), np.uint8(PASSED), np.uint8(HIT)
SEEN_MARK, WAS_FREE_MARK = np.uint8(SEEN), np.uint8(WAS_FREE)
"""The same in the type of the loops."""

HITS, HITS_IN_FREE, FREED, FREED_OCCUPIED = range(4)
"""Places in `counts`: cells hit, those of them that were free; cells freed, those that were occupied."""

TO_HIT, TO_FREE, LEAST, MOST, FREE, OCCUPIED = range(6)
"""Places in `odds`, log-odds: what a hit and a free passage add, the bounds of what is kept; at or below FREE
a cell is free, at or above OCCUPIED it is occupied."""


@part
def first_border(at: float, toward: float) -> float:
    """Way along a beam to the first border across one axis; inf where it runs along that axis' borders."""
    if toward > 0.0:
        return (math.floor(at) + 1.0 - at) / toward
    if toward < 0.0:
        return (math.floor(at) - at) / toward
    return np.inf


@part
def mark_passage(
    sheet: Flags, columns: int, x: float, y: float, along_x: float, along_y: float, length: float
) -> None:
    """Mark the cells that a beam crosses from border to border: neither the first nor the last one."""
    cell = math.floor(y) * columns + math.floor(x)
    next_x, next_y = first_border(x, along_x), first_border(y, along_y)
    apart_x = 1.0 / abs(along_x) if along_x != 0.0 else np.inf
    apart_y = 1.0 / abs(along_y) if along_y != 0.0 else np.inf
    step_x = 1 if along_x > 0.0 else -1
    step_y = columns if along_y > 0.0 else -columns
    while True:
        entered = min(next_x, next_y)
        across_x = next_x < next_y
        cell += step_x if across_x else step_y
        next_x += apart_x if across_x else 0.0
        next_y += 0.0 if across_x else apart_y
        left = min(next_x, next_y)
        if not left <= length:
            break
        # at a corner a beam touches a cell without crossing it
        sheet[cell] |= PASSED if entered < left else 0


@kernel
def mark(
    sheet: Flags,
    columns: int,
    start_x: float,
    start_y: float,
    along_x: Numbers,
    along_y: Numbers,
    hits: Numbers,
    free_from: Numbers,
    free_to: Numbers,
) -> None:
    """Mark on a blank sheet what one scan says.

    Parameters
    ----------
    sheet:
        (rows·columns,) zeros, row after row from the lowest y; becomes PASSED and HIT. It must hold every
        cell that is met.
    columns:
        Cells in a row of it.
    start_x, start_y:
        Where the beams begin.
    along_x, along_y:
        (bins,) unit vectors along the beams, in the map's axes.
    hits:
        (bins,) distance of what is hit; not finite where nothing is.
    free_from, free_to:
        (bins,) the stretch that is known to be free; none where the end is not beyond the beginning. It
        marks what it crosses from border to border: not the cells in which it begins and ends.

    """
    for b in range(len(hits)):
        if free_from[b] < free_to[b]:
            x, y = start_x + free_from[b] * along_x[b], start_y + free_from[b] * along_y[b]
            mark_passage(sheet, columns, x, y, along_x[b], along_y[b], free_to[b] - free_from[b])
    for b in range(len(hits)):
        if abs(hits[b]) < np.inf:
            column = math.floor(start_x + hits[b] * along_x[b])
            row = math.floor(start_y + hits[b] * along_y[b])
            sheet[row * columns + column] |= HIT


@part
def add_row(row: int, sheet: Flags, odds: Singles, to: int, values: Singles, flags: Flags) -> None:
    """Add a row of the sheet to one of a tile, all cells side by side: a loop without branches."""
    hit, free, least, most, is_free = odds[TO_HIT], odds[TO_FREE], odds[LEAST], odds[MOST], odds[FREE]
    for x in range(TILE):
        told, before = sheet[row, x], values[to, x]
        raised, lowered = min(before + hit, most), max(before + free, least)
        values[to, x] = select(told >= HIT_MARK, raised, select(told == PASSED_MARK, lowered, before))
        was_free = select((told == PASSED_MARK) & (lowered <= is_free), WAS_FREE_MARK, NO_MARK)
        flags[to, x] |= select(told != NO_MARK, SEEN_MARK, NO_MARK) | was_free


@part
def count_row(row: int, sheet: Flags, odds: Singles, to: int, values: Singles, counts: Counts) -> None:
    """Count what a row of the sheet is about to do, and where it denies what the map holds."""
    free, occupied = odds[FREE], odds[OCCUPIED]
    hits = hits_in_free = freed = freed_occupied = np.int32(0)
    for x in range(TILE):
        told, before = sheet[row, x], values[to, x]
        hits += np.int32(told >= HIT_MARK)
        hits_in_free += np.int32((told >= HIT_MARK) & (before <= free))
        freed += np.int32(told == PASSED_MARK)
        freed_occupied += np.int32((told == PASSED_MARK) & (before >= occupied))
    counts[HITS] += hits
    counts[HITS_IN_FREE] += hits_in_free
    counts[FREED] += freed
    counts[FREED_OCCUPIED] += freed_occupied


@kernel
def add(
    sheet: Flags,
    eights: Eights,
    odds: Singles,
    slots: Slots,
    values: Singles,
    flags: Flags,
    counts: Counts,
) -> None:
    """Add a marked sheet to the tiles of a map, and wipe it.

    Parameters
    ----------
    sheet:
        (rows·columns/TILE, TILE) as marked; both sides are whole tiles.
    eights:
        (rows·columns/TILE, TILE/8) the same memory, eight cells a word.
    odds:
        (6,) see TO_HIT to OCCUPIED.
    slots:
        (rows/TILE, columns/TILE) which of the tiles lies where.
    values, flags:
        (tiles·TILE, TILE) log-odds, and SEEN and WAS_FREE, of each cell, row after row of tile after tile.
    counts:
        (4,) see HITS to FREED_OCCUPIED; added to.

    """
    across = slots.shape[1]
    for part_of_row in range(sheet.shape[0]):
        told = np.uint64(0)
        for x in range(TILE // 8):
            told |= eights[part_of_row, x]
        if told == 0:
            continue
        row, tile_column = part_of_row // across, part_of_row % across
        to = slots[row >> SHIFT, tile_column] * TILE + (row & (TILE - 1))
        count_row(part_of_row, sheet, odds, to, values, counts)
        add_row(part_of_row, sheet, odds, to, values, flags)
        for x in range(TILE // 8):
            eights[part_of_row, x] = 0
