"""One mount from many places of a drive: the middle of what most of them say, and how far they scatter.

On a drive the floor is not level everywhere, and the body's attitude is never quite right. Both move an
estimate by much more than its own error. What most places agree on is the mount; a ramp and a dock are left
out, and the error is that of a mean over places, each of which counts once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.tuning.patches import Numbers

APART = 2.0
"""Metres driven from one place to the next: the floor near the sensor is then another one."""
FEWEST = 4
"""Places from which on their scatter tells an error."""
LEAST = np.array([math.radians(0.1), math.radians(0.1), 0.005])
"""Radians, radians, metres: estimates of roll, pitch and z that are nearer to the middle always count, as
the spread of few estimates comes out too small as often as not."""
OFF = 4.0
"""Robust sigmas from the middle beyond which an estimate is of another floor."""
ROUNDS = 10


class Settled(NamedTuple):
    """What many places say together."""

    values: Numbers
    """(3,) roll, pitch (radians), z (metres)."""
    sigmas: Numbers
    """(3,) standard errors of a mean over places."""
    kept: npt.NDArray[np.bool_]
    """(N,) which estimates agree with the middle."""
    places: int
    """How many places these are of."""


def settle(values: Numbers, places: Sequence[int]) -> Settled | None:
    """Find the middle of estimates (N, 3) of roll, pitch and z, taken at numbered places.

    Gives None where those that agree are of fewer than FEWEST places, or no more than half of all.
    """
    values = values.copy()
    values[:, 0] = values[0, 0] + np.remainder(values[:, 0] - values[0, 0] + math.pi, 2.0 * math.pi) - math.pi
    kept = np.ones(len(values), bool)
    for _ in range(ROUNDS):
        middle = np.median(values[kept], axis=0)
        spread = 1.4826 * np.median(np.abs(values[kept] - middle), axis=0)
        near = (np.abs(values - middle) <= np.maximum(OFF * spread, LEAST)).all(axis=1)
        if np.array_equal(near, kept):
            break
        kept = near
    numbers = np.asarray(places)[kept]
    known = np.unique(numbers)
    if len(known) < FEWEST or 2 * int(kept.sum()) <= len(values):
        return None
    means = np.array([values[kept][numbers == number].mean(axis=0) for number in known])
    sigmas = means.std(axis=0, ddof=1) / math.sqrt(len(known))
    found = means.mean(axis=0)
    found[0] = math.remainder(found[0], 2.0 * math.pi)
    return Settled(found, sigmas, kept, len(known))


def place_numbers(positions: Numbers) -> list[int]:
    """Number the places of a drive by the way driven, APART m each; positions (N, 3) in order, metres."""
    steps = np.linalg.norm(np.diff(positions[:, :2], axis=0), axis=1)
    return [int(gone // APART) for gone in np.concatenate([[0.0], np.cumsum(steps)])]
