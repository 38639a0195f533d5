"""Which of the candidates to drive by, and which to map by."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.tuning.candidates import Sweep, Tally
from flatten.tuning.shake import Shake

Numbers = npt.NDArray[np.float64]

LEAK = 5e-4
"""Share of bins into which the floor may get, shaking included: half of what a driver bears (one in a
thousand), as the next place is another one."""
SAFE = 1e-4
"""Share of bins from which down one leak is as good as another."""
AS_GOOD = 1e-3
"""Share of missed bins by which one candidate must be better than another to be called so."""
KEPT, SAME_TOP = 0.9, 0.98
"""Part of the best mapping candidate's steady answers that is kept for a higher bottom; for a lower top."""
THINNEST = 0.3
"""Metres: a mapping slice is at least so thick."""


@dataclass(frozen=True)
class Choice:
    """A slice, and how it did in the sweep; shares of 1."""

    bottom: float
    top: float
    rise: float
    leak: float
    """Bins into which the floor gets, expected over the shaking."""
    missed: float
    """Of the bins in which what must be seen was returned, those that do not show it; NaN where none was."""
    blocked: float
    """Of the bins with a free way under something, those that report it; NaN where there is none."""
    answered: float
    steady: float
    """Of bins answered in two frames in a row, those whose answers agree; NaN for a single frame."""
    sound: bool
    """Whether the floor keeps out as it should."""

    def at(self, distance: float) -> float:
        """Height of its bottom at a distance, metres."""
        return self.bottom + self.rise * distance


def share(part: float, whole: float) -> float:
    """Part by whole; NaN where there is nothing to share."""
    return part / whole if whole > 0 else math.nan


def choice_at(sweep: Sweep, tally: Tally, where: tuple[int, int, int], leak: float) -> Choice:
    """Tell of one candidate of a grid, by its place: rise, bottom, top."""
    s, i, j = where
    grid = tally.grid
    return Choice(
        float(grid.bottoms[i]), float(grid.tops[j]), float(grid.rises[s]), leak,
        share(int(tally.missed[where].sum()), int(sweep.wanted.sum())),
        share(int(tally.blocked[where]), sweep.free_under),
        share(int(tally.answered[where]), sweep.bins),
        share(int(tally.steady[where]), int(tally.pairs[where])),
        leak <= LEAK,
    )  # fmt: skip


def drive(sweep: Sweep, shake: Shake) -> Choice:
    """Choose the slice to drive by.

    Of all candidates whose floor keeps out, those that miss the least of what must be seen; of these (AS_GOOD)
    the one that rises the least, and of these the highest, of those that the floor hardly ever enters (SAFE); where
    it does, the one that it enters the least. Its top is the one that misses and blocks the least, at best the
    robot's height and clearance. Where the floor keeps out of none, the one with the least floor.
    """
    tally, grid = sweep.driving, sweep.driving.grid
    top = drive_top(sweep)
    leaks = np.array([sweep.leak(float(rise), shake.sigma) for rise in grid.rises])  # (rises, bottoms)
    missed = tally.missed[:, :, top].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    useful = grid.bottoms >= sweep.limits.step - 1e-9
    good = (leaks <= LEAK) & useful
    if not good.any():
        good = leaks <= leaks[:, useful].min() + 1e-12
    good &= missed <= missed[good].min() + AS_GOOD
    safe = good & (leaks <= SAFE)
    if safe.any():
        s = int(np.flatnonzero(safe.any(axis=1))[0])
        i = int(np.flatnonzero(safe[s])[-1])
    else:
        s, i = (int(k) for k in np.unravel_index(np.argmin(np.where(good, leaks, np.inf)), leaks.shape))
    return choice_at(sweep, tally, (s, i, top), float(leaks[s, i]))


def drive_top(sweep: Sweep) -> int:
    """Place of the top that misses and blocks the least; of equals the one nearest to height + clearance."""
    tally, grid = sweep.driving, sweep.driving.grid
    missed = tally.missed[0, 0].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    blocked = tally.blocked[0, 0] / max(sweep.free_under, 1)
    cost = missed + blocked
    good = np.flatnonzero(cost <= cost.min() + AS_GOOD)
    return int(good[np.argmin(np.abs(grid.tops[good] - sweep.limits.head))])


def map_scores(sweep: Sweep, shake: Shake) -> Numbers:
    """(bottoms, tops) share of bins answered steadily; 0 where the floor gets in or a slice is too thin."""
    tally, grid = sweep.mapping, sweep.mapping.grid
    steady = np.where(tally.pairs[0] > 0, tally.steady[0] / np.maximum(tally.pairs[0], 1), 1.0)
    scores = tally.answered[0] / max(sweep.bins, 1) * steady
    thick = grid.tops[None, :] >= grid.bottoms[:, None] + THINNEST - 1e-9
    out = sweep.map_leak(shake.sigma) <= LEAK
    return np.asarray(np.where(thick & out[:, None], scores, 0.0))


def mapping(sweep: Sweep, shake: Shake) -> Choice | None:
    """Choose the slice to map by, which takes the farthest return; None where no candidate answers.

    The higher its bottom, the less it shows of what is moved about: the highest that keeps KEPT of the best
    candidate's steady answers, and the lowest top that loses none of note. Both lie between the candidates,
    by straight lines, so that a trifle more or less of an answer does not move them by a whole step.
    """
    scores, grid = map_scores(sweep, shake), sweep.mapping.grid
    best = float(scores.max())
    if best <= 0.0:
        return None
    by_bottom = scores.max(axis=1)
    bottom = crossing(grid.bottoms, by_bottom, KEPT * best)
    i = int(np.argmin(np.abs(grid.bottoms - bottom)))
    by_top = scores[i]
    top = max(crossing(-grid.tops[::-1], by_top[::-1], SAME_TOP * float(by_top.max())) * -1.0, bottom + THINNEST)
    j = int(np.argmin(np.abs(grid.tops - top)))
    leak = float(sweep.map_leak(shake.sigma)[i])
    near = choice_at(sweep, sweep.mapping, (0, i, j), leak)
    return Choice(
        round(bottom, 2), round(top, 2), 0.0, leak, math.nan, math.nan, near.answered, near.steady, near.sound
    )


def crossing(places: Numbers, values: Numbers, level: float) -> float:
    """Last place at which values, drawn with straight lines between the places, are at least `level`."""
    last = int(np.flatnonzero(values >= level)[-1])
    if last + 1 == len(places):
        return float(places[last])
    here, beyond = float(values[last]), float(values[last + 1])
    part = (here - level) / (here - beyond) if here > beyond else 0.0
    return float(places[last] + part * (places[last + 1] - places[last]))
