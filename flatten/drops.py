"""Edges as obstacles: a way down that is nearer than what stands in a bin is what the bin says."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.profile import Reach
from flatten.scan import Kind, State

Singles = npt.NDArray[np.float32]


def report_drops(
    drops: Singles,
    reach: Reach,
    states: npt.NDArray[np.uint8],
    stretches: Singles,
    ranges: Singles,
    heights: Singles,
    kinds: npt.NDArray[np.uint8],
    distances: npt.NDArray[np.float64],
) -> None:
    """Write the edges at `drops` (bins,), metres, into what the bins of one slice say.

    `distances` (bins,) are those of what decided so far, inf for nothing: the nearer decides, whatever the
    slice picks. An edge inside the reach is a HIT, a nearer one TOO_NEAR; what was witnessed ends
    there, and its bin is not CLEAR. An edge has no height. Arrays without bins were not asked for.
    """
    first = drops < np.where(np.isfinite(distances), distances, np.inf)
    inside, nearer = first & (drops >= reach.near) & (drops <= reach.far), first & (drops < reach.near)
    states[inside], states[nearer] = State.HIT, State.TOO_NEAR
    kinds[inside], kinds[nearer] = Kind.DROP, Kind.NONE
    if ranges.size:
        ranges[inside], ranges[nearer] = drops[inside], -np.inf
    if heights.size:
        heights[inside | nearer] = np.nan
    if stretches.size:
        np.minimum(stretches[1], drops, out=stretches[1])
        none = stretches[1] <= stretches[0]
        stretches[:, none] = 0.0
    clear: Any = (states == State.CLEAR) & np.isfinite(drops)
    states[clear] = State.UNSEEN
    if ranges.size:
        ranges[clear] = np.nan
