"""Which of the candidates to drive by, and which to map by."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from flatten.tuning.candidates import Sweep, Tally
from flatten.tuning.shake import Shake

Numbers = npt.NDArray[np.float64]

LEAK = 5e-4
"""Share of bins into which the floor may get, shaking included: half of what a driver bears (one in a
thousand), as the next place is another one."""
AS_GOOD = 5e-4
"""Share of bins by which one candidate must be better than another to be called so."""
BETTER = 0.01
"""The same for a top other than height + clearance."""
FEW = 50
"""Bins, fewer than which tell no share."""
OTHER_PLACES = 0.3
"""Share of answers that stay, below which frames are of different places."""
KEPT = 0.9
"""Part of the best mapping candidate's steady answers that is kept for a higher bottom; and of what is left,
for a lower top."""
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

    Of all candidates whose floor keeps out, those that miss the least of what must be seen (AS_GOOD); of
    these the one that rises the least; of these the highest that does not lie above what must be seen, or
    the lowest of those that do: that nothing low stood in a recording is no reason to look above it. Where
    the floor keeps out of none, those with the least floor stand in. For its top see `drive_top`.
    """
    tally, grid = sweep.driving, sweep.driving.grid
    top = drive_top(sweep)
    leaks = np.array([sweep.leak(float(rise), shake.sigma) for rise in grid.rises])  # (rises, bottoms)
    missed = tally.missed[:, :, top].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    useful = np.broadcast_to(grid.bottoms >= sweep.limits.step - 1e-9, leaks.shape)
    good = (leaks <= LEAK) & useful
    if not good.any():
        good = useful & (leaks <= leaks[useful].min() + AS_GOOD)
    good &= missed <= missed[good].min() + AS_GOOD
    s = int(np.flatnonzero(good.any(axis=1))[0])
    there = np.flatnonzero(good[s])
    low = there[grid.bottoms[there] <= sweep.limits.must + 1e-9]
    i = int(low[-1] if len(low) else there[0])
    return choice_at(sweep, tally, (s, i, top), float(leaks[s, i]))


def drive_top(sweep: Sweep) -> int:
    """Place of the top: height + clearance, unless another misses and blocks less by more than BETTER.

    What is lower the robot hits, what is higher it passes under: a few bins are no reason to leave that.
    """
    tally, grid = sweep.driving, sweep.driving.grid
    missed = tally.missed[0, 0].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    blocked = tally.blocked[0, 0] / max(sweep.free_under, FEW)
    cost = missed + blocked
    own = int(np.argmin(np.abs(grid.tops - sweep.limits.head)))
    best = int(np.argmin(cost))
    return best if cost[best] < cost[own] - BETTER else own


def map_scores(sweep: Sweep) -> Numbers:
    """(bottoms, tops) share of bins answered steadily; 0 for slices that are too thin.

    Of frames of different places (hardly any answer is that of the frame before) steadiness tells nothing.
    """
    tally, grid = sweep.mapping, sweep.mapping.grid
    steady = np.where(tally.pairs[0] > 0, tally.steady[0] / np.maximum(tally.pairs[0], 1), 1.0)
    if float(np.max(steady, initial=0.0, where=tally.pairs[0] > FEW)) < OTHER_PLACES:
        steady = np.ones_like(steady)
    scores = tally.answered[0] / max(sweep.bins, 1) * steady
    thick = grid.tops[None, :] >= grid.bottoms[:, None] + THINNEST - 1e-9
    return np.asarray(np.where(thick, scores, 0.0))


def mapping(sweep: Sweep, shake: Shake) -> Choice | None:
    """Choose the slice to map by, which takes the farthest return; None where no candidate answers.

    The higher its bottom, the less it shows of what is moved about: the highest that keeps KEPT of the best
    candidate's steady answers, but at least so high that the floor keeps out. The lower its top, the less it
    shows of ceilings and what hangs: the lowest that keeps KEPT of what is left. Both lie between the
    candidates, by straight lines, so that a trifle more or less does not move them by a whole step.
    """
    scores, grid = map_scores(sweep), sweep.mapping.grid
    best = float(scores.max())
    if best <= 0.0:
        return None
    leaks = sweep.map_leak(shake.sigma)
    by_leak = -np.log10(np.maximum(leaks, 1e-9))
    if by_leak[-1] < -math.log10(LEAK):
        return None
    lowest = -crossing(-grid.bottoms[::-1], by_leak[::-1], -math.log10(LEAK))
    bottom = max(crossing(grid.bottoms, scores.max(axis=1), KEPT * best), lowest)
    i = int(np.argmin(np.abs(grid.bottoms - bottom)))
    by_top = scores[i]
    if by_top.max() <= 0.0:
        return None
    top = -crossing(-grid.tops[::-1], by_top[::-1], KEPT * float(by_top.max()))
    top = max(top, bottom + THINNEST)
    j = int(np.argmin(np.abs(grid.tops - top)))
    bottom = math.ceil(100.0 * bottom - 1e-6) / 100.0
    leak = 10.0 ** -float(np.interp(bottom, grid.bottoms, by_leak))
    near = choice_at(sweep, sweep.mapping, (0, i, j), leak)
    return replace(near, bottom=bottom, top=round(top, 2), missed=math.nan, blocked=math.nan)


def crossing(places: Numbers, values: Numbers, level: float) -> float:
    """Last place at which values, drawn with straight lines between the places, are at least `level`."""
    last = int(np.flatnonzero(values >= level)[-1])
    if last + 1 == len(places):
        return float(places[last])
    here, beyond = float(values[last]), float(values[last + 1])
    part = (here - level) / (here - beyond) if here > beyond else 0.0
    return float(places[last] + part * (places[last + 1] - places[last]))
