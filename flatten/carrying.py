"""Per-return motion correction: every return of a cloud to the sensor's axes at one moment."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.cloud import Array, Cloud
from flatten.errors import MotionError
from flatten.kernels import groups
from flatten.kernels.carry import BEARINGS, STAMPS, carry
from flatten.kernels.carry_one import CARRY_SINGLES
from flatten.kernels.instants import NUMBERS, TICKS, find_span
from flatten.kernels.loads import INT32, INT64, UINT32, dtype_code
from flatten.kernels.workroom import LANES
from flatten.kernels.zones import COLUMNS
from flatten.knots import Knots, make_knots
from flatten.motion import SLACK, Motion, Stamped, Turning, attitude_of
from flatten.returns import lay_out

Numbers = npt.NDArray[np.float64]

WHOLE_KINDS = {np.dtype(np.int32): INT32, np.dtype(np.uint32): UINT32, np.dtype(np.int64): INT64,
               np.dtype(np.uint64): INT64}  # fmt: skip
UNITS = {1.0: "seconds", 1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds"}
MOST_A_SECOND = 1e10
"""More returns a second than this no sensor takes: then the times are in another unit."""
NO_ZONES = groups.Zones(np.eye(4), np.zeros(13, np.float32), np.zeros((0, COLUMNS)), np.zeros(0, np.float32))
"""Of a robot that never sees itself."""


START_BYTES = 12
"""From a carried return to where its beam began, where these are wanted."""


class Carried(NamedTuple):
    """A cloud whose returns are all of one moment, and what the body was like then."""

    cloud: Cloud
    """In the sensor's axes at that moment, metres, `corrected`; x, y, z are views of the room's memory."""
    starts: npt.NDArray[np.float32] | None
    """(N, 3) where the sensor was when each return was taken, in the same axes, or None; for what is no
    return they mean nothing."""
    attitude: tuple[float, float]
    """Roll and pitch (radians) of the body at that moment, for `Flattener.flatten`."""
    at: float
    """That moment, seconds after the first pose."""


class CarryRoom:
    """Working memory for `carry_cloud`: grows to the largest cloud seen, never with their number.

    What was carried lies in it, until the next cloud is carried in the same room.
    """

    def __init__(self) -> None:
        self.work = np.zeros(CARRY_SINGLES, np.float32)
        self.lanes = np.zeros(LANES, np.int32)
        self.numbers = np.zeros(NUMBERS)
        self.span = np.zeros(3)
        self._out = np.zeros(0, np.float32)
        self._stamps = np.zeros(0, np.int64)

    def out(self, numbers: int) -> npt.NDArray[np.float32]:
        """Room for so many float32."""
        if numbers > self._out.size:
            self._out = np.zeros(numbers, np.float32)
        return self._out[:numbers]

    def stamps(self, time: Array) -> Array:
        """Copy stamps that the kernels do not read as they are: whole numbers to int64, others to float64."""
        if time.size > self._stamps.size:
            self._stamps = np.zeros(time.size, np.int64)
        room = self._stamps[: time.size].reshape(time.shape)
        room = room.view(np.float64) if time.dtype.kind == "f" else room
        np.copyto(room, time, casting="unsafe")
        return room


class Times(NamedTuple):
    """Where the stamps of returns lie and what they mean.

    Seconds after the first pose are (stamp − origin)·scale + later.
    """

    kind: int
    layout: npt.NDArray[np.int64]
    columns: int
    whole_origin: int
    origin: float
    scale: float
    later: float
    stamps: Array
    """Holds what is looked at alive."""


def carry_cloud(
    cloud: Cloud,
    motion: Motion,
    body_from_sensor: npt.ArrayLike,
    starts: bool = False,
    room: CarryRoom | None = None,
    zones: groups.Zones = NO_ZONES,
) -> Carried:
    """Bring every return of a cloud, by the pose at its own time, to the sensor's axes at one moment.

    Parameters
    ----------
    cloud:
        Returns in the sensor's axes, each at its own time; not `corrected`.
    motion:
        Where the body was, how a return's time is told, and which moment is wanted.
    body_from_sensor:
        The mount, (4, 4).
    starts:
        Whether to give the sensor's position at each return's own time too.
    room:
        Memory to work in and to leave the result in, to be used again; of its own if None.
    zones:
        The robot's blind zones (`Plan.zones`). What lies in one at its own time, the coordinates taken as
        float32, is the robot itself and moves with it: it stays where it is in the sensor's axes, and its
        beam begins at their origin. What a zone has moved over since stands in the world, and is carried.

    The result has the cloud's shape and order, its intensity and times. It is float32: of a float32 cloud
    what the motion adds is worked out in float32 (off by a few 6e-8 parts of the added part, and 0.5 µm at
    100 m for the parabolas of `flatten.knots`), of any other in float64; then the sum is rounded. What is no
    return (not finite, or exactly zero) is NaN.

    The times of what is no return count for the end of the frame unless they lie outside the poses. An empty
    cloud is carried to the last pose, or to `at`. Raises MotionError where cloud and motion do not fit.
    """
    if cloud.corrected:
        raise MotionError(f"{cloud.name or 'cloud'}: it is corrected already; correct a cloud once")
    mount = _checked_mount(body_from_sensor)
    room = CarryRoom() if room is None else room
    n, step = len(cloud), 6 if starts else 3
    out = room.out(n * step)
    if n:
        times = _times_of(cloud, motion, room) if isinstance(motion.stamps, Stamped) else None
        first, last = _span(cloud, motion, times, room)
        at = last if motion.at is None else motion.held(motion.since(motion.at), "at")
        knots, now = make_knots(motion, first, last, at, mount)
        _run(cloud, motion, times, (first, last), knots, zones, starts, out, room)
    else:
        at = _end_without_returns(motion)
        now = motion.matrices(np.array([at]))[0]
    ends = out.reshape(n, step)
    x, y, z = (ends[:, axis].reshape(cloud.x.shape) for axis in range(3))
    carried = Cloud(x, y, z, cloud.intensity, cloud.time, cloud.name, corrected=True, stamp=cloud.stamp)
    carried._within(out, (0, 4, 8))
    return Carried(carried, ends[:, 3:] if starts else None, attitude_of(now), at)


def _run(
    cloud: Cloud,
    motion: Motion,
    times: Times | None,
    span: tuple[float, float],
    knots: Knots,
    zones: groups.Zones,
    starts: bool,
    out: npt.NDArray[np.float32],
    room: CarryRoom,
) -> None:
    """Hand numbers and arrays to the kernel."""
    first, last = span
    returns, owners = lay_out(cloud)
    a_second = TICKS / (last - first) if last > first else 0.0
    if times is None:
        turning: Any = motion.stamps
        way = -1.0 if turning.clockwise else 1.0
        first_turn = (turning.first / (np.pi / 2) + 2.0) % 4.0 - 2.0
        source = (BEARINGS, 0, np.zeros(3, np.int64), 1, 0, 0.0, 0.0, 0.0, first_turn, way)
    else:
        rate, later = times.scale * a_second, (times.later - first) * a_second
        source = (STAMPS, *times[:5], rate, later, 0.0, 1.0)
    memory = (out, room.work, room.lanes, room.numbers)
    numbers: tuple[Any, ...] = (returns, *source, *knots, zones, starts, *memory)
    carry(*numbers)
    del owners  # until here their memory was read


def _times_of(cloud: Cloud, motion: Motion, room: CarryRoom) -> Times:
    """Where a cloud's stamps lie and what they mean."""
    if cloud.time is None:
        raise MotionError(
            f"{cloud.name or 'cloud'}: it has no times: record them with the returns, "
            "or say how the sensor turns (Turning)"
        )
    stamps: Any = motion.stamps
    time = cloud.time
    kind = WHOLE_KINDS.get(time.dtype, dtype_code(time.dtype))
    if kind < 0:
        time = room.stamps(time)
        kind = INT64 if time.dtype.kind == "i" else dtype_code(time.dtype)
    origin, scale = motion.origin_of(stamps)
    whole_origin = min(max(round(origin), -(2**62)), 2**62)
    rounded = whole_origin if kind >= INT32 else float(origin)
    later = float((type(origin)(rounded) - origin) * scale)
    steps = time.strides if time.ndim == 2 else (0, *time.strides)
    one_row = time.ndim == 1 or time.shape[0] == 1 or steps[0] == steps[1] * time.shape[1]
    layout = np.array([time.__array_interface__["data"][0], *steps], np.int64)
    columns = time.size if one_row else time.shape[1]
    return Times(kind, layout, columns, whole_origin, float(origin), float(scale), later, time)


