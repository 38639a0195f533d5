"""Where the body was while a frame was taken, and at which of these moments each return was.

A sensor takes a tenth of a second for a frame. At 60°/s its first return is 6° off the last one: 1.05 m at
10 m. `Motion` says how the body moved, so that `flatten.carrying` can bring all returns to one moment.
"""

from __future__ import annotations

import copy
import functools
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import MotionError

Numbers = npt.NDArray[np.float64]
Moment = float | int
"""A time on the clock of the poses: seconds, or whole nanoseconds where the poses have those."""

TOLERANCE = 1e-3
"""How far a quaternion's length, or a matrix's columns, may be off; beyond that it is no rotation."""
SLACK = 1e-6
"""Seconds by which a time may lie outside the poses: what float64 makes of epoch seconds, and nothing more.
Such a time is taken as that of the pose at the end: nothing is ever extrapolated."""


@dataclass(frozen=True)
class Stamped:
    """Returns that carry a time each (`Cloud.time`): it was taken at time·scale + zero."""

    scale: float = 1.0
    """Seconds a unit of the cloud's times: 1e-9 for nanoseconds. The decimal number as written is meant."""
    zero: Moment = 0
    """What a time of 0 is on the clock of the poses: the frame's start, where the times count from there."""


@dataclass(frozen=True)
class Turning:
    """Returns without times, from a sensor that turns about its z axis once a frame, evenly.

    The bearing in the sensor's axes tells the time. A return at exactly `first` is the frame's first.
    """

    start: Moment
    """When the turn begins, on the clock of the poses."""
    end: Moment
    """When it is full."""
    first: float = -math.pi
    """Bearing at `start`, radians, counter-clockwise from the sensor's x axis."""
    clockwise: bool = False
    """Which way it turns, seen from above."""


