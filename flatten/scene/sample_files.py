"""Files of sample clouds: how a frame becomes one, and how two of them are compared."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import CloudError, OutputError
from flatten.scene.capture import Capture
from flatten.scene.sample_list import Arrays

Column = npt.NDArray[Any]

SAME = 1e-3
"""Metres: coordinates and truth made again must agree to this."""
STRAYS = 1e-3
"""Share of the returns, and of the bins, that may differ: beams within float32 of an edge (about
1e-6 of its length) end on one side or the other of it by the processor's arithmetic."""


def read_columns(path: Path) -> Arrays:
    """Read a sample cloud: x, y, z, intensity, time as (N,) float32. Raises CloudError."""
    from pypcd4 import PointCloud  # noqa: PLC0415

    try:
        cloud = PointCloud.from_path(path)
        return {name: cloud.pc_data[name] for name in ("x", "y", "z", "intensity", "time")}
    except (OSError, ValueError, KeyError, RuntimeError) as error:
        raise CloudError(f"{path}: not a sample cloud that can be read: {error}") from error


def compare(there: Arrays, here: Arrays) -> str:
    """Say how two clouds differ, each x, y, z, intensity and time of (N,) float32: "" if they do not."""
    a, b, alone = same_beams(there["time"], here["time"])
    off = np.zeros(len(a), bool)
    for name, allowed in (("x", SAME), ("y", SAME), ("z", SAME), ("intensity", 1.0)):
        off |= ~(np.abs(there[name][a].astype(np.float64) - here[name][b]) <= allowed)
    strays, count = int(off.sum()) + alone, len(here["time"])
    if strays <= STRAYS * count:
        return ""
    return f"{strays} of {count} returns differ ({alone} of them are in one of the two only)"


def same_beams(there: Column, here: Column) -> tuple[Column, Column, int]:
    """Match returns of two clouds by their times, that is by their beams.

    Gives the numbers of those that are in both, and how many are in one of the two only.
    """
    was, now = (np.rint(np.asarray(time, np.float64) * 2e6).astype(np.int64) for time in (there, here))
    _, a, b = np.intersect1d(was, now, return_indices=True)
    return a, b, len(was) + len(now) - 2 * len(a)


def columns_of(shot: Capture) -> Arrays:
    """Columns of a frame as the files hold them: x, y, z, intensity, time, (N,) float32."""
    cloud = shot.cloud
    assert cloud.intensity is not None and cloud.time is not None  # every capture has both
    return {"x": cloud.x, "y": cloud.y, "z": cloud.z, "intensity": cloud.intensity, "time": cloud.time}


def pcd_bytes(shot: Capture) -> bytes:
    """Content of a PCD file, binary_compressed, of one frame."""
    from pypcd4 import Encoding, PointCloud  # noqa: PLC0415

    columns = columns_of(shot)
    packed = io.BytesIO()
    cloud = PointCloud.from_points(list(columns.values()), tuple(columns), (np.float32,) * len(columns))
    cloud.save(packed, encoding=Encoding.BINARY_COMPRESSED)
    return packed.getvalue()


def text_of(path: Path) -> str:
    """Read a text; raise OutputError where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: cannot be read: {error}") from error


def replace_file(path: Path, content: bytes) -> None:
    """Write to a temporary name beside the file, then put it in its place."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
