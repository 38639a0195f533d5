"""Trajectories from files: a line a pose with its time, or KITTI's rows with times beside them.

TUM's form is t tx ty tz qx qy qz qw, seconds and metres, w last, # before comments. KITTI's is twelve
numbers, the upper three rows of a transform, row by row, without a time (its odometry readme).
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Literal

import numpy as np

from flatten.errors import MotionError
from flatten.recordings.trajectory import Trajectory, quaternions

LARGEST = 1 << 28
"""Bytes of a file that are read."""
NANOSECONDS = 10**15
"""From here on a whole number is nanoseconds and not seconds: those would be 30 million years."""
WORDS = re.compile(r"[,;\s]+")


def read_trajectory(
    path: Any, *, times: Any = None, of: Literal["body", "sensor"] = "body"
) -> Trajectory:  # fmt: skip
    """Read a trajectory from a text file.

    Parameters
    ----------
    path:
        Lines of 8 numbers (time x y z qx qy qz qw), or of 12 (a 3×4 transform, row by row) with `times`.
        Blanks or commas lie between. A time is seconds, or nanoseconds where it is whole and 10¹⁵ or more;
        its decimals are taken exactly, to the nanosecond.
    times:
        For rows of 12 numbers: a file with a time a line; `times.txt` beside the poses where it is None.
    of:
        Whose poses these are; files of either form do not tell.

    Raises MotionError, with file and line, for whatever is no trajectory.
    """
    place = Path(path)
    rows = text_rows(place)
    widths = {len(words) for _, words in rows}
    if widths == {8}:
        stamps = [_nanoseconds(words[0], place, number) for number, words in rows]
        poses = np.array([_floats(words[1:], place, number) for number, words in rows])
    elif widths == {12}:
        stamps = _times_beside(place, times, len(rows))
        flat = np.array([_floats(words, place, number) for number, words in rows])
        turned = np.tile(np.eye(4), (len(rows), 1, 1))
        turned[:, :3, :] = flat.reshape(-1, 3, 4)
        try:
            poses = np.concatenate([turned[:, :3, 3], quaternions(turned)], axis=1)
        except MotionError as error:
            raise MotionError(f"{place}: {error}") from error
    else:
        raise _mixed(place, rows)
    return Trajectory.of_rows(np.array(stamps, np.int64), poses, of=of, name=str(place))


def text_rows(place: Path) -> list[tuple[int, list[str]]]:
    """Give the lines that hold something: their numbers and their words; MotionError where there are none."""
    try:
        if place.stat().st_size > LARGEST:
            raise MotionError(f"{place}: is larger than {LARGEST >> 20} MiB: cut it to the drive")
        lines = place.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        raise MotionError(f"{place}: cannot be read as poses ({error}): check the path") from error
    rows = []
    for number, line in enumerate(lines, 1):
        words = [word for word in WORDS.split(line.partition("#")[0]) if word]
        if words:
            rows.append((number, words))
    if not rows:
        raise MotionError(f"{place}: holds no poses: wanted are lines of t tx ty tz qx qy qz qw")
    return rows


def _mixed(place: Path, rows: list[tuple[int, list[str]]]) -> MotionError:
    usual = 12 if len(rows[0][1]) == 12 else 8
    number = next(number for number, words in rows if len(words) != usual)
    wanted = "12 numbers, a 3×4 transform" if usual == 12 else "8 numbers, t tx ty tz qx qy qz qw"
    return MotionError(f"{place}:{number}: is no pose: wanted are {wanted}")


def _floats(words: list[str], place: Path, number: int) -> list[float]:
    try:
        return [float(word) for word in words]
    except ValueError as error:
        raise MotionError(
            f"{place}:{number}: is no pose: wanted are 8 numbers, t tx ty tz qx qy qz qw, or 12 ({error})"
        ) from error


def pose_of_line(words: list[str], place: Path, number: int) -> list[float]:
    """Read t tx ty tz qx qy qz qw; MotionError where a line is something else."""
    if len(words) != 8:
        raise MotionError(f"{place}:{number}: is no pose: wanted are 8 numbers, t tx ty tz qx qy qz qw")
    return _floats(words, place, number)


def _nanoseconds(word: str, place: Path, number: int) -> int:
    """Read a time exactly: seconds, or nanoseconds where it is whole and large."""
    try:
        return nanoseconds_of(word)
    except ValueError as error:
        raise MotionError(f"{place}:{number}: {word!r} is no time in seconds") from error


def nanoseconds_of(word: str) -> int:
    """Read a time in seconds, or in whole nanoseconds from 10¹⁵ on; ValueError where it is none."""
    try:
        number = Decimal(word)
    except InvalidOperation as error:
        raise ValueError(f"{word!r} is no time") from error
    if not number.is_finite() or abs(number) >= 2**63:
        raise ValueError(f"{word!r} is no time")
    whole = number == number.to_integral_value() and abs(number) >= NANOSECONDS
    found = int(number) if whole else round(number * 10**9)
    if abs(found) >= 2**63:
        raise ValueError(f"{word!r} is no time")
    return found


def _times_beside(place: Path, times: Any, count: int) -> list[int]:
    beside = place.with_name("times.txt") if times is None else Path(times)
    if times is None and not beside.exists():
        raise MotionError(
            f"{place}: rows of 12 numbers have no times: put times.txt beside it, a time a line, or name one"
        )
    rows = text_rows(beside)
    if len(rows) != count:
        raise MotionError(f"{beside}: has {len(rows)} times for {count} poses of {place}")
    return [_nanoseconds(words[0], beside, number) for number, words in rows]
