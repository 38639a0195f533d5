"""Answers are compared before anything is timed."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

Ranges = npt.NDArray[np.float32]

CLOSE = 1e-4
"""Metres: what float32 arithmetic over tens of metres may be off by. A return that lies on a bin's edge or
a slice's face within that arithmetic may also go to the other side, and then a bin is farther off."""


def differing(ours: Ranges, theirs: Ranges) -> dict[str, int]:
    """Count the bins that are not the same bit for bit, and those of another kind or not CLOSE."""
    nothing = np.isnan(ours) & np.isnan(theirs)
    with np.errstate(invalid="ignore"):
        close = np.abs(ours - theirs) <= CLOSE
    same = (ours == theirs) | nothing
    return {"differ": int((~same).sum()), "apart": int((~(same | close)).sum())}


def ranges_of(scans: Any, name: str = "drive") -> Ranges:
    """The ranges of one slice, as a copy."""
    return np.array(scans[name].ranges, np.float32)


def merged(parts: Iterable[Ranges]) -> Ranges:
    """The ranges of several clouds put together: −inf before any range, the least of these, NaN last."""
    ranges: Ranges = functools.reduce(np.fmin, parts)
    return ranges


def by_twin(xyz: npt.NDArray[np.float32], profile: Any, attitude: tuple[float, float] | None) -> Ranges:
    """The answer of the slow NumPy twin of the tests: 0.2 ms a return."""
    from tests.twin import twin

    ranges: Ranges = twin(xyz, profile, attitude)["drive"].ranges.astype(np.float32)
    return ranges
