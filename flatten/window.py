"""Several frames gathered in the newest one's axes, for sensors whose pattern fills over time.

What is kept of a frame is its returns as records in its own axes, without what is none and without what a
blind zone swallowed *then*, and where the sensor was. The robot's own returns are all swallowed, as they stay
in their zones when a frame is carried to its moment (`kernels.carry`); so no later frame meets them. Every
new frame brings what is kept, from there and not from where the frame before brought it, into its own axes:
nothing is rounded twice.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.carrying import START_BYTES, CarryRoom
from flatten.kernels import groups
from flatten.kernels.answer import answer
from flatten.kernels.loads import FLOAT32
from flatten.kernels.newest import bring, keep_returns
from flatten.motion import SLACK, Motion
from flatten.profile import Window
from flatten.profile.stream import LONGEST_WINDOW, MOST_FRAMES
from flatten.tables import LONE, Tables

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

MOST_RETURNS = 4_000_000
"""Returns that are gathered at most, the newest frame's counted; the oldest frames make room."""
FASTEST, SWIFTEST = 5.0, math.pi
"""m/s and rad/s: what no tracked body does, and poses that jump seem to do (common practice, no source)."""
HOP, TWIST = 0.05, 0.02
"""m and rad by which two poses of one moment may differ: interpolated between other neighbours, they do."""
STEP = 1 << 16
"""Numbers by which the room for what is gathered grows."""


class Kept(NamedTuple):
    """One older frame."""

    records: Singles
    """(capacity,) its returns in the sensor's axes at its moment."""
    n: int
    """Returns kept."""
    intensity: Singles | None
    """(n,), or None where the cloud had none or nobody asks."""
    odom_from_body: Numbers
    odom_from_sensor: Numbers
    """(4, 4) at its moment."""
    clock: float
    """Its moment, seconds on the window's own clock, which begins anew with every forgetting."""


