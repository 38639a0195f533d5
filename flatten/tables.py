"""The arrays that the kernels fill, allocated once and used for every frame, and what tells of them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np

from flatten.kernels import groups
from flatten.kernels.gate import MIN_HITS
from flatten.kernels.scatter import TABLES
from flatten.kernels.stretches import NUMBERS, TILE_LANES
from flatten.kernels.strides import MOST_STEPS, STRIDE_DOUBLES, STRIDE_LANES, STRIDE_NUMBERS
from flatten.kernels.words import put
from flatten.kernels.workroom import BLOCK, LANES, SINGLES
from flatten.plan import CLEAR_WORDS, Plan

LEVEL_GROUND = groups.Ground(
    np.zeros((0, 0), np.float32), np.zeros((0, 0), np.uint8), cells_per_metre=0.0, lowest=0.0, highest=0.0,
    steepest=0.0,
)  # fmt: skip
"""No fitted floor: it is level, at height 0."""

LONE = groups.Newest(returns=1 << 62, followed=0, stretches=np.zeros((2, 0, 0), np.float32))
"""No other frame than the newest."""


class Tables:
    """Working memory of one flattener: grows to the largest cloud seen, never with their number.

    `words` is what kernels are called with; all arrays that it tells of are held alive here.
    """

    def __init__(
        self, plan: Plan, witnessing: bool, counting: bool, stretching: bool, asked: Collection[str]
    ) -> None:
        slices, bins = len(plan.numbers.slices), plan.numbers.bins
        self.words = np.zeros(groups.SIZE, np.int64)
        self._held: dict[type, Any] = {}
        self.in_lists = np.flatnonzero(plan.numbers.slices[:, MIN_HITS] > 1).tolist()
        """Slices with min_hits, in the order of their lists."""
        self.bins = bins_of(slices, bins, witnessing, bool(self.in_lists))
        self.answers = groups.Answers(
            states=np.zeros((slices, bins), np.uint8),
            stretches=np.zeros((2, slices, bins if stretching else 0), np.float32),
            ranges=np.zeros((slices, bins if "ranges" in asked else 0), np.float32),
            heights=np.zeros((slices, bins if "heights" in asked else 0), np.float32),
        )
        work, tile, tables = work_room(), beam_room(witnessing), tables_of(plan, slices, counting)
        known = plan.numbers, plan.standing, LEVEL_GROUND, LONE
        for group in (*known, self.bins, tables, work, tile, self.answers):
            self.hand(group)
        self._room = 0
        self._make_lists(0)

    def hand(self, group: Any) -> None:
        """Let the words tell of a group, and hold its arrays alive until another of its kind comes."""
        if self._held.get(type(group)) is not group:
            put(self.words, groups.PLACES[type(group)], group)
            self._held[type(group)] = group

    def hand_returns(self, returns: groups.Returns) -> None:
        """Let the words tell of a cloud, which whoever calls holds alive; all of it is whole numbers."""
        at = groups.PLACES[groups.Returns]
        row = (*returns[:5], *returns.x, *returns.y, *returns.z)
        self.words[at : at + len(row)] = row
        if self.in_lists and returns.n > self._room:
            self._make_lists(returns.n)

    def _make_lists(self, room: int) -> None:
        """Make lists with room for so many returns."""
        lists, self._room = len(self.in_lists), room
        self.hand(
            groups.Lists(
                listed=np.zeros(lists, np.int64),
                bins=np.zeros((lists, room), np.int32),
                keys=np.zeros((lists, room), np.int64),
                starts=np.zeros((lists, self.bins.best.shape[1] + 2), np.int64),
                sorted_keys=np.zeros(room, np.int64),
                distances=np.zeros(room),
                ordered=np.zeros(self.bins.best.shape[1], np.uint8),
                moving=np.zeros((2, 3), np.int64),
            )
        )


def bins_of(slices: int, bins: int, witnessing: bool, listing: bool) -> groups.Bins:
    """What will be known of every bin."""
    ends = np.zeros((slices, bins))
    return groups.Bins(
        best=np.zeros((slices, bins)),
        winner=np.zeros((slices, bins), np.int64),
        ends=ends,
        closest=np.zeros((slices, bins)) if listing else ends,
        hits=np.zeros((slices, bins), np.uint32),
        doubtful=np.zeros((slices, bins), np.uint8),
        blocked=np.zeros(bins, np.uint8),
        dropped=np.zeros(bins, np.uint8),
        masks=np.zeros((slices if witnessing else 0, bins, CLEAR_WORDS), np.uint64),
        used=np.zeros(slices, np.int64),
        tally=np.zeros(2, np.int64),
    )


def tables_of(plan: Plan, slices: int, counting: bool) -> groups.Tables:
    """Tables of keys, and room to merge them."""
    bins, levels = plan.numbers.bins, plan.levels
    cells = levels.groups * TABLES * levels.row
    return groups.Tables(
        keys=np.zeros(cells, np.int64),
        counters=np.zeros(cells if counting else 0, np.uint32),
        aside=np.zeros(2 * (4 * slices + 1) * BLOCK, np.int64),
        least=np.zeros((levels.groups, bins), np.int64),
        second=np.zeros((levels.groups, bins), np.int64),
        joined=np.zeros((2, bins), np.int64),
        points=np.zeros((4, bins)),
    )


def work_room() -> groups.Work:
    """Room for one block of returns."""
    keys = np.zeros(BLOCK, np.int64)
    return groups.Work(np.zeros(SINGLES, np.float32), np.zeros(LANES, np.int32), keys, keys.view(np.uint32))


def beam_room(witnessing: bool) -> groups.Tile:
    """Room for one tile of beams."""
    wanted = 1 if witnessing else 0
    return groups.Tile(
        kept=np.zeros(wanted * TILE_LANES, np.int32),
        room=np.zeros(wanted * NUMBERS, np.float32),
        side=np.zeros(wanted * STRIDE_NUMBERS, np.float32),
        exact=np.zeros(wanted * STRIDE_DOUBLES),
        steps=np.zeros(wanted * STRIDE_LANES, np.int32),
        turns=np.zeros(wanted * 2 * MOST_STEPS, np.float32),
    )
