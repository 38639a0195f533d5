"""Health of the stream: is the sensor clean, in its place, in time? Told a frame at a time, answers in words.

    flattener.health.note(stamp, answered_share, swallowed, returns)      # once a frame
    for trouble in flattener.health.troubles:
        log(trouble.words)

Everything it remembers is bounded. It never prints, and nothing it says changes a scan.
"""

from __future__ import annotations

import math
import time
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Iterator
from typing import Any, NamedTuple

from flatten.profile import Profile

WINDOW = 30
"""Frames over which everything is filtered, and before which nothing is judged: 3 s at 10 Hz."""
KNOWN = WINDOW // 2
"""Of those, how many must tell a value before its median is one."""
PERIODS = 300
"""Waits whose median is the learnt period: half a minute at 10 Hz."""
BLOCKS = 1200
"""Windows whose median is the usual number of answers: an hour at 10 Hz, long beside mud that creeps."""
LEAST_WAIT, LONGEST_WAIT = 1e-6, 60.0
"""Seconds between frames, outside of which a clock was set or a recording paused, and no frame is missing."""

Plane = tuple[float, float, float]


class Trouble(NamedTuple):
    """Something that is worth a look."""

    kind: str
    """late, missing, disorder, empty, answered, swallowed, floor_height, floor_tilt or attitude_age."""
    value: float
    """What was found, in the unit of `limit`."""
    limit: float
    """What is allowed: seconds, shares, metres, radians; a count of frames for disorder and empty."""
    words: str
    """What it probably is, and what to do."""


