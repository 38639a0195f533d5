"""Poses of a file as a motion on the clock of cloud files: in float64 seconds, as their names tell it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flatten.errors import MotionError
from flatten.motion import Motion
from flatten.recordings.trajectory_files import pose_of_line, text_rows


def read_poses(path: Path) -> Motion:
    """Read lines of t tx ty tz qx qy qz qw; seconds, metres. MotionError names file and line of a fault.

    Times must ascend strictly here: `flatten.read_trajectory` reads what does not, and tells it.
    """
    rows = [pose_of_line(words, path, number) for number, words in text_rows(path)]
    try:
        table = np.array(rows, np.float64).reshape(-1, 8)
        return Motion(table[:, 0], table[:, 1:])
    except MotionError as error:
        raise MotionError(f"{path}: {error}") from error
