"""The arrays that the kernels fill, allocated once and reset for every frame."""

from __future__ import annotations

from typing import Any

import numpy as np

from flatten.kernels.gate import FARTHEST, MIN_HITS
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
        for table in (
            self.hits,
            self.doubtful,
            self.blocked,
            self.dropped,
            self.masks,
            self.tally,
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
            self.masks, self.best, self.winner, self.ends, self.hits, self.blocked, self.dropped,
            self.listed, self.list_bins, self.list_squares, self.list_index, self.tally,
        )  # fmt: skip

    def for_accept(self) -> tuple[Any, ...]:
        """Give the tables in the order in which `kernels.accept.accept` takes them."""
        return (
            self.list_bins, self.list_squares, self.list_index, self.starts, self.sorted_squares,
            self.sorted_index, self.best, self.winner, self.closest, self.ends, self.hits, self.doubtful,
        )  # fmt: skip