class Motion:
    """How the body moved while a frame was taken.

    Parameters
    ----------
    times:
        (k,), strictly ascending, k ≥ 2: float64 seconds, or integers, which are nanoseconds. In epoch seconds
        float64 is exact to 238 ns only; integers lose nothing.
    poses:
        odom_from_body at these times, in any fixed frame with z up (REP 105's odom): (k, 7) x, y, z, qx, qy,
        qz, qw (metres; w last), or (k, 4, 4) matrices. Between two of them the body moves evenly: along a
        straight line, and turning about one axis, the short way.
    stamps:
        How a return's time is told: `Stamped` or `Turning`.
    at:
        The moment in whose axes the returns are wanted; None for the end of the frame: the latest of the
        cloud's times, or the end of the turn.

    All moments (`at`, `zero`, `start`, `end`) are on the clock of `times` and in its unit. Raises
    MotionError for anything that cannot be right.
    """

    def __init__(
        self, times: Any, poses: Any, *, stamps: Stamped | Turning = Stamped(), at: Moment | None = None
    ) -> None:
        self._origin, self.seconds = _checked_times(times)
        self.positions, self.quaternions = _checked_poses(poses, self.seconds.size)
        rotations = _rotations(self.quaternions)
        axes, self.angles = _turns(self.quaternions)
        across = _across(axes)
        self._first, self._sine = rotations[:-1], rotations[:-1] @ across
        self._versine = self._sine @ across
        self._set_frame(stamps, at)

    def _set_frame(self, stamps: Stamped | Turning, at: Moment | None) -> None:
        self.stamps, self.at = stamps, at
        if isinstance(stamps, Stamped):
            _finite(stamps.zero, "zero")
            if not (math.isfinite(stamps.scale) and stamps.scale > 0):
                raise MotionError(
                    f"scale {stamps.scale}: wanted seconds a unit of the cloud's times, above 0"
                )
        elif isinstance(stamps, Turning):
            if not math.isfinite(stamps.first):
                raise MotionError(f"first bearing {stamps.first}: wanted an angle in radians")
            if not self.since(stamps.end, "end") > self.since(stamps.start, "start"):
                raise MotionError(f"the turn ends ({stamps.end}) no later than it starts ({stamps.start})")
        else:
            raise MotionError(f"stamps: wanted Stamped or Turning, not {type(stamps).__name__}")
        if at is not None:
            self.held(self.since(at, "at"), "at")

    def for_frame(self, stamps: Stamped | Turning | None = None, at: Moment | None = None) -> Motion:
        """Give the same poses for another frame, without checking them again."""
        other = copy.copy(self)
        other._set_frame(self.stamps if stamps is None else stamps, at)
        return other

    def since(self, moment: Moment, name: str = "time") -> float:
        """Seconds from the first pose to a moment on the clock of the poses."""
        _finite(moment, name)
        if isinstance(self._origin, int):
            if not isinstance(moment, (int, np.integer)):
                raise MotionError(
                    f"{name} {moment!r}: the poses are in whole nanoseconds, so this must be too"
                )
            return (int(moment) - self._origin) / 10**9
        return float(_exact(moment) - Fraction(self._origin))

    def origin_of(self, stamps: Stamped) -> tuple[Fraction, Fraction]:
        """What a cloud's time is at the first pose, and seconds a unit of it, both exact."""
        scale, units = _scale_of(float(stamps.scale), isinstance(self._origin, int))
        if isinstance(self._origin, int) and not isinstance(stamps.zero, (int, np.integer)):
            raise MotionError(
                f"zero {stamps.zero!r}: the poses are in whole nanoseconds, so this must be too"
            )
        return (Fraction(self._origin) - _exact(stamps.zero)) * units, scale

    def held(self, second: float, name: str) -> float:
        """Give a moment (seconds since the first pose) within the poses; raise where it lies outside."""
        last = float(self.seconds[-1])
        if not -SLACK <= second <= last + SLACK:
            where = (
                f"{-second:.6g} s before the first" if second < 0 else f"{second - last:.6g} s after the last"
            )
            raise MotionError(
                f"{name} lies {where} pose: the poses cover {last:.6g} s, and nothing is extrapolated"
            )
        return min(max(second, 0.0), last)

    def seconds_since(self, at: float, other: Motion, other_at: float) -> float:
        """Seconds from a moment of another motion on the same clock; NaN where one has nanoseconds only.

        Both moments are seconds after the first pose of their motion.
        """
        if isinstance(self._origin, int) is not isinstance(other._origin, int):
            return math.nan
        unit = 1e-9 if isinstance(self._origin, int) else 1.0
        return float(self._origin - other._origin) * unit + (at - other_at)

    def attitude_at(self, moment: Moment) -> tuple[float, float]:
        """Roll and pitch (radians) of the body at a moment, as levelling by gravity takes them.

        With them `frames.level_from_body` is Ry(pitch)·Rx(roll): odom_from_body without its yaw and position.
        """
        return self.attitude_since(self.held(self.since(moment), "the time asked for"))

    def attitude_since(self, second: float) -> tuple[float, float]:
        """Roll and pitch (radians) so many seconds after the first pose."""
        return attitude_of(self.matrices(np.array([second]))[0])

    @property
    def attitude(self) -> tuple[float, float]:
        """Roll and pitch at `at`, or at the end of the turn; MotionError where the cloud's times decide."""
        if self.at is not None:
            return self.attitude_at(self.at)
        if isinstance(self.stamps, Turning):
            return self.attitude_at(self.stamps.end)
        raise MotionError(
            "the frame ends with the cloud's latest time: give `at`, or take the attitude of what was carried"
        )

    def matrices(self, seconds: Numbers) -> Numbers:
        """odom_from_body at these many seconds after the first pose, all within the poses: (m, 4, 4)."""
        k = np.searchsorted(self.seconds[1:-1], seconds, "right")
        share = (seconds - self.seconds[k]) / (self.seconds[k + 1] - self.seconds[k])
        angle = (share * self.angles[k])[:, None, None]
        poses = np.zeros((seconds.size, 4, 4))
        # Rodrigues: a turn about an axis is 1 + sin·K + (1 − cos)·K², K being the cross product with it
        poses[:, :3, :3] = self._first[k] + np.sin(angle) * self._sine[k]
        poses[:, :3, :3] += 2.0 * np.sin(0.5 * angle) ** 2 * self._versine[k]
        poses[:, :3, 3] = self.positions[k] + share[:, None] * (self.positions[k + 1] - self.positions[k])
        poses[:, 3, 3] = 1.0
        return poses


