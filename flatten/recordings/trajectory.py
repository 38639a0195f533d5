"""Where the robot was: poses at times, read between them, and never across what they do not tell.

Times are whole nanoseconds: in epoch seconds float64 is exact to 238 ns only.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from flatten.errors import MotionError
from flatten.motion import Motion, attitude_of
from flatten.recordings.disorder import put_in_order, torn_steps

Numbers = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]

TOLERANCE = 1e-3
"""How far a quaternion's length may be off 1, as in `flatten.Motion`."""


@dataclass(frozen=True, eq=False)
class Trajectory:
    """Poses of the body, or of the sensor, in a fixed frame with z up.

    Made by `Trajectory.of_rows`, which puts rows in order and tells what it had to leave out. Between two
    poses the position goes along a straight line and the rotation turns evenly the short way. Nothing
    is read before the first pose, after the last, or within a step that is torn (a gap or a jump).
    """

    times: Times
    """(n,) int64, nanoseconds, strictly ascending."""
    poses: Numbers
    """(n, 7) float64: x, y, z (metres), qx, qy, qz, qw (unit length, w last): odom_from_body, or _sensor."""
    of: Literal["body", "sensor"] = "body"
    """Whose poses these are."""
    frame: str = ""
    """The fixed frame's name, "" where it is not known."""
    child: str = ""
    """The name of the moving frame, "" where it is not known."""
    name: str = ""
    """Where it came from, for messages."""
    torn: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    """(n − 1,) which steps from a pose to the next are gaps or jumps: nothing is read within them."""
    faults: tuple[str, ...] = ()
    """What is wrong with it, in words: gaps, jumps, stamps that go back or come twice."""

    @classmethod
    def of_rows(
        cls,
        times: Any,
        poses: Any,
        *,
        of: Literal["body", "sensor"] = "body",
        frame: str = "",
        child: str = "",
        name: str = "poses",
    ) -> Trajectory:
        """Make a trajectory of rows in the order in which they were recorded.

        Parameters
        ----------
        times:
            (m,) integers, nanoseconds. A row that is not later than all before it is left out, and told.
        poses:
            (m, 7) x, y, z, qx, qy, qz, qw; metres, w last. Quaternions are brought to length 1.
        of, frame, child, name:
            As the fields say.

        Raises MotionError for poses that cannot be any, or of which none is left.
        """  # fmt: skip
        stamps, rows = _checked(times, poses, name)
        kept, faults = put_in_order(stamps, rows)
        stamps, rows = stamps[kept], rows[kept]
        torn, more = torn_steps(stamps, rows)
        return cls(stamps, rows, of, frame, child, name, torn, (*faults, *more))

    @property
    def told(self) -> list[str]:
        """The faults, each with where the poses came from."""
        return [f"{self.name}: {words}" for words in self.faults]

    def __len__(self) -> int:
        """Count the poses."""
        return int(self.times.size)

    @property
    def start(self) -> int:
        """Time of the first pose, ns."""
        return int(self.times[0])

    @property
    def end(self) -> int:
        """Time of the last pose, ns."""
        return int(self.times[-1])

    def covers(self, first: int, last: int) -> bool:
        """Tell whether every moment from `first` to `last` (ns, both included) can be read."""
        if not self.start <= first <= last <= self.end:
            return False
        return not self._torn_within(int(first), int(last)).size

    def at(self, times: Any) -> Numbers:
        """Poses (k, 7) at these times, integer ns; MotionError for one that the poses do not cover."""
        asked = np.atleast_1d(np.asarray(times))
        if asked.size == 0:
            return np.empty((0, 7))
        if asked.ndim != 1 or asked.dtype.kind not in "iu":
            raise MotionError(
                f"{self.name}: times of shape {asked.shape}, {asked.dtype}: wanted integers, nanoseconds"
            )
        asked = asked.astype(np.int64)
        self._refuse_outside(int(asked.min()), int(asked.max()))
        after = np.minimum(np.searchsorted(self.times, asked, "right"), len(self) - 1)
        before = np.where(self.times[after] <= asked, after, after - 1)  # the last pose stands by itself
        inside = self.times[before] < asked
        if len(self) > 1 and (inside & self.torn[np.minimum(before, len(self) - 2)]).any():
            k = int(before[inside & self.torn[np.minimum(before, len(self) - 2)]][0])
            raise MotionError(self._torn_words(k))
        span = np.where(inside, self.times[after] - self.times[before], 1)
        share = (asked - self.times[before]) / span
        return between(self.poses[before], self.poses[after], share)

    def attitude(self, time: int) -> tuple[float, float]:
        """Roll and pitch (radians) of the body at a time (ns), as levelling by gravity takes them.

        Raises MotionError where the poses are the sensor's: use `of_body` first.
        """
        self._want_body()
        roll, pitch = attitude_of(matrices(self.at([time]))[0])
        return roll, pitch

    def of_body(self, body_from_sensor: Numbers) -> Trajectory:
        """Give the body's poses: those of the sensor times the inverse of the mount, (4, 4); or itself."""
        if self.of == "body":
            return self
        made = matrices(self.poses) @ np.linalg.inv(np.asarray(body_from_sensor, np.float64))
        poses = np.concatenate([made[:, :3, 3], quaternions(made)], axis=1)
        return Trajectory(
            self.times, poses, "body", self.frame, "", self.name, self.torn, self.faults
        )  # fmt: skip

    def motion(self, first: int | None = None, last: int | None = None, **how: Any) -> Motion:
        """Give `flatten.Motion` of the body from `first` to `last` (ns; default: the whole trajectory).

        It holds the poses in between and those around, so that all of the span can be read. `how` goes to
        `flatten.Motion`: `stamps`, `at`. Raises MotionError where the span is not covered.
        """
        self._want_body()
        first = self.start if first is None else int(first)
        last = self.end if last is None else int(last)
        self._refuse_outside(first, last)
        torn = self._torn_within(first, last)
        if torn.size:
            raise MotionError(self._torn_words(int(torn[0])))
        begin = max(int(np.searchsorted(self.times, first, "right")) - 1, 0)
        end = min(int(np.searchsorted(self.times, last, "left")), len(self) - 1)
        if end == begin:  # a motion has two poses at least
            begin, end = (begin - 1, end) if begin > 0 else (begin, end + 1)
        if end >= len(self):
            raise MotionError(f"{self.name}: has one pose, a motion needs two")
        return Motion(self.times[begin : end + 1], self.poses[begin : end + 1], **how)

    def _want_body(self) -> None:
        if self.of != "body":
            raise MotionError(f"{self.name}: these are the sensor's poses: turn them by the mount first")

    def _torn_within(self, first: int, last: int) -> npt.NDArray[np.intp]:
        """Steps that are torn and share more than an end with the span."""
        return np.flatnonzero(self.torn & (self.times[:-1] < last) & (self.times[1:] > first))

    def _torn_words(self, k: int) -> str:
        lasts = (int(self.times[k + 1]) - int(self.times[k])) / 1e9
        return (
            f"{self.name}: {lasts:.3f} s after {seconds(self.times[k])} s are a gap or a jump: "
            "nothing is read across it"
        )

    def _refuse_outside(self, first: int, last: int) -> None:
        if first > last:
            raise MotionError(f"{self.name}: the span ends {seconds(first - last)} s before it begins")
        if self.start <= first and last <= self.end:
            return
        off = f"{seconds(self.start - first)} s before the first" if first < self.start else (
            f"{seconds(last - self.end)} s after the last"
        )  # fmt: skip
        raise MotionError(
            f"{self.name}: a time asked for lies {off} pose, and nothing is extrapolated: "
            "give poses of the same drive and clock"
        )


