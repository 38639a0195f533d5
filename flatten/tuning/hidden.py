"""What zones cost: the library itself, run with them and without."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten.cloud import Cloud
from flatten.flattener import Flattener
from flatten.profile import BlindZone, Profile
from flatten.scan import Scan, State

FIELDS = {"ranges", "states", "heights"}


class Hidden(NamedTuple):
    """What some zones do to one slice, over several clouds."""

    slice: str
    lost: float
    """Mean share of the bins that told something (HIT, CLEAR, TOO_NEAR) and become BLOCKED."""
    most: float
    """The same in the cloud where it is greatest."""
    blocked: float
    """Mean share of the bins that become BLOCKED, whatever they were: of UNSEEN ones nothing is lost."""
    near: float
    """Metres from the fan's origin to the nearest and farthest of the HITs that go; NaN where none does."""
    far: float
    low: float
    """Metres above the floor of the lowest and highest of these."""
    high: float


class Effect(NamedTuple):
    """What some zones do to all slices."""

    removed: float
    """Mean share of a cloud's returns that they swallow."""
    slices: tuple[Hidden, ...]

    @property
    def worst(self) -> Hidden:
        """The slice in which most bins tell nothing any more."""
        return max(self.slices, key=lambda part: part.lost)


class Trial:
    """A few clouds of a recording, flattened by a profile with other zones each time."""

    def __init__(self, profile: Profile, clouds: Sequence[Cloud], kept: Sequence[BlindZone]) -> None:
        self._profile, self._clouds = plain(profile), tuple(clouds)
        self._kept = tuple(kept)
        self._known: dict[tuple[BlindZone, ...], list[dict[str, Scan]]] = {}

    def of(self, zones: Sequence[BlindZone], beside: Sequence[BlindZone] = ()) -> Effect:
        """Compare having zones with not having them, beside others and those that are kept."""
        before, after = self._flatten(beside), self._flatten((*beside, *zones))
        removed = [
            (one.counts.swallowed - other.counts.swallowed) / max(1, one.counts.returns - one.counts.skipped)
            for one, other in (
                (next(iter(b.values())), next(iter(a.values()))) for a, b in zip(before, after, strict=True)
            )
        ]
        slices = tuple(
            _hidden(name, [scans[name] for scans in before], [scans[name] for scans in after])
            for name in self._profile.slices
        )
        return Effect(float(np.mean(removed)), slices)

    def _flatten(self, zones: Sequence[BlindZone]) -> list[dict[str, Scan]]:
        chosen = (*self._kept, *zones)
        if chosen not in self._known:
            flattener = Flattener(self._profile.model_copy(update={"blind_zones": chosen}), FIELDS)
            self._known[chosen] = [flattener.flatten(cloud) for cloud in self._clouds]
        return self._known[chosen]


def plain(profile: Profile) -> Profile:
    """The profile for single frames in body axes; near returns are told with their distance."""
    slices = {name: band.model_copy(update={"drops": False}) for name, band in profile.slices.items()}
    reach = profile.reach.model_copy(update={"near": 0.0})
    return profile.model_copy(update={"level": "body", "window": None, "slices": slices, "reach": reach})


def _hidden(name: str, before: Sequence[Scan], after: Sequence[Scan]) -> Hidden:
    lost, became, ranges, heights = [], [], [np.empty(0)], [np.empty(0)]
    for without, zoned in zip(before, after, strict=True):
        assert without.states is not None and zoned.states is not None  # they were asked for
        assert without.ranges is not None and without.heights is not None and zoned.ranges is not None
        blocked = (zoned.states == State.BLOCKED) & (without.states != State.BLOCKED)
        became.append(float(blocked.mean()))
        lost.append(float((blocked & (without.states != State.UNSEEN)).mean()))
        hit = without.states == State.HIT
        gone = hit & ((zoned.states != State.HIT) | (zoned.ranges != without.ranges))
        ranges.append(without.ranges[gone])
        heights.append(without.heights[gone])
    away, height = np.concatenate(ranges), np.concatenate(heights)
    ends = [
        float(end)
        for part in (away, height)
        for end in ((part.min(), part.max()) if len(part) else (np.nan, np.nan))
    ]
    return Hidden(name, float(np.mean(lost)), float(np.max(lost)), float(np.mean(became)), *ends)
