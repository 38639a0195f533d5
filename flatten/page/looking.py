"""What one frame is under one profile: scans, what the slices make of each return, labels by the floor.

In two steps, as labels take longer than scans: `glance` gives scans and returns, `study` the labels too.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.errors import FlattenError
from flatten.flattener import Flattener
from flatten.kernels.candidates import mark_own
from flatten.plan import Plan, make_plan
from flatten.profile import Profile
from flatten.scan import Scan
from flatten.tuning.labels import Label
from flatten.tuning.seen import Seen, Watcher, bins_of

Numbers = npt.NDArray[np.float64]

FIELDS = {"ranges", "states", "heights", "clear_from", "clear_to"}


class Fate(enum.IntEnum):
    """What the slice that is shown makes of a return."""

    OUTSIDE = 0
    """Outside of the fan, or farther than the reach."""
    OWN = 1
    """In a blind zone."""
    FLOOR = 2
    """Floor, and not in the slice."""
    OTHER = 3
    """Above or below the slice."""
    ELSEWHERE = 4
    """Not in this slice, but in another."""
    TAKEN = 5
    """In the slice: an obstacle."""
    NEAR = 6
    """In the slice, nearer than the reach."""
    LEAK = 7
    """Floor that got into the slice."""


@dataclass(frozen=True, eq=False)
class Placed:
    """The returns of a frame that are finite, in the profile's frames; arrays (N,)."""

    points: npt.NDArray[np.float32]
    """(N, 3), sensor frame, metres."""
    bins: npt.NDArray[np.int64]
    """-1 outside of the fan."""
    distances: Numbers
    heights: Numbers
    """As the slices count them, metres."""
    own: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Look:
    """A frame under a profile."""

    cloud: Cloud
    profile: Profile
    attitude: tuple[float, float] | None
    plan: Plan
    scans: dict[str, Scan]
    placed: Placed
    seen: Seen | None = None
    """With labels; None where they are not known yet, or cannot be."""
    why: str = ""
    """Why there are no labels."""

    @property
    def is_studied(self) -> bool:
        """Whether the labels are known, or known not to be."""
        return self.seen is not None or bool(self.why)

    def fates(self, name: str) -> npt.NDArray[np.uint8]:
        """Tell what a slice makes of each return: (N,) of Fate."""
        placed, profile = self.placed, self.profile
        inside = {key: in_slice(placed, profile, key) for key in profile.slices}
        fate = np.full(len(placed.bins), Fate.OTHER, np.uint8)
        if len(inside) > 1:
            fate[np.logical_or.reduce([mask for key, mask in inside.items() if key != name])] = Fate.ELSEWHERE
        floor = None if self.seen is None else self.seen.of(Label.FLOOR)
        if floor is not None:
            fate[floor] = Fate.FLOOR
        shown = inside[name]
        fate[shown] = Fate.TAKEN
        if floor is not None:
            fate[shown & floor] = Fate.LEAK
        fate[shown & (placed.distances < profile.reach.near)] = Fate.NEAR
        fate[(placed.bins < 0) | (placed.distances > profile.reach.far)] = Fate.OUTSIDE
        fate[placed.own] = Fate.OWN
        return fate


def in_slice(placed: Placed, profile: Profile, name: str) -> npt.NDArray[np.bool_]:
    """Tell which returns are as high as a slice: (N,)."""
    band = profile.slices[name]
    least = band.bottom + band.rise * placed.distances if band.rise else band.bottom
    found: npt.NDArray[np.bool_] = (placed.heights >= least) & (placed.heights < band.top)
    return found


class Looker:
    """Looks at frames; what did not change is not done again."""

    def __init__(self) -> None:
        self._flattener: Flattener | None = None
        self._points: tuple[Cloud, npt.NDArray[np.float32]] | None = None
        self._studied: tuple[Any, Look] | None = None

    def glance(self, cloud: Cloud, profile: Profile, attitude: tuple[float, float] | None) -> Look:
        """Flatten a frame and place its returns; labels only where they are known already.

        Raises FlattenError where the frame cannot be flattened.
        """
        alone = profile if profile.window is None else profile.model_copy(update={"window": None})
        if self._flattener is None or self._flattener.profile != alone:
            self._flattener = Flattener(alone, fields=FIELDS)
        scans = self._flattener.flatten(cloud, attitude)
        if self._studied is not None and self._studied[0] == self._key(cloud, profile, attitude):
            before = self._studied[1]
            return replace(before, profile=profile, scans=scans)
        plan = make_plan(alone)
        placed = self._place(cloud, plan, attitude)
        return Look(cloud, profile, attitude, plan, scans, placed)

    def study(self, look: Look) -> Look:
        """Label the returns by the floor under them."""
        if look.is_studied:
            return look
        try:
            seen = Watcher(look.profile).look(look.cloud, look.attitude, "frame")
        except FlattenError as error:
            found = replace(look, why=str(error))
        else:
            found = replace(look, seen=seen, placed=replace(look.placed, heights=seen.heights))
        self._studied = (self._key(look.cloud, look.profile, look.attitude), found)
        return found

    @staticmethod
    def _key(cloud: Cloud, profile: Profile, attitude: tuple[float, float] | None) -> tuple[Any, ...]:
        """Give all that labels depend on: the slices are not in it."""
        p = profile
        return id(cloud), attitude, p.robot, p.mount, p.level, p.fan, p.reach, p.blind_zones, p.floor

    def _place(self, cloud: Cloud, plan: Plan, attitude: tuple[float, float] | None) -> Placed:
        if self._points is None or self._points[0] is not cloud:
            xyz = cloud.xyz
            good = np.isfinite(xyz).all(axis=1) & (xyz != 0.0).any(axis=1)
            self._points = (cloud, xyz[good].astype(np.float32))
        points = self._points[1]
        level = moved(points, plan.frame(attitude).level_from_sensor)
        own = np.zeros(len(points), np.uint8)
        if len(plan.numbers.zones):
            mark_own(moved(points, plan.numbers.body_from_sensor), plan.numbers.zones, own)
        heights = level[:, 2]
        floor = None if self._flattener is None else self._flattener.floor
        if floor is not None:
            under = floor.at(level[:, 0], level[:, 1])
            heights = heights - np.where(np.isfinite(under), under, 0.0)
        distances = np.sqrt(level[:, 0] ** 2 + level[:, 1] ** 2)
        return Placed(points, bins_of(level, plan.numbers), distances, heights, own.view(bool))


def moved(points: npt.NDArray[np.float32], a_from_b: Numbers) -> Numbers:
    """Bring points (N, 3) to another frame; column by column, as a product of matrices wakes all cores."""
    x, y, z = (points[:, k].astype(np.float64) for k in range(3))
    out = np.empty((len(points), 3))
    for k in range(3):
        a, b, c, d = a_from_b[k].tolist()
        out[:, k] = a * x + b * y + c * z + d
    return out
