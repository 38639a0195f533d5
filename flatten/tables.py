"""The arrays that the kernels fill, allocated once and reset for every frame."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.kernels.gate import FARTHEST, MIN_HITS
from flatten.kernels.scatter import NO_KEY, TABLES
from flatten.kernels.workroom import BLOCK
from flatten.plan import CLEAR_WORDS, Plan


class Tables:
    """Working memory of one flattener: grows to the largest cloud seen, never with their number."""

    def __init__(self, plan: Plan, witnessing: bool) -> None:
        slices, bins = len(plan.slices), len(plan.bearings)
        self.bins = bins
        self.best = np.empty((slices, bins))
        self.winner = np.empty((slices, bins), np.int64)
        self.closest = np.empty((slices, bins))
        self.ends = np.empty((slices, bins))
        self.hits = np.empty((slices, bins), np.uint32)
        self.doubtful = np.empty((slices, bins), np.uint8)
        self.blocked = np.empty(bins, np.uint8)
        self.dropped = np.empty(bins, np.uint8)
        self.masks = np.empty((slices if witnessing else 0, bins, CLEAR_WORDS), np.uint64)
        self.tally = np.empty(2, np.int64)
        self.used = np.empty(slices, np.int64)
        self.groups = table_groups(plan)
        self.tables = np.empty((int(self.groups.max(initial=0)) + 1, TABLES, bins), np.uint64)
        self.crowd = np.empty(8 * BLOCK * slices, np.int64)
        self.work = np.empty(7 * BLOCK, np.float32)
        self.lanes = np.empty(4 * BLOCK, np.int32)
        self.starts = np.empty(bins + 1, np.int64)
        # for `pick: nearest` the least distance is sought, for `pick: farthest` the greatest
        self._start = np.where(plan.slices[:, FARTHEST] != 0.0, -1.0, np.inf)[:, None]
        self.in_lists = np.flatnonzero(plan.slices[:, MIN_HITS] > 1)
        """Slices with min_hits, in the order of their lists."""
        self.listed = np.empty(len(self.in_lists), np.int64)
        self._grow(0)

    def reset(self, returns: int) -> None:
        """Put every table into its starting state and make room for `returns` returns."""
        self.best[:] = self._start
        self.winner[:] = -1
        self.closest[:] = np.inf
        self.ends[:] = np.inf
        self.tables[:] = NO_KEY
        for table in (
            self.hits,
            self.doubtful,
            self.blocked,
            self.dropped,
            self.masks,
            self.tally,
            self.used,
            self.listed,
        ):
            table[...] = 0
        if len(self.in_lists) and returns > self.sorted_squares.size:
            self._grow(returns)

    def _grow(self, returns: int) -> None:
        lists, room = len(self.in_lists), returns if len(self.in_lists) else 0
        self.list_bins = np.empty((lists, room), np.int32)
        self.list_squares = np.empty((lists, room))
        self.list_index = np.empty((lists, room), np.int64)
        self.sorted_squares = np.empty(room)
        self.sorted_index = np.empty(room, np.int64)

    def for_sweep(self) -> tuple[Any, ...]:
        """Give the tables in the order in which `kernels.sweep.sweep` takes them."""
        return (
            self.tables, self.crowd, self.best, self.winner, self.ends, self.hits, self.used, self.blocked,
            self.listed, self.list_bins, self.list_squares, self.list_index, self.tally, self.work,
            self.lanes,
        )  # fmt: skip

    def for_accept(self) -> tuple[Any, ...]:
        """Give the tables in the order in which `kernels.accept.accept` takes them."""
        return (
            self.list_bins, self.list_squares, self.list_index, self.starts, self.sorted_squares,
            self.sorted_index, self.best, self.winner, self.closest, self.ends, self.hits, self.doubtful,
        )  # fmt: skip


def table_groups(plan: Plan) -> npt.NDArray[np.int64]:
    """Number the table groups (slices, 2): nearest of any kind, farthest in reach; −1 for none."""
    groups = np.full((len(plan.slices), 2), -1, np.int64)
    wanted = 0
    for s, row in enumerate(plan.slices):
        if row[MIN_HITS] <= 1:
            for side in range(2 if row[FARTHEST] else 1):
                groups[s, side] = wanted
                wanted += 1
    return groups