def _span(cloud: Cloud, motion: Motion, times: Times | None, room: CarryRoom) -> tuple[float, float]:
    """First and last moment of a cloud with returns, seconds after the first pose, within the poses."""
    if times is None:
        turning: Any = motion.stamps
        first = motion.held(motion.since(turning.start), "the turn's start")
        return first, motion.held(motion.since(turning.end), "the turn's end")
    find_span(*times[:3], len(cloud), *times[3:5], room.numbers, room.span)
    span = room.span[:2].copy()
    if not np.isfinite(room.span).all() or not _covered(span * times.scale + times.later, motion):
        found = _span_of_returns(cloud, times)
        if found is None:
            end = _end_without_returns(motion)
            return end, end
        span = found
    first, last = (span * times.scale + times.later).tolist()
    if not _covered(np.array([first, last]), motion):
        raise MotionError(_not_covered(cloud, motion, times, span))
    if 0 < last - first < len(cloud) / MOST_A_SECOND:
        raise MotionError(
            f"{cloud.name or 'cloud'}: {len(cloud)} returns in {last - first:.3g} s: "
            f"in which unit are their times? scale is {times.scale:g} s"
        )
    return motion.held(first, "the first return"), motion.held(last, "the last return")


def _covered(span: Numbers, motion: Motion) -> bool:
    return bool(span[0] >= -SLACK and span[1] <= motion.seconds[-1] + SLACK)