def seconds(nanoseconds: Any) -> str:
    """Write nanoseconds as seconds, exact, without a float in between."""
    whole, rest = divmod(abs(int(nanoseconds)), 10**9)
    sign = "-" if int(nanoseconds) < 0 else ""
    return f"{sign}{whole}.{rest:09d}".rstrip("0").rstrip(".")


def between(first: Numbers, second: Numbers, share: Numbers) -> Numbers:
    """Poses (k, 7) at a share 0 … 1 of the way: a straight line, and an even turn the short way.

    The turn is by spherical linear interpolation: sin((1 − s)·θ)/sin θ of the first quaternion and
    sin(s·θ)/sin θ of the second, θ being the angle between them.
    """
    made = np.empty_like(first)
    made[:, :3] = first[:, :3] + share[:, None] * (second[:, :3] - first[:, :3])
    one, other = first[:, 3:], second[:, 3:]
    other = np.where((one * other).sum(axis=1, keepdims=True) < 0, -other, other)
    angle = 2.0 * np.arctan2(np.linalg.norm(one - other, axis=1), np.linalg.norm(one + other, axis=1))
    small = angle < 1e-6  # there the sines are as good as their angles
    sine = np.where(small, 1.0, np.sin(angle))
    left = np.where(small, 1.0 - share, np.sin((1.0 - share) * angle) / sine)
    right = np.where(small, share, np.sin(share * angle) / sine)
    turned = left[:, None] * one + right[:, None] * other
    made[:, 3:] = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    return made


def matrices(poses: Numbers) -> Numbers:
    """Transforms (k, 4, 4) of poses (k, 7)."""
    x, y, z, w = poses[:, 3:].T
    made = np.zeros((len(poses), 4, 4))
    made[:, 0, :3] = np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], axis=1)
    made[:, 1, :3] = np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], axis=1)
    made[:, 2, :3] = np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], axis=1)
    made[:, :3, 3], made[:, 3, 3] = poses[:, :3], 1.0
    return made


def quaternions(transforms: Iterable[Numbers] | Numbers) -> Numbers:
    """Unit quaternions (k, 4), w last, of transforms (k, 4, 4)."""
    made = np.asarray(transforms, np.float64)
    # Motion checks that these are rotations, and knows the surest way to their quaternions; it wants two
    twice = np.concatenate([made, made[-1:]])
    return Motion(np.arange(len(twice)), twice).quaternions[:-1]


def _checked(times: Any, poses: Any, name: str) -> tuple[Times, Numbers]:
    stamps = np.asarray(times)
    if stamps.ndim != 1 or stamps.dtype.kind not in "iu" or not stamps.size:
        raise MotionError(
            f"{name}: times of shape {stamps.shape}, {stamps.dtype}: wanted one integer a pose, nanoseconds"
        )
    if int(stamps.max()) > np.iinfo(np.int64).max:
        raise MotionError(f"{name}: nanoseconds beyond int64")
    rows = np.array(poses, np.float64)
    if rows.shape != (stamps.size, 7):
        raise MotionError(
            f"{name}: poses of shape {rows.shape}: wanted ({stamps.size}, 7), x y z qx qy qz qw"
        )
    good = np.isfinite(rows).all(axis=1)
    if not good.all():
        raise MotionError(f"{name}: pose {int(np.argmin(good))} is not finite")
    length = np.linalg.norm(rows[:, 3:], axis=1)
    unit = np.abs(length - 1.0) <= TOLERANCE
    if not unit.all():
        i = int(np.argmin(unit))
        raise MotionError(
            f"{name}: pose {i}: a quaternion (x, y, z, w) has length 1, this one {length[i]:.6g}: "
            "w comes last"
        )
    rows[:, 3:] /= length[:, None]
    return stamps.astype(np.int64), rows
