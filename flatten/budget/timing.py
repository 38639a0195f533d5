"""Timing frames stage by stage, with the library as it is: nothing is added to its own way."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.budget.board import Memory, memory
from flatten.budget.messages import PlainMessage, Wire
from flatten.cloud import Cloud, as_cloud
from flatten.flattener import Flattener
from flatten.returns import lay_out
from flatten.scan import Scan

Seconds = npt.NDArray[np.float64]
Attitude = tuple[float, float]

DECODE, CLOUD, KERNELS, SCANS, FIELDS, ENCODE = STAGES = (
    "message in", "cloud", "kernels", "scans", "fields", "message out",
)  # fmt: skip
"""What a frame is made of: message bytes to a message, message to coordinates, all returns to bins, bins
to `Scan`, `Scan` to message field values, these to message bytes."""

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
    """A flattener that knows how long it took to make its scans from what the kernels left."""

    scan_ns = 0

    def _scan(self, *parts: Any, **named: Any) -> Scan:
        start = time.perf_counter_ns()
        made = super()._scan(*parts, **named)
        self.scan_ns += time.perf_counter_ns() - start
        return made


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
    settle: int = 3,
) -> Round:
    """Flatten so many frames and time each; `step` is called after each frame.

    `settle` frames go before, untimed. Frames follow one another without a pause.
    """
    for number in range(settle):
        _time_one(flattener, feed, number, attitude)
    before = memory()
    rows = np.empty((frames, len(STAGES) + 1))
    for number in range(frames):
        rows[number] = _time_one(flattener, feed, number, attitude)
        step()
    stages = {name: rows[:, place] for place, name in enumerate(STAGES)}
    if feed.wire is None:
        del stages[DECODE], stages[ENCODE]
    whole = np.sum(list(stages.values()), axis=0)
    return Round(stages, whole, rows[:, -1], before, memory())


def _time_one(flattener: StageFlattener, feed: Feed, number: int, attitude: Attitude) -> Seconds:
    """Time one frame: seconds of each stage, in their order, then seconds of processor time."""
    clock, wire = time.perf_counter_ns, feed.wire
    flattener.scan_ns = 0
    busy, begin = time.thread_time_ns(), clock()
    message = feed.decode(number)
    decoded = clock()
    cloud = as_cloud(message)
    looked = clock()
    scans = flattener.flatten(cloud, attitude)
    flattened = clock()
    fields = [scan.message_fields(scan_time=SCAN_TIME) for scan in scans.values()]
    filled = clock()
    if wire is not None:
        for values in fields:
            wire.encode_scan(values)
    end = clock()
    busy = time.thread_time_ns() - busy
    inside = flattened - looked - flattener.scan_ns
    laid = min(_layout_ns(cloud), inside)
    parts = (decoded - begin, looked - decoded + laid, inside - laid, flattener.scan_ns, filled - flattened)
    return np.array([*parts, end - filled, busy]) / 1e9


def _layout_ns(cloud: Cloud) -> int:
    """Time the laying out of a cloud, which the flattener does among the rest, by doing it once more.

    In processor time: this once more must not be charged with what came in between.
    """
    start = time.thread_time_ns()
    lay_out(cloud)
    return time.thread_time_ns() - start
