"""Timing frames stage by stage, with the library as it is: nothing is added to its own way."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.budget.board import Memory, memory
from flatten.budget.messages import PlainMessage, Wire
from flatten.budget.moving import motion_of, poses_about
from flatten.cloud import Cloud, as_cloud
from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.returns import lay_out

Seconds = npt.NDArray[np.float64]
Attitude = tuple[float, float]

DECODE, CLOUD, MOTION, WINDOW, FLOOR, KERNELS, SCANS, HEALTH, FIELDS, ENCODE = STAGES = (
    "message in", "cloud", "motion", "window", "floor", "kernels", "scans", "health", "fields", "message out",
)  # fmt: skip
"""What a frame is made of: message bytes to a message, message to coordinates, all returns to one moment,
older frames to the newest and the newest kept, the floor fitted, all returns to bins, bins
to `Scan`, the stream watched, `Scan` to message field values, these to message bytes."""

LEAN = (0.02, -0.03)
"""Roll and pitch that the frames are flattened with, radians: as on a moving rover, neither is 0."""
SCAN_TIME = 0.1


@dataclass(frozen=True)
class Spread:
    """How a time is spread over the frames, seconds."""

    median: float
    p95: float
    p99: float
    worst: float
    mean: float

    @classmethod
    def of(cls, times: Seconds) -> Spread:
        """Sum up times (frames,)."""
        median, p95, p99 = (float(value) for value in np.quantile(times, (0.5, 0.95, 0.99)))
        return cls(median, p95, p99, float(times.max()), float(times.mean()))


@dataclass(frozen=True, eq=False)
class Round:
    """One measurement: so many frames, one after the other."""

    stages: dict[str, Seconds] = field(repr=False)
    """(frames,) each, seconds by the clock; together they are `whole`. A stage that was not run is absent."""
    whole: Seconds = field(repr=False)
    """(frames,) seconds by the clock: how late a scan is."""
    busy: Seconds = field(repr=False)
    """(frames,) seconds of processor time of the thread: what a frame costs the board."""
    before: Memory
    after: Memory
    """Memory of this process when the measuring began and when it ended."""
    cores_taken: float = 0.0
    """Cores that the stand-in for odometry took meanwhile, on average."""

    @property
    def frames(self) -> int:
        """How many frames were timed."""
        return len(self.whole)


class StageFlattener(Flattener):
    """A flattener that knows how long some of its steps took.

    With `moving` its frames come with their motion; with a window in the profile they always do.
    """

    def __init__(self, profile: Profile, fields: Iterable[str] | None = None, moving: bool = False) -> None:
        self.spent: Counter[str] = Counter()
        """ns by stage, of those stages that a frame has within `flatten`; the kernels are what is left."""
        super().__init__(profile, fields)
        self.moving, self.number = moving or self.window is not None, 0
        """Frames so far: each comes SCAN_TIME after the one before, whoever asks for it."""
        steps: list[tuple[Any, str, str]] = [
            (self, "_scan", SCANS), (self, "_watch", HEALTH), (self, "_carry", MOTION),
            (self.window, "gather", WINDOW), (self.window, "keep", WINDOW), (self._follower, "fit", FLOOR),
        ]  # fmt: skip
        for owner, step, stage in steps:
            if owner is not None:
                setattr(owner, step, self._timed(getattr(owner, step), stage))

    def _timed(self, function: Callable[..., Any], stage: str) -> Callable[..., Any]:
        def run(*parts: Any, **named: Any) -> Any:
            start = time.perf_counter_ns()
            made = function(*parts, **named)
            self.spent[stage] += time.perf_counter_ns() - start
            return made

        return run

    @property
    def stages(self) -> tuple[str, ...]:
        """Those that a frame has, but for the coding of messages."""
        left_out = {DECODE, ENCODE}
        left_out |= set() if self.moving else {MOTION}
        left_out |= set() if self.window is not None else {WINDOW}
        left_out |= set() if self._follower is not None else {FLOOR}
        return tuple(stage for stage in STAGES if stage not in left_out)

    @property
    def settling(self) -> int:
        """Frames after which each costs what all later ones do."""
        window = self.profile.window
        if window is None:
            return 3
        return max(3, window.frames or math.ceil((window.seconds or 0.0) / SCAN_TIME) + 1)


@dataclass(frozen=True, eq=False)
class Feed:
    """Frames as they come in: bytes on the wire where a coder is there, messages in memory otherwise."""

    messages: Sequence[PlainMessage | bytes]
    wire: Wire | None = None

    def decode(self, number: int) -> Any:
        """Give frame `number` as a message; they come round again and again."""
        raw = self.messages[number % len(self.messages)]
        return self.wire.decode_cloud(raw) if self.wire is not None and isinstance(raw, bytes) else raw


def time_frames(
    flattener: StageFlattener,
    feed: Feed,
    frames: int,
    step: Callable[[], None] = lambda: None,
    attitude: Attitude = LEAN,
    settling: int | None = None,
) -> Round:
    """Flatten so many frames and time each; `step` is called after each frame.

    Some go before, untimed (see `settle`). Frames follow one another without a pause.
    """
    settle(flattener, feed, settling, attitude)
    before = memory()
    rows = np.empty((frames, len(STAGES) + 1))
    for number in range(frames):
        rows[number] = _time_one(flattener, feed, number, attitude)
        step()
    had = {*flattener.stages, *(() if feed.wire is None else (DECODE, ENCODE))}
    stages = {name: rows[:, place] for place, name in enumerate(STAGES) if name in had}
    whole = np.sum(list(stages.values()), axis=0)
    return Round(stages, whole, rows[:, -1], before, memory())


def settle(
    flattener: StageFlattener, feed: Feed, frames: int | None = None, attitude: Attitude = LEAN
) -> None:
    """Flatten so many frames, or as many as it takes until each costs what all later ones do."""
    for number in range(flattener.settling if frames is None else frames):
        _time_one(flattener, feed, number, attitude)


def _time_one(flattener: StageFlattener, feed: Feed, number: int, attitude: Attitude) -> Seconds:
    """Time one frame: seconds of each stage, in their order, then seconds of processor time."""
    clock, wire, spent = time.perf_counter_ns, feed.wire, flattener.spent
    spent.clear()
    start = flattener.number * SCAN_TIME
    flattener.number += 1
    poses = poses_about(start, SCAN_TIME, attitude) if flattener.moving else None
    busy, begin = time.thread_time_ns(), clock()
    message = feed.decode(number)
    decoded = clock()
    cloud = as_cloud(message)
    looked = clock()
    motion = None if poses is None else motion_of(start, *poses)
    told = clock()
    scans = flattener.flatten(cloud, attitude, motion=motion)
    flattened = clock()
    fields = [scan.message_fields(scan_time=SCAN_TIME) for scan in scans.values()]
    filled = clock()
    if wire is not None:
        for values in fields:
            wire.encode_scan(values)
    end = clock()
    busy = time.thread_time_ns() - busy
    left = flattened - told - sum(spent.values())
    laid = min(_layout_ns(cloud), left)
    spent.update({
        DECODE: decoded - begin, CLOUD: looked - decoded + laid, MOTION: told - looked, KERNELS: left - laid,
        FIELDS: filled - flattened, ENCODE: end - filled,
    })  # fmt: skip
    return np.array([*(spent[stage] for stage in STAGES), busy]) / 1e9


def _layout_ns(cloud: Cloud) -> int:
    """Time the laying out of a cloud, which the flattener does among the rest, by doing it once more.

    In processor time: this once more must not be charged with what came in between.
    """
    start = time.thread_time_ns()
    lay_out(cloud)
    return time.thread_time_ns() - start