def _span_of_returns(cloud: Cloud, times: Times) -> Numbers | None:
    """Earliest and latest stamp, less their origin, of what is a return; None if nothing is."""
    xyz = cloud.xyz
    good = np.isfinite(xyz).all(axis=1) & (xyz != 0).any(axis=1)
    stamps = times.stamps.reshape(-1)[good]
    if stamps.dtype.kind == "f":
        stamps = stamps.astype(np.float64) - times.origin
        if not np.isfinite(stamps).all():
            odd = int((~np.isfinite(stamps)).sum())
            raise MotionError(f"{cloud.name or 'cloud'}: the times of {odd} returns are not finite")
    else:
        stamps = (stamps.astype(np.int64) - times.whole_origin).astype(np.float64)
    return np.array([stamps.min(), stamps.max()]) if stamps.size else None


def _not_covered(cloud: Cloud, motion: Motion, times: Times, span: Numbers) -> str:
    """Say by how much return times and poses miss each other, and whether another unit would help."""
    first, last = span * times.scale + times.later
    end = float(motion.seconds[-1])
    text = (
        f"{cloud.name or 'cloud'}: its return times run from {first:.9g} to {last:.9g} s after the "
        f"first pose, the poses from 0 to {end:.9g} s: nothing is extrapolated"
    )
    origin, scale = motion.origin_of(motion.stamps)  # type: ignore[arg-type]
    zero = -float(origin * scale)  # the time zero of the stamps, seconds after the first pose
    raw = span + (times.whole_origin if times.kind >= INT32 else times.origin)
    for unit, name in UNITS.items():
        begin, done = raw * unit + zero
        fits = begin >= -SLACK and done <= end + SLACK
        if unit != times.scale and fits and done - begin >= len(cloud) / MOST_A_SECOND:
            return f"{text}; are these {name}? Then give scale={unit:g}"
    return text


def _end_without_returns(motion: Motion) -> float:
    if motion.at is not None:
        return motion.held(motion.since(motion.at), "at")
    if isinstance(motion.stamps, Turning):
        return motion.held(motion.since(motion.stamps.end), "the turn's end")
    return float(motion.seconds[-1])


def _checked_mount(body_from_sensor: npt.ArrayLike) -> Numbers:
    mount = np.asarray(body_from_sensor, np.float64)
    if mount.shape != (4, 4) or not np.isfinite(mount).all():
        raise MotionError(
            f"body_from_sensor of shape {mount.shape}: wanted a (4, 4) transform of finite numbers"
        )
    return mount
