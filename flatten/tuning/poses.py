"""Reading a trajectory: a line a pose, t tx ty tz qx qy qz qw, blanks between, w last, # before comments."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatten.errors import MotionError
from flatten.motion import Motion

LARGEST = 1 << 28


def read_poses(path: Path) -> Motion:
    """Read poses from a text file; seconds, metres. MotionError names file and line of what is wrong."""
    try:
        if path.stat().st_size > LARGEST:
            raise MotionError(f"{path}: is larger than {LARGEST >> 20} MiB: cut it to the drive")
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as error:
        raise MotionError(f"{path}: cannot be read as poses ({error}): check the path") from error
    rows = []
    for number, line in enumerate(lines, 1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        try:
            row = [float(word) for word in words]
        except ValueError:
            row = []
        if len(row) != 8:
            raise MotionError(f"{path}:{number}: is no pose: wanted are 8 numbers, t tx ty tz qx qy qz qw")
        rows.append(row)
    try:
        table = np.array(rows, np.float64).reshape(-1, 8)
        return Motion(table[:, 0], table[:, 1:])
    except MotionError as error:
        raise MotionError(f"{path}: {error}") from error
