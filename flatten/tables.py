"""The arrays that the kernels fill, allocated once and used for every frame."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import MIN_HITS
from flatten.kernels.scatter import TABLES
from flatten.kernels.stretches import NUMBERS, TILE_LANES
from flatten.kernels.strides import MOST_STEPS, STRIDE_DOUBLES, STRIDE_LANES, STRIDE_NUMBERS
from flatten.kernels.workroom import BLOCK, LANES, SINGLES
from flatten.plan import CLEAR_WORDS, Plan


class Tables:
    """Working memory of one flattener: grows to the largest cloud seen, never with their number."""

    def __init__(self, plan: Plan, witnessing: bool, counting: bool) -> None:
        slices, bins = len(plan.slices), len(plan.bearings)
        self.bins = bins
        self.best = np.zeros((slices, bins))
        self.winner = np.zeros((slices, bins), np.int64)
        self.ends = np.zeros((slices, bins))
        self.hits = np.zeros((slices, bins), np.uint32)
        self.doubtful = np.zeros((slices, bins), np.uint8)
        self.blocked = np.zeros(bins, np.uint8)
        self.dropped = np.zeros(bins, np.uint8)
        self.masks = np.zeros((slices if witnessing else 0, bins, CLEAR_WORDS), np.uint64)
        self.tally = np.zeros(2, np.int64)
        self.used = np.zeros(slices, np.int64)
        groups = plan.levels.groups
        cells = groups * TABLES * plan.levels.row
        self.tables = np.zeros(cells, np.int64)
        self.counters = np.zeros(cells if counting else 0, np.uint32)
        self.aside = np.zeros(2 * (4 * slices + 1) * BLOCK, np.int64)
        self.work = np.zeros(SINGLES, np.float32)
        self.lanes = np.zeros(LANES, np.int32)
        self.keys = np.zeros(BLOCK, np.int64)
        self.halves = self.keys.view(np.uint32)
        self.least, self.second = (np.zeros((groups, bins), np.int64) for _ in range(2))
        self.joined = np.zeros((2, bins), np.int64)
        self.points = np.zeros((4, bins))
        self.beams = beam_room(witnessing)
        self.in_lists = np.flatnonzero(plan.slices[:, MIN_HITS] > 1)
        """Slices with min_hits, in the order of their lists."""
        self.listed_slices = frozenset(self.in_lists.tolist())
        self.listed = np.zeros(len(self.in_lists), np.int64)
        self.starts = np.zeros((len(self.in_lists), bins + 2), np.int64)
        self.ordered = np.zeros(bins, np.uint8)
        self.moving = np.zeros((2, 3), np.int64)
        self.closest = np.zeros((slices, bins)) if len(self.in_lists) else self.ends
        """The nearest accepted return; without min_hits the nearest of any kind."""
        self.room = 0
        self.grow(0)

    def grow(self, returns: int) -> None:
        """Make room for `returns` returns."""
        lists = len(self.in_lists)
        room = returns if lists else 0
        if returns and room <= self.room:
            return
        self.room = room
        self.list_bins = np.zeros((lists, room), np.int32)
        self.list_keys = np.zeros((lists, room), np.int64)
        self.sorted_keys = np.zeros(room, np.int64)
        self.distances = np.zeros(room)

    def for_sweep(self) -> tuple[Any, ...]:
        """Give the tables in the order in which `kernels.sweep.sweep` takes them."""
        return (
            self.tables, self.counters, self.aside, self.best, self.winner, self.ends, self.hits, self.used,
            self.blocked, self.listed, self.list_bins, self.list_keys, self.starts, self.tally, self.work,
            self.lanes, self.keys, self.halves, self.least, self.second,
            self.joined, self.points,
        )  # fmt: skip

    def for_accept(self) -> tuple[Any, ...]:
        """Give the tables in the order in which `kernels.accept.accept` takes them."""
        return (
            self.list_bins, self.list_keys, self.starts, self.sorted_keys, self.distances, self.ordered,
            self.moving, self.best, self.winner, self.closest, self.ends, self.hits, self.doubtful,
        )  # fmt: skip


def beam_room(witnessing: bool) -> tuple[npt.NDArray[Any], ...]:
    """Room for `kernels.beams.follow_beams` to work in, in the order in which it takes it."""
    wanted = 1 if witnessing else 0
    return (
        np.zeros(wanted * TILE_LANES, np.int32),
        np.zeros(wanted * NUMBERS, np.float32),
        np.zeros(wanted * STRIDE_NUMBERS, np.float32),
        np.zeros(wanted * STRIDE_DOUBLES),
        np.zeros(wanted * STRIDE_LANES, np.int32),
        np.zeros(wanted * 2 * MOST_STEPS, np.float32),
    )
