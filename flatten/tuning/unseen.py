"""What no slice of a mount can see: low things near the hull, blind bearings, ways down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.tuning.labels import Label
from flatten.tuning.seen import Seen

Numbers = npt.NDArray[np.float64]

SECTORS = 12
"""Directions around the robot, 30° each, for which is told how near low things are seen."""
HEIGHTS = (0.1, 0.2, 0.4)
"""Metres: a full kerb (Hampshire kerbing guide), the lying and the upright test body (ISO 3691-4)."""
STEEPEST = 5
"""The so-many-th steepest beam of a sector is taken for the edge of the field: not one that strayed."""


@dataclass(frozen=True)
class Unseen:
    """What stays dark, whatever the slice."""

    nearest: dict[float, tuple[float, ...]]
    """By height of a thing: metres from the fan's origin from which on its top is met, a sector."""
    blind: tuple[tuple[float, float], ...]
    """Bearings (radians, from, to) in which no frame brought a return that is not the robot's own."""
    own: float
    """Share of returns that blind zones swallow."""
    never: float
    """Share of bins that never had a return."""
    low: float
    """Share of returns that lie below the floor: beyond edges, or mirrored."""


@dataclass(eq=False)
class Gathering:
    """Gathers it from frame after frame."""

    profile: Profile
    _sensor: float = 0.0
    _counts: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(3, np.int64))

    def __post_init__(self) -> None:
        self._plan = make_plan(self.profile)
        self._met = np.zeros(self.profile.fan.bins, bool)
        self._slopes = np.zeros((SECTORS, 0))

    def add(self, seen: Seen) -> None:
        """Look at one frame."""
        frame = self._plan.frame(seen.attitude)
        self._sensor = float(frame.level_from_sensor[2, 3])
        free = (seen.bins >= 0) & ~seen.of(Label.OWN)
        self._met[seen.bins[free]] = True
        self._counts += [len(seen.bins), int(seen.of(Label.OWN).sum()), int(seen.of(Label.LOW).sum())]
        beyond = free & (seen.distances > 0.05)
        down = (self._sensor - seen.heights[beyond]) / seen.distances[beyond]
        turn = self._plan.bearings[seen.bins[beyond]].astype(np.float64)
        sector = np.mod(((turn + math.pi) * (SECTORS / (2.0 * math.pi))).astype(np.int64), SECTORS)
        steepest = np.zeros((SECTORS, STEEPEST))
        for s in range(SECTORS):
            there = np.sort(down[sector == s])[-STEEPEST:]
            steepest[s, : len(there)] = there
        self._slopes = np.sort(np.concatenate([self._slopes, steepest], axis=1), axis=1)[:, -STEEPEST:]

    def told(self) -> Unseen:
        """Tell what was gathered."""
        slope = np.maximum(self._slopes[:, 0], 1e-9)
        nearest = {
            height: tuple(
                float((self._sensor - height) / part) if height < self._sensor else 0.0 for part in slope
            )
            for height in HEIGHTS
        }
        total, own, low = (int(part) for part in self._counts)
        step, first = self._plan.step, self._plan.first
        return Unseen(
            nearest, tuple((first + a * step, first + b * step) for a, b in stretches(~self._met)),
            own / max(total, 1), float((~self._met).mean()), low / max(total, 1),
        )  # fmt: skip


def stretches(flags: npt.NDArray[np.bool_], fewest: int = 4) -> Sequence[tuple[int, int]]:
    """From-to of runs of at least `fewest` true flags, in their order."""
    padded = np.concatenate([[False], flags, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)
    return [(int(a), int(b)) for a, b in edges if b - a >= fewest]
