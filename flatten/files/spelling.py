"""How the numbers and states of a scan are spelled in text."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.scan import Scan, State

COLUMNS = {
    "range_m": "ranges",
    "state": "states",
    "height_m": "heights",
    "intensity": "intensities",
    "hits": "hits",
    "clear_from_m": "clear_from",
    "clear_to_m": "clear_to",
}
"""Name in the text, and the array of the scan behind it."""
STATE_NAMES = np.array([state.name for state in State])


def shortest(values: npt.NDArray[Any]) -> list[float]:
    """List float32 values as the shortest decimals that give the same float32 again."""
    spelled: list[float] = values.astype(np.float32).astype(str).astype(np.float64).tolist()
    return spelled


def state_names(states: npt.NDArray[np.uint8]) -> list[str]:
    """List the name of each state."""
    names: list[str] = STATE_NAMES[states].tolist()
    return names


def bearings(scan: Scan) -> list[float]:
    """List the bin centres in rad, also of a scan that was made without them."""
    if scan.bearings is not None:
        return shortest(scan.bearings)
    return shortest(scan.first + (np.arange(scan.bins) + 0.5) * scan.step)
