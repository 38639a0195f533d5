"""KITTI .bin: N × 4 little-endian float32 x, y, z, reflectance, no header (KITTI raw data readme)."""

from __future__ import annotations

import numpy as np

from flatten.cloud import Cloud
from flatten.files.source import Source

NAME = "kitti"
SUFFIXES = (".bin",)
RECORD = 16


def recognise(source: Source) -> bool:
    """Say False: the format has no mark of its own, only its suffix."""
    return False


def read(source: Source) -> Cloud:
    """Read (N,) float32 coordinates in metres with their reflectance as intensity.

    As nothing in the file says what it is, a size that is no multiple of 16 bytes, or coordinates
    of which most are neither 0 nor between a micrometre and 1,000 km, end in a CloudError.
    """
    if source.size % RECORD:
        raise source.error(
            f"{source.size} bytes are no whole number of returns of {RECORD} (float32 x, y, z, reflectance)"
        )
    source.check_held(source.size // RECORD, RECORD)
    records = np.frombuffer(source.stream.read(), "<f4").reshape(-1, 4)
    with np.errstate(all="ignore"):  # garbage may hold signalling NaNs
        size = np.abs(records[:, :3])
        likely = (size == 0) | ((size > 1e-6) & (size < 1e6))
    if likely.mean() < 0.5:
        raise source.error(
            "most coordinates make no sense in metres, so these are not float32 x, y, z, reflectance",
            "check what wrote the file, or name its true format",
        )
    return Cloud.from_array(records, source.name)