class GatherRoom(CarryRoom):
    """Where the newest frame is carried to: in front of the room for all others."""

    def __init__(self) -> None:
        super().__init__()
        self.behind = 0
        """Numbers that older frames may need behind it."""

    def out(self, numbers: int) -> Singles:
        """Room for so many float32, and for the older frames behind them."""
        wanted = numbers + self.behind
        if wanted > self._out.size:
            self._out = np.zeros(-(-wanted // STEP) * STEP, np.float32)
        return self._out[:numbers]

    def whole(self) -> Singles:
        """Give all of the room that `out` gave the front of."""
        return self._out


class FrameWindow:
    """The last frames of one stream: `frames` of them, or those of the last `seconds`.

    Bounded: at most MOST_FRAMES frames and MOST_RETURNS returns, the newest counted, whatever the profile
    says; the oldest make room. A return takes 24 bytes (12 without `clear`) in its frame and as many where
    all are gathered, and 4 for its intensity; each room is that of the largest cloud it held.

    Older frames are forgotten, all of them, where they cannot be trusted to belong to the newest: at a frame
    that is not later than the one before, after a gap longer than the window (with `frames`: so many times
    the mean wait between those that are kept, at most 10 s), with poses by another clock, and where the
    poses jump or tell of another past. `forgotten` says why.
    """

    def __init__(self, window: Window, body_from_sensor: Numbers, overruling: bool, hearing: bool) -> None:
        self._frames = window.frames or MOST_FRAMES
        self._seconds = window.seconds
        self._mount, self._overruling, self._hearing = body_from_sensor, overruling, hearing
        self._width = 6 if overruling else 3
        self.room = GatherRoom()
        """Where the newest frame is to be carried to."""
        self._kept: deque[Kept] = deque()  # the newest first
        self._gathered: tuple[Kept, ...] = ()
        self._spare: Singles = np.zeros(0, np.float32)
        self._numbers: npt.NDArray[np.int64] = np.zeros(0, np.int64)
        self._last: tuple[Motion, float] | None = None
        self._pose = np.eye(4)
        self._clock, self._newest = 0.0, 0
        self._offsets, self._ages = np.zeros(1, np.int64), np.zeros(1)
        self.forgotten = ""
        """Why older frames were last forgotten; empty if they never were."""
        self.forgettings = 0
        """How often they were."""

    @property
    def frames(self) -> int:
        """Frames that the last scan was made of."""
        return len(self._offsets)

    @property
    def returns(self) -> int:
        """Returns that the last scan was made of."""
        return int(self._offsets[-1]) + (self._gathered[-1].n if self._gathered else self._newest)

    @property
    def seconds(self) -> float:
        """Age of the oldest frame of the last scan."""
        return float(self._ages[-1])

    @property
    def memory(self) -> int:
        """Bytes that are held for what is gathered and for what is kept."""
        arrays: list[npt.NDArray[Any]] = [self.room.whole(), self._spare, self._numbers]
        for frame in self._kept:
            arrays += [frame.records] if frame.intensity is None else [frame.records, frame.intensity]
        return sum(array.nbytes for array in arrays)

    def forget(self, why: str = "told to") -> None:
        """Forget all older frames: after a new localisation, say."""
        if self._kept:
            self.forgotten, self.forgettings = why, self.forgettings + 1
            self._kept.clear()

    def gather(self, n: int, motion: Motion, at: float) -> groups.Returns:
        """Bring all older frames into the axes of the newest, whose n returns stand in `room`; tell of all.

        `at` is the newest frame's moment, seconds after the first pose of `motion`.
        """
        odom_from_body = motion.matrices(np.array([at]))[0]
        self._pass_time(motion, at, odom_from_body)
        self._make_room(n)
        odom_from_sensor = odom_from_body @ self._mount
        self._newest, self._gathered = n, tuple(self._kept)
        self._last, self._pose = (motion, at), odom_from_body
        offsets, end, width, whole = [0], n, self._width, self.room.whole()
        for frame in self._gathered:
            offsets.append(end)
            out = whole[end * width : (end + frame.n) * width]
            bring(frame.n, width, between(odom_from_sensor, frame.odom_from_sensor), frame.records, out)
            end += frame.n
        self._offsets = np.array(offsets)
        self._ages = self._clock - np.array([self._clock, *(frame.clock for frame in self._gathered)])
        start, stride = whole.__array_interface__["data"][0], 4 * width
        x, y, z = (groups.Axis(start + 4 * axis, 0, stride) for axis in range(3))
        starts = START_BYTES if self._overruling else 0
        return groups.Returns(FLOAT32, max(end, 1), stride, end, starts, x, y, z)

    def hand(self, tables: Tables, returns: groups.Returns, fill: Callable[[], None]) -> None:
        """Let the words tell of what was gathered; `fill` fills the tables from what they tell of.

        Where beams witness, the newest frame fills them first, all alone: its stretches overrule the others.
        """
        n, frame = self._newest, LONE._replace(returns=self._newest)
        tables.hand_returns(returns)
        if self._overruling and self._gathered:
            tables.hand_returns(returns._replace(n=n))
            tables.hand(frame)
            fill()
            answer(tables.words)
            frame = groups.Newest(n, n, tables.answers.stretches.copy())
            tables.hand_returns(returns)
        tables.hand(frame)

    def keep(self, tables: Tables, intensity: npt.NDArray[Any] | None) -> None:
        """Keep the newest frame, which the words tell of, for the scans to come."""
        if self._frames == 1 or self._last is None:
            return
        n, width, records = self._newest, self._width, self._spare
        if not n * width <= records.size <= 4 * n * width + STEP:
            records = np.zeros(n * width, np.float32)
        self._spare = np.zeros(0, np.float32)
        if n > self._numbers.size:
            self._numbers = np.zeros(n, np.int64)
        kept = keep_returns(tables.words, records, self._numbers)
        heard = None
        if self._hearing and intensity is not None and intensity.size:
            heard = intensity.reshape(-1)[self._numbers[:kept]].astype(np.float32)
        sensor = self._pose @ self._mount
        self._kept.appendleft(Kept(records, kept, heard, self._pose, sensor, self._clock))
        self.room.behind = width * sum(frame.n for frame in self._kept)

    def ages(self, winners: npt.NDArray[np.int64]) -> Singles:
        """Seconds from the frames of these returns to the newest one."""
        ages: Singles = self._ages.astype(np.float32)[self._frame_of(winners)]
        return ages

    def intensities(self, winners: npt.NDArray[np.int64]) -> Singles:
        """Intensities of these returns, all of older frames; NaN where there was none."""
        out, frames = np.full(winners.size, np.nan, np.float32), self._frame_of(winners)
        for k, frame in enumerate(self._gathered, start=1):
            mine = frames == k
            if frame.intensity is not None:
                out[mine] = frame.intensity[winners[mine] - self._offsets[k]]
        return out

    def _frame_of(self, winners: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
        """Number of the frame that each return is of; the newest is 0."""
        return np.searchsorted(self._offsets, winners, "right") - 1

    def _pass_time(self, motion: Motion, at: float, odom_from_body: Numbers) -> None:
        """Move the window's clock on to the newest frame; forget what does not belong to it."""
        if self._last is None:
            return
        elapsed = motion.seconds_since(at, *self._last)
        why = self._break(motion, at, odom_from_body, elapsed)
        if why:
            self.forget(why)
        self._clock = self._clock + elapsed if self._kept else 0.0
        limit = LONGEST_WINDOW if self._seconds is None else self._seconds
        while self._kept and self._clock - self._kept[-1].clock > limit + SLACK:
            self._drop_oldest()

    def _break(self, motion: Motion, at: float, odom_from_body: Numbers, elapsed: float) -> str:
        """Say what parts the newest frame from the one before; nothing if they follow each other."""
        if math.isnan(elapsed):
            return "the poses are by another clock: seconds here, whole nanoseconds there"
        if elapsed <= 0.0:
            return f"a frame out of order: {abs(elapsed):.3g} s older than the one that came before it"
        longest = self._longest_gap()
        if elapsed > longest + SLACK:
            return f"a gap of {elapsed:.3g} s, longer than the window of {longest:.3g} s"
        return self._jump(motion, at, odom_from_body, elapsed) if self._kept else ""

    def _jump(self, motion: Motion, at: float, odom_from_body: Numbers, elapsed: float) -> str:
        """Say how the poses part the newest frame from the one before; nothing if they do not."""
        way, turn = apart(self._kept[0].odom_from_body, odom_from_body)
        if way > HOP + FASTEST * elapsed or turn > TWIST + SWIFTEST * elapsed:
            degrees = math.degrees(turn)
            return f"the poses jump: {way:.3g} m and {degrees:.3g} degrees in {elapsed:.3g} s"
        before = at - elapsed
        if before >= -SLACK:  # these poses tell of that moment too
            way, turn = apart(self._kept[0].odom_from_body, motion.matrices(np.array([max(before, 0.0)]))[0])
            if way > HOP or turn > TWIST:
                return f"the poses tell of another past: {way:.3g} m and {math.degrees(turn):.3g} degrees off"
        return ""

    def _longest_gap(self) -> float:
        """Seconds between two frames beyond which these share no window."""
        if self._seconds is not None:
            return self._seconds
        waits = len(self._kept) - 1
        if waits < 1:
            return LONGEST_WINDOW
        return min(LONGEST_WINDOW, self._frames * (self._kept[0].clock - self._kept[-1].clock) / waits)

    def _make_room(self, n: int) -> None:
        """Let the oldest frames go until what is left and one of n returns keep within all bounds."""
        capacity = sum(frame.records.size for frame in self._kept) // self._width
        while self._kept and (len(self._kept) >= self._frames or capacity + n > MOST_RETURNS):
            capacity -= self._kept[-1].records.size // self._width
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        self._spare = self._kept.pop().records


def between(odom_from_now: Numbers, odom_from_then: Numbers) -> Numbers:
    """(3, 4) now_from_then; the positions are taken from each other first, however far odom's origin is."""
    now_from_odom = odom_from_now[:3, :3].T
    out = np.empty((3, 4))
    out[:, :3] = now_from_odom @ odom_from_then[:3, :3]
    out[:, 3] = now_from_odom @ (odom_from_then[:3, 3] - odom_from_now[:3, 3])
    return out


def apart(one: Numbers, other: Numbers) -> tuple[float, float]:
    """Metres and radians between two poses."""
    cosine = 0.5 * (float(np.sum(one[:3, :3] * other[:3, :3])) - 1.0)
    return float(np.linalg.norm(other[:3, 3] - one[:3, 3])), math.acos(min(max(cosine, -1.0), 1.0))
