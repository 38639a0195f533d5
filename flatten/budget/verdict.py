"""Whether what was measured fits a budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flatten.budget.timing import Round, Spread
from flatten.errors import FlattenError

ROOM, BARELY, NOT = "fits with room", "fits barely", "does not fit"


@dataclass(frozen=True)
class Limits:
    """What a frame may cost."""

    rate: float = 10.0
    """Frames a second."""
    share: float = 0.10
    """Share of one core that flattening may take."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.rate) and self.rate > 0.0):
            raise FlattenError(f"rate {self.rate}: wanted frames a second, above 0")
        if not 0.0 < self.share <= 1.0:  # also true for NaN
            raise FlattenError(f"share {self.share}: wanted a share of one core, above 0 and at most 1")

    @property
    def period(self) -> float:
        """Seconds from frame to frame."""
        return 1.0 / self.rate

    @property
    def cost(self) -> float:
        """Seconds of processor time that a frame may take."""
        return self.share / self.rate


def share_of(seconds: float, limits: Limits) -> float:
    """Give the share of one core that frames of so many seconds take."""
    return seconds * limits.rate


def judge(measured: Round, limits: Limits) -> str:
    """Say whether frames fit: ROOM, BARELY or NOT.

    With room: 99 of 100 frames each keep within the budget by themselves, and are done before the next
    one comes. Not: the mean frame is above the budget, or half of the frames are not done when
    the next one comes. Barely: what lies between. Cost is processor time, lateness is by the clock.
    """
    busy, whole = Spread.of(measured.busy), Spread.of(measured.whole)
    if busy.mean > limits.cost or whole.median > limits.period:
        return NOT
    return ROOM if busy.p99 <= limits.cost and whole.p99 <= limits.period else BARELY