def attitude_of(odom_from_body: Numbers) -> tuple[float, float]:
    """Roll and pitch (radians) of a pose: Rz(yaw)·Ry(pitch)·Rx(roll), REP 103."""
    sine, cosine = float(odom_from_body[2, 1]), float(odom_from_body[2, 2])
    return math.atan2(sine, cosine), math.atan2(-float(odom_from_body[2, 0]), math.hypot(sine, cosine))


def _finite(moment: Any, name: str) -> None:
    if not isinstance(moment, (int, float, np.integer, np.floating)) or not math.isfinite(moment):
        raise MotionError(f"{name} {moment!r}: wanted a time, a finite number")


@functools.lru_cache(maxsize=16)
def _scale_of(scale: float, whole: bool) -> tuple[Fraction, Fraction]:
    """Seconds a unit of a cloud's times, and its units in one of the poses' (s, or ns if `whole`)."""
    exact = Fraction(repr(scale))
    return exact, (Fraction(1, 10**9) if whole else Fraction(1)) / exact


def _exact(moment: Moment) -> Fraction:
    return Fraction(int(moment) if isinstance(moment, (int, np.integer)) else float(moment))


def _checked_times(times: Any) -> tuple[float | int, Numbers]:
    """The first time as it is, and all times as seconds after it."""
    try:
        given = np.asarray(times)
    except ValueError as error:
        raise MotionError(f"times: wanted one number a pose: {error}") from error
    if given.ndim != 1 or given.dtype.kind not in "fiu":
        raise MotionError(f"times of shape {given.shape}, {given.dtype}: wanted one number a pose")
    if given.size < 2:
        raise MotionError(
            f"{given.size} pose(s): a motion has two at least, one before and one after the frame"
        )
    if given.dtype.kind == "f":
        given = given.astype(np.float64)
        if not np.isfinite(given).all():
            raise MotionError(f"times[{int(np.argmin(np.isfinite(given)))}] is not finite")
        origin: float | int = float(given[0])
        seconds = given - given[0]
    else:
        if int(given.max()) > np.iinfo(np.int64).max:
            raise MotionError("times: nanoseconds beyond int64")
        given = given.astype(np.int64)
        origin = int(given[0])
        seconds = (given - given[0]) * 1e-9
    steps = given[1:] > given[:-1]
    if not steps.all():
        i = int(np.argmin(steps))
        raise MotionError(
            f"times are not strictly ascending: times[{i}] = {given[i]}, times[{i + 1}] = {given[i + 1]}"
        )
    return origin, seconds


def _checked_poses(poses: Any, k: int) -> tuple[Numbers, Numbers]:
    """Positions (k, 3) and unit quaternions (k, 4), w last."""
    try:
        given = np.array(poses, np.float64)
    except (TypeError, ValueError) as error:
        raise MotionError(f"poses are no numbers: {error}") from error
    if given.shape not in ((k, 7), (k, 4, 4)):
        raise MotionError(f"poses of shape {given.shape} for {k} times: wanted ({k}, 7) or ({k}, 4, 4)")
    good = np.isfinite(given.reshape(k, -1)).all(axis=1)
    if not good.all():
        raise MotionError(f"poses[{int(np.argmin(good))}] is not finite")
    if given.ndim == 3:
        return given[:, :3, 3].copy(), _quaternions_of(given)
    length = np.linalg.norm(given[:, 3:], axis=1)
    unit = np.abs(length - 1.0) <= TOLERANCE
    if not unit.all():
        i = int(np.argmin(unit))
        raise MotionError(
            f"poses[{i}]: a quaternion (x, y, z, w) has length 1, this one {length[i]:.6g}: w comes last"
        )
    return given[:, :3].copy(), given[:, 3:] / length[:, None]


