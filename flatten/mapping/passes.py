"""Whether poses and scans agree: from one moment to the next, and where a place is seen again.

Scans are kept as what they hit, thinned by need, so that memory has a bound. Two looks at one place are laid
over each other (`alignment`): what is left between them is what the poses are off by. It is shown and never
mended: closing loops is the work of whoever makes the poses.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.mapping.alignment import WIDE, Fit, align
from flatten.mapping.beams import Beams

Numbers = npt.NDArray[np.float64]

APART, TURNED = 0.2, math.radians(10.0)
"""Metres and radians of movement from one kept scan to the next."""
MOST_HITS = 8_000_000
"""Hits kept; beyond it every second scan is given up (64 MB)."""
LOOP = 20.0
"""Metres travelled before a place counts as seen again, and not still."""
SAME_PLACE = 3.0
"""Metres between two poses of one place."""
AROUND = 4.0
"""Metres travelled before and after a pose whose scans make one look."""
MOST_PAIRS = 12
STEP = 1.0
"""Metres, or STEP_TURN radians, between two scans that are compared one by one."""
STEP_TURN = math.radians(20.0)
DISAGREE, DISAGREE_TURN = 0.15, math.radians(0.75)
"""Median shift and turn between such scans from which on poses and scans disagree; what correlation itself
is off by is a third of it (`benchmarks map`)."""


class Closing(NamedTuple):
    """What two passes of one place say of each other."""

    first: int
    """Time of the first pass, ns."""
    second: int
    place: tuple[float, float]
    """Where, by the poses of the first pass."""
    fit: Fit | None
    """None where the two looks do not fit each other at all."""
    agreement: float
    """Of the cells hit in either pass, in view of both, those that the other hit within a cell; NaN where
    there is none."""


class Passes:
    """Keeps scans of a drive, to be compared with each other."""

    def __init__(self) -> None:
        self._times: list[int] = []
        self._places: list[tuple[float, float, float]] = []
        self._hits: list[npt.NDArray[np.float32]] = []
        self._travelled: list[float] = []
        self._held, self._stride, self._turn = 0, 1, 0
        self._way = 0.0
        self._last: tuple[float, float, float] | None = None

    def __len__(self) -> int:
        """Count the scans that are kept."""
        return len(self._times)

    def add(self, beams: Beams) -> None:
        """Take a scan, in the order of the drive."""
        if self._last is not None:
            step = math.dist(self._last[:2], beams.place[:2])
            if step < APART and abs(_turn(self._last[2], beams.place[2])) < TURNED:
                return
            self._way += step
        self._last = beams.place
        self._turn += 1
        if self._turn % self._stride:
            return
        hits = beams.ends().astype(np.float32)
        self._times.append(beams.time)
        self._places.append(beams.place)
        self._travelled.append(self._way)
        self._hits.append(hits)
        self._held += len(hits)
        if self._held > MOST_HITS and len(self._times) > 2:
            self._thin()

    def _thin(self) -> None:
        for kept in (self._times, self._places, self._travelled, self._hits):
            del kept[1::2]
        self._stride *= 2
        self._held = sum(len(hits) for hits in self._hits)

    @property
    def path(self) -> Numbers:
        """(k, 3) x, y, yaw of the kept scans."""
        return np.array(self._places).reshape(-1, 3)

    @property
    def travelled(self) -> float:
        """Metres along the path."""
        return self._way

    def steps(self) -> list[Fit]:
        """How scans fit those shortly after them, evenly along the drive."""
        found = []
        chosen = self._step_pairs()
        for i, j in _some(chosen, 2 * MOST_PAIRS):
            fit = align(self._hits[i].astype(np.float64), self._hits[j].astype(np.float64), self._middle(i))
            if fit is not None:
                found.append(fit)
        return found

    def _step_pairs(self) -> list[tuple[int, int]]:
        pairs, i = [], 0
        for j in range(1, len(self)):
            moved = self._travelled[j] - self._travelled[i]
            if moved >= STEP or abs(_turn(self._places[i][2], self._places[j][2])) >= STEP_TURN:
                pairs.append((i, j))
                i = j
        return pairs

    def closings(self) -> list[Closing]:
        """What passes of the same places say of each other."""
        return [self._closing(i, j) for i, j in _some(self._revisits(), MOST_PAIRS)]

    def _revisits(self) -> list[tuple[int, int]]:
        """Kept scans, each with the nearest one of an earlier pass of its place."""
        if not self._places:
            return []
        at, way = self.path[:, :2], np.array(self._travelled)
        found = []
        for j in range(len(self)):
            earlier = np.searchsorted(way, way[j] - LOOP, "right")
            if not earlier:
                continue
            off = np.linalg.norm(at[:earlier] - at[j], axis=1)
            i = int(off.argmin())
            if off[i] <= SAME_PLACE:
                found.append((i, j))
        return found

    def _closing(self, i: int, j: int) -> Closing:
        middle = self._middle(i)
        first, second = self._look(i), self._look(j)
        return Closing(
            self._times[i], self._times[j], middle, align(first, second, middle),
            agreement(first, second, self._middle(i), self._middle(j)),
        )  # fmt: skip

    def _middle(self, i: int) -> tuple[float, float]:
        x, y, _ = self._places[i]
        return float(x), float(y)

    def _look(self, i: int) -> Numbers:
        way = np.array(self._travelled)
        near = np.flatnonzero(np.abs(way - way[i]) <= AROUND)
        return np.concatenate([self._hits[k] for k in near]).astype(np.float64)


AGREE_CELL = 0.1
"""Metres: cells of the agreement."""
IN_VIEW = 10.0
"""Metres from both poses within which both passes should have hit the same."""


def agreement(first: Numbers, second: Numbers, one: tuple[float, float], other: tuple[float, float]) -> float:
    """Share of the cells hit in one of two looks, near to both poses, that the other hit within a cell.

    Cells hit once only in a look (by noise or what moved) count like all others.
    """
    looks = [_cells(points, one, other) for points in (first, second)]
    total = sum(len(look) for look in looks)
    if not total:
        return math.nan
    matched = 0
    for mine, theirs in (looks, looks[::-1]):
        beside = [theirs + dy * WIDE + dx for dx in (-1, 0, 1) for dy in (-1, 0, 1)]
        matched += int(np.isin(mine, np.concatenate(beside)).sum())
    return matched / total


def _cells(points: Numbers, one: tuple[float, float], other: tuple[float, float]) -> npt.NDArray[np.int64]:
    """Numbers of the cells that are hit, near to both poses."""
    near = np.maximum(*(np.linalg.norm(points - pose, axis=1) for pose in (one, other))) < IN_VIEW
    cell = np.floor((points[near] - one) / AGREE_CELL).astype(np.int64)
    return np.unique(cell[:, 1] * WIDE + cell[:, 0])


def _turn(one: float, other: float) -> float:
    """From one yaw to the other, the short way, radians."""
    return math.remainder(other - one, 2.0 * math.pi)


def _some(pairs: list[tuple[int, int]], most: int) -> list[tuple[int, int]]:
    """Choose evenly."""
    if len(pairs) <= most:
        return pairs
    return [pairs[k * len(pairs) // most] for k in range(most)]
