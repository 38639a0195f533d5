"""A recommended slice, run for real: what the Flattener says of the frames, held against their labels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.scan import Scan, State
from flatten.tuning.candidates import BANDS, BEHIND
from flatten.tuning.labels import Label, nearest
from flatten.tuning.recommend import share
from flatten.tuning.seen import Seen

MATCH = 1e-4
"""Metres to which the range of a HIT and that of the return that decided it agree."""

Counts = npt.NDArray[np.int64]


@dataclass(eq=False)
class Checked:
    """Counts of bins of one slice over all frames; BANDS part near from far."""

    name: str
    bins: int = 0
    hits: int = 0
    answered: int = 0
    """HIT, CLEAR or TOO_NEAR."""
    leaks: int = 0
    """HITs that the floor decided."""
    free_under: int = 0
    blocked: int = 0

    def __post_init__(self) -> None:
        self.wanted, self.missed = (np.zeros(len(BANDS) - 1, np.int64) for _ in range(2))

    @property
    def leak(self) -> float:
        """Share of bins that say HIT because of the floor."""
        return share(self.leaks, self.bins)

    @property
    def missed_share(self) -> float:
        """Share of what must be seen, and was returned, that is not shown."""
        return share(int(self.missed.sum()), int(self.wanted.sum()))

    @property
    def blocked_share(self) -> float:
        """Share of free ways under something that are reported."""
        return share(self.blocked, self.free_under)


class Prover:
    """Flattens frame after frame by a profile, each by itself."""

    def __init__(self, profile: Profile, names: tuple[str, ...]) -> None:
        single = profile if profile.window is None else profile.model_copy(update={"window": None})
        self._flattener = Flattener(single, fields={"ranges", "states", "heights"})
        self.checked = {name: Checked(name) for name in names}

    def add(self, seen: Seen) -> None:
        """Flatten one frame and count."""
        scans = self._flattener.flatten(seen.cloud, seen.attitude)
        for name, checked in self.checked.items():
            judge(scans[name], seen, checked)


def judge(scan: Scan, seen: Seen, checked: Checked) -> npt.NDArray[np.int64]:
    """Count what one scan says of one frame; gives the labels of what decided, as `deciders` does."""
    assert scan.ranges is not None and scan.states is not None
    hit = scan.states == State.HIT
    shown = np.where(hit, scan.ranges, np.where(scan.states == State.TOO_NEAR, 0.0, np.inf))
    decided = deciders(scan, seen)
    must_at, over_at = seen.of(Label.MUST), seen.of(Label.PASSED)
    must = nearest(seen.bins[must_at], seen.distances[must_at], scan.bins)
    over = nearest(seen.bins[over_at], seen.distances[over_at], scan.bins)
    free = np.isfinite(over) & (must > over + BEHIND)
    checked.bins += scan.bins
    checked.hits += int(hit.sum())
    checked.answered += int(np.isin(scan.states, (State.HIT, State.CLEAR, State.TOO_NEAR)).sum())
    checked.leaks += int((decided == Label.FLOOR).sum())
    checked.free_under += int(free.sum())
    checked.blocked += int((np.abs(shown[free] - over[free]) <= BEHIND).sum())
    there = np.isfinite(must)
    checked.wanted += np.histogram(must[there], BANDS)[0]
    late = there & (shown > np.where(there, must, 0.0) + BEHIND)
    checked.missed += np.histogram(must[late], BANDS)[0]
    return decided


def deciders(scan: Scan, seen: Seen) -> npt.NDArray[np.int64]:
    """Label of the return that decided each HIT, −1 where there is none: the one of its range and height."""
    assert scan.ranges is not None and scan.states is not None and scan.heights is not None
    found = np.full(scan.bins, -1)
    inside = np.flatnonzero((seen.bins >= 0) & ~seen.of(Label.OWN))
    bins = seen.bins[inside]
    with np.errstate(invalid="ignore"):
        off = np.abs(seen.distances[inside] - scan.ranges[bins]) + np.abs(
            seen.heights[inside] - scan.heights[bins]
        )
    near = (scan.states[bins] == State.HIT) & (off <= MATCH)
    order = np.argsort(-np.where(near, off, np.inf))  # the best match is written last
    order = order[near[order]]
    found[bins[order]] = seen.labels[inside[order]]
    return found