def _quaternions_of(matrices: Numbers) -> Numbers:
    """Unit quaternions (k, 4), w last, of (k, 4, 4) transforms that are checked to be some."""
    r = matrices[:, :3, :3]
    skew = np.abs(np.swapaxes(r, 1, 2) @ r - np.eye(3)).max(axis=(1, 2))
    right = (skew <= TOLERANCE) & (np.linalg.det(r) > 0)
    right &= np.abs(matrices[:, 3] - [0, 0, 0, 1]).max(axis=1) <= TOLERANCE
    if not right.all():
        i = int(np.argmin(right))
        raise MotionError(
            f"poses[{i}] is no pose: wanted a right-handed rotation, a position, a last row of 0, 0, 0, 1"
        )
    x, y, z = r.transpose(2, 0, 1)  # columns, (k, 3)
    xx, yy, zz = x[:, 0], y[:, 1], z[:, 2]
    # 4·q·qᵀ, of which each row is the quaternion times one of its own numbers; the longest row is the surest
    pairs = np.stack(
        [
            [1 + xx - yy - zz, y[:, 0] + x[:, 1], z[:, 0] + x[:, 2], y[:, 2] - z[:, 1]],
            [y[:, 0] + x[:, 1], 1 - xx + yy - zz, z[:, 1] + y[:, 2], z[:, 0] - x[:, 2]],
            [z[:, 0] + x[:, 2], z[:, 1] + y[:, 2], 1 - xx - yy + zz, x[:, 1] - y[:, 0]],
            [y[:, 2] - z[:, 1], z[:, 0] - x[:, 2], x[:, 1] - y[:, 0], 1 + xx + yy + zz],
        ]
    )
    pairs = pairs.transpose(2, 0, 1)
    length = np.linalg.norm(pairs, axis=2)
    best = np.argmax(length, axis=1)
    rows = np.arange(best.size)
    quaternions: Numbers = pairs[rows, best] / length[rows, best][:, None]
    return quaternions


def _turns(quaternions: Numbers) -> tuple[Numbers, Numbers]:
    """From each pose to the next: axes (k − 1, 3), in the body's own axes, and angles (k − 1,), 0 … π."""
    turn = _product(quaternions[:-1] * np.array([-1.0, -1.0, -1.0, 1.0]), quaternions[1:])
    turn *= np.where(turn[:, 3:] < 0, -1.0, 1.0)
    sine = np.linalg.norm(turn[:, :3], axis=1)
    axes = turn[:, :3] / np.where(sine > 0, sine, 1.0)[:, None]
    return axes, 2.0 * np.arctan2(sine, turn[:, 3])


def _product(a: Numbers, b: Numbers) -> Numbers:
    """Quaternion products a·b (turn by b first), (m, 4) each, w last."""
    ax, ay, az, aw = a.T
    bx, by, bz, bw = b.T
    return np.stack(
        [
            aw * bx + bw * ax + (ay * bz - az * by),
            aw * by + bw * ay + (az * bx - ax * bz),
            aw * bz + bw * az + (ax * by - ay * bx),
            aw * bw - (ax * bx + ay * by + az * bz),
        ],
        axis=1,
    )


def _across(axes: Numbers) -> Numbers:
    """Matrices (m, 3, 3) of the cross products with unit axes (m, 3)."""
    across = np.zeros((len(axes), 3, 3))
    for row, column, axis in ((2, 1, 0), (0, 2, 1), (1, 0, 2)):
        across[:, row, column], across[:, column, row] = axes[:, axis], -axes[:, axis]
    return across


def _rotations(quaternions: Numbers) -> Numbers:
    """Rotation matrices (m, 3, 3) of unit quaternions (m, 4), w last."""
    x, y, z, w = quaternions.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.ascontiguousarray(np.array(rows).transpose(2, 0, 1))
