"""Every candidate slice judged on every frame, from one pass over the returns of each.

How the floor enters is told by slopes: a return of the floor at height h and distance r lies in a slice from
`bottom` on as soon as the floor there tilts up by (bottom − h)/r, less the slice's rise. So one number a bin
and bottom, the least of these, tells for any rise and any shaking whether the bin leaks. A tilt that is
normally distributed with standard deviation s lets floor into a bin with probability Φ(−(slope + rise)/s).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from flatten.kernels.candidates import count, enter, entering_slopes, join
from flatten.profile import Profile
from flatten.tuning.labels import Label, Limits, nearest
from flatten.tuning.seen import Seen

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int64]

BANDS = (0.0, 2.0, 5.0, 10.0, 15.0, math.inf)
"""Metres that part near from far when missed obstacles are counted."""
BEHIND = 0.05
"""Metres by which an answer may lie behind what it is to show."""
SAME = 0.2
"""Metres by which an answer may differ from that of the frame before and be steady: at 2 m/s and 10 Hz."""
RISES = (0.0, 0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03)


@dataclass(frozen=True, eq=False)
class Grid:
    """Candidates: every bottom with every top above it and every rise. Ascending; metres, m per m."""

    bottoms: Numbers
    tops: Numbers
    rises: Numbers

    @classmethod
    def driving(cls, limits: Limits) -> Grid:
        """Bottoms by the centimetre from 2 cm below the step, tops about the head."""
        bottoms = np.round(np.arange(max(limits.step - 0.02, 0.01), limits.step + 0.2501, 0.01), 3)
        tops = np.round(limits.head + np.arange(-0.3, 0.6001, 0.1), 3)
        return cls(bottoms, tops[tops > bottoms[-1]], np.array(RISES))

    @classmethod
    def mapping(cls, limits: Limits) -> Grid:
        """Bottoms and tops by the decimetre, up to the height of a room; slices that do not rise."""
        low = 0.1 * math.ceil(10.0 * limits.must)
        return cls(
            np.round(np.arange(low, 2.01, 0.1), 3), np.round(np.arange(low + 0.3, 2.81, 0.1), 3), np.zeros(1)
        )

    @property
    def shape(self) -> tuple[int, int, int]:
        """Rises, bottoms, tops."""
        return len(self.rises), len(self.bottoms), len(self.tops)

    @property
    def real(self) -> npt.NDArray[np.bool_]:
        """(bottoms, tops) whether the slice has a height."""
        return np.asarray(self.bottoms[:, None] < self.tops[None, :])


@dataclass(eq=False)
class Tally:
    """What was counted of one grid over all frames, in bins."""

    grid: Grid
    frames: int = 0
    counts: Counts = field(init=False)
    """(rises, bottoms, tops, 4 + bands), columns as in `kernels.candidates.count`."""
    _before: Singles = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.counts = np.zeros((*self.grid.shape, 3 + len(BANDS)), np.int64)
        self._before = np.empty(
            (len(self.grid.rises), 0, len(self.grid.bottoms), len(self.grid.tops)), np.float32
        )

    @property
    def answered(self) -> Counts:
        """(rises, bottoms, tops) bins with an answer inside the reach."""
        return self.counts[..., 0]

    @property
    def pairs(self) -> Counts:
        """Bins answered in a frame and in the one before it."""
        return self.counts[..., 1]

    @property
    def steady(self) -> Counts:
        """Those of `pairs` whose answers lie within SAME."""
        return self.counts[..., 2]

    @property
    def blocked(self) -> Counts:
        """Bins with a free way under something that the slice reports."""
        return self.counts[..., 3]

    @property
    def missed(self) -> Counts:
        """(rises, bottoms, tops, bands) bins in which what must be seen was returned and is not shown."""
        return self.counts[..., 4:]

    def add(self, answers: Singles, must: Numbers, over: Numbers) -> None:
        """Count one frame.

        Parameters
        ----------
        answers:
            (rises, bins, bottoms, tops) what each candidate says, metres; not finite for nothing.
        must:
            (bins,) the nearest return that must be seen, inf for none.
        over:
            (bins,) the nearest return of what is passed under, where the way beneath is free; else inf.

        """
        self.frames += 1
        bands = np.searchsorted(BANDS[1:-1], np.where(np.isfinite(must), must, 0.0), "right")
        count(
            answers, self._before, SAME, (must + BEHIND).astype(np.float32), bands.astype(np.int64),
            over.astype(np.float32), BEHIND, self.counts,
        )  # fmt: skip
        self._before = answers


@dataclass(eq=False)
class Sweep:
    """All candidates over all frames of a recording."""

    profile: Profile
    limits: Limits
    lean: tuple[float, float] = (0.0, 0.0)
    """Slope of the floor ahead and to the left in the middle of all frames, m per m: what a frame's own floor
    is off by is shaking, and shaking is put in afterwards."""
    driving: Tally = field(init=False)
    mapping: Tally = field(init=False)
    wanted: Counts = field(init=False)
    """(bands,) bins in which what must be seen was returned."""
    free_under: int = 0
    """Bins in which something hangs and the way under it is free."""
    climbing: Numbers = field(init=False)
    """(bottoms,) bins of the driving candidates that floor off its plane enters, whatever the shaking."""
    slopes: list[Singles] = field(default_factory=list)
    """A frame: (bins, bottoms) slope by which the floor of a robot that keeps still enters them."""
    map_slopes: list[Singles] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.driving, self.mapping = Tally(Grid.driving(self.limits)), Tally(Grid.mapping(self.limits))
        self.wanted = np.zeros(len(BANDS) - 1, np.int64)
        self.climbing = np.zeros(len(self.driving.grid.bottoms))

    @property
    def frames(self) -> int:
        """Frames so far."""
        return self.driving.frames

    @property
    def bins(self) -> int:
        """Bins of all frames."""
        return self.frames * self.profile.fan.bins

    def add(self, seen: Seen) -> None:
        """Judge all candidates on one frame."""
        number = self.profile.fan.bins
        used = (seen.bins >= 0) & ~seen.of(Label.OWN, Label.BEYOND, Label.SKIPPED)
        must_at, over_at = seen.of(Label.MUST), seen.of(Label.PASSED)
        must = nearest(seen.bins[must_at], seen.distances[must_at], number)
        over = nearest(seen.bins[over_at], seen.distances[over_at], number)
        over[must <= over + BEHIND] = np.inf
        self.free_under += int(np.isfinite(over).sum())
        self.wanted += np.histogram(must[np.isfinite(must)], BANDS)[0]
        before = seen.distances < must[np.maximum(seen.bins, 0)]
        floor, slope = seen.of(Label.FLOOR) & before, seen.of(Label.SLOPE) & before
        still = replace(seen, heights=seen.heights - self._sway(seen))
        self.climbing += (slopes_of(self.driving.grid, seen, slope, number) <= 0.0).sum(axis=0)
        for tally, slopes, sign in ((self.driving, self.slopes, 1.0), (self.mapping, self.map_slopes, -1.0)):
            tally.add(sign * answers_of(tally.grid, seen, used, number, sign), must, over)
            slopes.append(slopes_of(tally.grid, still, floor, number))

    def _sway(self, seen: Seen) -> Numbers:
        """By how much the shaking of this one frame raises the floor under each return, metres."""
        fan = self.profile.fan
        bearing = np.radians(fan.first + (seen.bins + 0.5) * ((fan.last - fan.first) / fan.bins))
        ahead, left = seen.lean[0] - self.lean[0], seen.lean[1] - self.lean[1]
        return np.asarray(seen.distances * (ahead * np.cos(bearing) + left * np.sin(bearing)))

    def leak(self, rise: float, shake: float) -> Numbers:
        """Share of bins into which the floor gets, by bottom, at a shaking (radians, one sigma)."""
        return leaking(self.slopes, rise, shake)

    def map_leak(self, shake: float) -> Numbers:
        """Give the same for the mapping candidates."""
        return leaking(self.map_slopes, 0.0, shake)


def answers_of(
    grid: Grid, seen: Seen, used: npt.NDArray[np.bool_], number: int, sign: float = 1.0
) -> Singles:
    """Answer for every candidate: (rises, bins, bottoms, tops) its nearest return, with sign −1 the farthest.

    Metres times the sign; inf where a candidate has none.
    """
    least = np.full((len(grid.rises), number, len(grid.bottoms), len(grid.tops)), np.inf, np.float32)
    keys = (sign * seen.distances[used]).astype(np.float32)
    enter(
        seen.bins[used], keys, seen.distances[used], seen.heights[used], grid.bottoms, grid.tops, grid.rises,
        least,
    )  # fmt: skip
    join(least)
    return least


def slopes_of(grid: Grid, seen: Seen, floor: npt.NDArray[np.bool_], number: int) -> Singles:
    """Slope by which the floor enters each bottom: (bins, bottoms), m per m; inf where there is no floor."""
    slopes = np.full((number, len(grid.bottoms)), np.inf, np.float32)
    entering_slopes(
        seen.bins[floor], np.maximum(seen.distances[floor], 1e-6), seen.heights[floor], grid.bottoms, slopes
    )
    return slopes


def leaking(slopes: list[Singles], rise: float, shake: float) -> Numbers:
    """Share of bins, by bottom, into which the floor gets: expected over tilts, `shake` radians one sigma."""
    total = np.zeros(slopes[0].shape[1])
    for frame in slopes:
        total += chance(frame.astype(np.float64) + rise, math.tan(shake)).sum(axis=0)
    return total / sum(len(frame) for frame in slopes)


def chance(slopes: Numbers, sigma: float) -> Numbers:
    """Probability that a normal tilt of standard deviation `sigma` exceeds each slope; 0 or 1 without one."""
    if sigma <= 0.0:
        return (slopes <= 0.0).astype(np.float64)
    z = np.clip(slopes / (sigma * math.sqrt(2.0)), -6.0, 6.0)
    return 0.5 * complementary_error(z)


def complementary_error(x: Numbers) -> Numbers:
    """Complementary error function for |x| ≤ 6, within 1e-6: read off a table of math.erfc by straight lines.

    NumPy has none, and SciPy is no part of what a rover needs.
    """
    return np.asarray(np.interp(x, _PLACES, _VALUES), np.float64)


_PLACES = np.linspace(-6.0, 6.0, 4801)
_VALUES = np.array([math.erfc(place) for place in _PLACES.tolist()])