class RunningMedian:
    """Median of the last `size` numbers; of an even count the upper one of the two in the middle."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._line: deque[float] = deque()
        self._sorted: list[float] = []

    def __len__(self) -> int:
        """Count the numbers that are remembered."""
        return len(self._sorted)

    def add(self, number: float) -> None:
        """Take a number (not NaN), and let the oldest one go when there are too many."""
        if len(self._line) == self._size:
            del self._sorted[bisect_left(self._sorted, self._line.popleft())]
        self._line.append(number)
        insort(self._sorted, number)

    @property
    def value(self) -> float | None:
        """The median; None of nothing."""
        return self._sorted[len(self._sorted) // 2] if self._sorted else None


class Health:
    """Watches one stream of frames by the profile's `health` limits.

    Values are medians of the last 30 frames and None until 15 of them tell the value, so that one odd
    frame is no trouble; troubles begin with frame 30. What is usual is learnt: the period from the last 300
    waits (unless `health.rate` declares it), the answers from the medians of the last 36,000 frames, an
    hour at 10 Hz. So a window that was dirty from the start is not noticed, and dirt is usual once
    it lasts as long as the clean time remembered, at most half an hour; `reset` forgets.

    Times are the clouds' stamps where they have any, else times of arrival; a wait is measured between
    two frames of the same clock only. A stamp that is not finite, goes back, stands still (less than 1 µs)
    or jumps by more than 60 s counts as disorder: no wait is measured there, nothing is late or missing
    by it, and the next wait counts from the new stamp.

    One thread at a time, as the Flattener that feeds it.
    """

    def __init__(self, profile: Profile) -> None:
        self.limits = profile.health
        self._bins = profile.fan.bins
        self._declared = None if self.limits.rate is None else 1.0 / self.limits.rate
        self.reset()

    def reset(self) -> None:
        """Forget all frames, as after cleaning the sensor or mending the mount."""
        self.frames = 0
        """Frames noted."""
        self.late = 0
        """Frames that came more than `health.late` periods after the one before."""
        self.missing = 0
        """Estimated frames that never came, by the waits; less again where late ones come close together."""
        self.disorder = 0
        """Stamps that make no time."""
        self._recent: deque[tuple[Any, ...]] = deque(maxlen=WINDOW)
        self._waits: deque[float] = deque(maxlen=WINDOW)
        self._disordered: deque[int] = deque(maxlen=WINDOW)
        self._usual_wait = RunningMedian(PERIODS)
        self._usual_answers = RunningMedian(BLOCKS)
        self._last: float | None = None
        self._by_stamps = False
        self._wait: float | None = None
        self._arrival: float | None = None

    def note(
        self,
        stamp: float | None,
        answered_share: float | None,
        swallowed: int,
        returns: int,
        floor: Plane | None = None,
        attitude_age: float | None = None,
        wall: float | None = None,
    ) -> None:
        """Take in one frame; what is not known is None, or NaN.

        Parameters
        ----------
        stamp:
            Time of the frame's end, seconds: `Cloud.stamp`.
        answered_share:
            Share of the fan's bins that tell something, 0 … 1: HIT, CLEAR, TOO_NEAR.
        swallowed, returns:
            Returns that blind zones swallowed, and all returns of the frame.
        floor:
            (height, slope_x, slope_y) of the plane z = height + slope_x·x + slope_y·y found under the
            robot, body frame, m and m per m: zeros where the mount is as declared.
        attitude_age:
            Seconds from the attitude to the stamp; negative for a younger attitude.
        wall:
            Time of arrival by a clock that never goes back, seconds; time.monotonic() if None.

        """
        self.frames += 1
        self._arrival = time.monotonic() if wall is None else float(wall)
        self._measure_wait(stamp, self._arrival)
        self._recent.append((answered_share, swallowed, returns, floor, attitude_age))
        if self.frames % WINDOW == 0:
            self._learn_answers()

    def _measure_wait(self, stamp: float | None, arrival: float) -> None:
        by_stamps = stamp is not None
        now = arrival if stamp is None else float(stamp)
        last, same_clock = self._last, by_stamps is self._by_stamps
        finite = math.isfinite(now)
        self._last, self._by_stamps, self._wait = now if finite else None, by_stamps, None
        if finite and (last is None or not same_clock):
            return
        wait = now - last if finite and last is not None else math.nan
        if not LEAST_WAIT < wait <= LONGEST_WAIT:
            self.disorder += 1
            self._disordered.append(self.frames)
            return
        period = self.period
        if period is not None:
            self.late += wait > self.limits.late * period
            self.missing = max(0, self.missing + round(wait / period) - 1)
        self._wait = wait
        self._waits.append(wait)
        self._usual_wait.add(wait)

    def _learn_answers(self) -> None:
        """Let the window join what is usual; frames without a return teach nothing."""
        answered = self.answered
        if answered is not None and self._median(2) != 0.0:
            self._usual_answers.add(answered)

    def _column(self, index: int) -> list[Any]:
        return [frame[index] for frame in list(self._recent) if frame[index] is not None]

    def _median(self, index: int) -> float | None:
        return _median_of(self._column(index))

    @property
    def period(self) -> float | None:
        """Seconds between frames: as declared, or learnt from 30 waits and more, else None."""
        if self._declared is not None:
            return self._declared
        return self._usual_wait.value if len(self._usual_wait) >= WINDOW else None

    @property
    def rate(self) -> float | None:
        """Frames a second over the last 30 waits."""
        waits = list(self._waits)
        return len(waits) / sum(waits) if waits else None

    @property
    def missing_share(self) -> float | None:
        """Share of the frames due in the last 30 waits that did not come, by the period."""
        rate, period = self.rate, self.period
        return None if rate is None or period is None else max(0.0, 1.0 - rate * period)

    @property
    def answered(self) -> float | None:
        """Share of the fan's bins that tell something."""
        return self._median(0)

    @property
    def usual_answered(self) -> float | None:
        """The share that is usual."""
        return self._usual_answers.value

    @property
    def swallowed(self) -> float | None:
        """Share of the returns that blind zones swallowed."""
        frames = list(self._recent)
        return _median_of([frame[1] / frame[2] for frame in frames if frame[2]])

    @property
    def floor_height(self) -> float | None:
        """Height of the floor found under the robot above the declared one, metres."""
        return _median_of([plane[0] for plane in self._column(3)])

    @property
    def floor_tilt(self) -> float | None:
        """Angle between the floor found under the robot and the declared one, radians."""
        slopes = self._floor_slopes()
        return None if slopes is None else math.atan(math.hypot(*slopes))

    def _floor_slopes(self) -> tuple[float, float] | None:
        planes = self._column(3)
        along, across = (_median_of([plane[k] for plane in planes]) for k in (1, 2))
        return None if along is None or across is None else (along, across)

    @property
    def attitude_age(self) -> float | None:
        """Seconds from the attitude to its frame; negative where the attitude is younger."""
        return self._median(4)

    def silence(self, wall: float | None = None) -> float | None:
        """Seconds since a frame arrived; None before any. For a watchdog, as troubles need frames to come."""
        if self._arrival is None:
            return None
        return (time.monotonic() if wall is None else wall) - self._arrival

    @property
    def ok(self) -> bool:
        """Whether there is no trouble, as far as is known."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        """What is worth a look now, the stream first; nothing before frame 30."""
        if self.frames < WINDOW:
            return ()
        parts = (self._timing, self._disorder, self._answers, self._zones, self._floor, self._attitude)
        return tuple(trouble for part in parts for trouble in part())

    def _timing(self) -> Iterator[Trouble]:
        period, share, late = self.period, self.missing_share, self.limits.late
        if period is None:
            return
        if self._wait is not None and self._wait > late * period:
            words = (
                f"the last frame came {self._wait:.3g} s after the one before, due are {period:.3g} s: "
                "sensor, link or computer may be overloaded; look at the load and the cables"
            )
            yield Trouble("late", self._wait, late * period, words)
        if share is not None and share > self.limits.missing:
            words = (
                f"{100.0 * share:.0f} % of the frames do not come: {self.rate:.3g} a second, due are "
                f"{1.0 / period:.3g}; look at the link, the load, and the sensor's own rate"
            )
            yield Trouble("missing", share, self.limits.missing, words)

    def _disorder(self) -> Iterator[Trouble]:
        count = sum(1 for frame in self._disordered if frame > self.frames - WINDOW)
        if count:
            words = (
                f"{count} of the last {WINDOW} stamps went back, stood still, jumped or were no number: a "
                "clock may have been set, or two sensors share the stream; look at the time source"
            )
            yield Trouble("disorder", float(count), 0.0, words)

    def _answers(self) -> Iterator[Trouble]:
        if self._median(2) == 0.0:
            words = (
                "the last frames hold no returns: the sensor may be covered, or its link or power failing; "
                "look at it"
            )
            yield Trouble("empty", 0.0, 1.0, words)
            return
        found, usual = self.answered, self.usual_answered
        if found is None or usual is None or not found < self.limits.answered * usual:
            return
        words = (
            f"the sensor's window may be dirty: {found * self._bins:,.0f} of {self._bins:,} bins answer, "
            f"usual are {usual * self._bins:,.0f}; clean it, unless the place has just become wide and open"
        )
        yield Trouble("answered", found, self.limits.answered * usual, words)

    def _zones(self) -> Iterator[Trouble]:
        share = self.swallowed
        if share is not None and share > self.limits.swallowed:
            words = (
                f"blind zones swallow {100.0 * share:.0f} % of the returns: mud or leaves may lie on the "
                "robot near the sensor, or a zone is too large; look there, then at blind_zones"
            )
            yield Trouble("swallowed", share, self.limits.swallowed, words)

    def _floor(self) -> Iterator[Trouble]:
        height, tilt, slopes = self.floor_height, self.floor_tilt, self._floor_slopes()
        if height is not None and abs(height) > self.limits.floor_height:
            side = "lower" if height > 0.0 else "higher"
            words = (
                f"the sensor stands {abs(height):.2f} m {side} over the floor than declared: the mount may "
                "have slipped, or the tracks sag; measure mount.z anew"
            )
            yield Trouble("floor_height", height, self.limits.floor_height, words)
        limit = math.radians(self.limits.floor_tilt)
        if slopes is not None and tilt is not None and tilt > limit:
            pitch, roll = (math.degrees(math.atan(slope)) for slope in (slopes[0], -slopes[1]))
            words = (
                f"the floor under the robot leans {math.degrees(tilt):.1f}°, as if mount.pitch were off by "
                f"{pitch:+.1f}° and mount.roll by {roll:+.1f}°: the mount may have slipped; "
                "fasten and measure it"
            )
            yield Trouble("floor_tilt", tilt, limit, words)

    def _attitude(self) -> Iterator[Trouble]:
        age, limit = self.attitude_age, self.limits.attitude_age
        if age is not None and abs(age) > limit:
            side = "older" if age > 0.0 else "younger"
            words = (
                f"attitudes are {abs(age):.3g} s {side} than their frames, allowed are {limit:g} s: pass the "
                "attitude at the cloud's stamp, by the same clock"
            )
            yield Trouble("attitude_age", age, limit, words)

    def to_dict(self) -> dict[str, Any]:
        """Give all of it as plain JSON-able values; None for what is not known."""
        names = (
            "ok", "frames", "late", "missing", "disorder", "rate", "missing_share", "answered",
            "usual_answered", "swallowed", "floor_height", "floor_tilt", "attitude_age",
        )  # fmt: skip
        plain = {name: getattr(self, name) for name in names}
        return {**plain, "troubles": [trouble._asdict() for trouble in self.troubles]}


def _median_of(values: list[Any]) -> float | None:
    """Median of the finite ones, the upper of two; None of fewer than KNOWN."""
    known = sorted(float(value) for value in values if math.isfinite(value))
    return known[len(known) // 2] if len(known) >= KNOWN else None
