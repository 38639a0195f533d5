"""One piece of a recording, frame by frame, as if all frames before it had been flattened too."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.batch.guides import NOBODY, Guide, at_one_moment
from flatten.batch.order import Order, Piece, Plan
from flatten.batch.settling import is_settled, memory_of
from flatten.batch.stream import Passing, Seen, Stream
from flatten.errors import FlattenError, MotionError
from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.recordings import Frame
from flatten.scan import Scan


@dataclass(frozen=True, eq=False)
class Flat:
    """A frame that was flattened, or why it was not."""

    logged: int
    time: int
    """The cloud's stamp, ns; of one that cannot be read when it was recorded."""
    scans: dict[str, Scan]
    guide: Guide = NOBODY
    why: str = ""

    @property
    def pose(self) -> npt.NDArray[np.float64]:
        """odom_from_body (7,) at the stamp; NaN where it is not known."""
        return self.guide.pose_at(self.time)


class _UnsettledError(Exception):
    """What was run before a piece is not enough."""


def flatten_piece(stream: Stream, order: Order, plan: Plan, piece: Piece) -> Iterator[Flat | Passing]:
    """Yield what a piece becomes, in recorded order.

    Frames before it are run first, so that window and remembered floor hold what they would hold; if they
    prove not enough, twice as many, and so on to the beginning of the recording.
    """
    earliest = plan.pieces[0].first
    warm = plan.warm
    while True:
        begin = max(piece.first - warm, earliest)
        try:
            yield from _from(stream, order, plan, piece, begin, begin == earliest)
            return
        except _UnsettledError:
            warm = max(2 * warm, 1)


def _from(
    stream: Stream, order: Order, plan: Plan, piece: Piece, begin: int, whole: bool
) -> Iterator[Flat | Passing]:
    one = OneByOne(order, plan)
    settled = whole or not (plan.has_poses and remembers(order.profile))
    early: list[Flat | Passing] = []  # what waits until it is known that enough was run before
    for item in stream.items(begin, piece.stop):
        inside = item.logged >= piece.first
        if inside and not settled and isinstance(item, Seen) and item.frame is not None:
            if not is_settled(order.profile, one.times, item.frame.time):
                raise _UnsettledError
            settled = True
        done = one.flatten(item) if isinstance(item, Seen) else item
        early += [done] if inside else []
        if settled:
            yield from early
            early.clear()
    yield from early


class OneByOne:
    """Flattens frames one after the other, as one Flattener that sees them all."""

    def __init__(self, order: Order, plan: Plan) -> None:
        self._flattener = Flattener(order.profile)
        self._plan, self._profile = plan, order.profile
        self.times: list[int] = []
        """Stamps of the frames that were flattened, ns."""

    def flatten(self, seen: Seen) -> Flat:
        """Flatten a frame, or say why not."""
        frame = seen.frame
        if frame is None:
            return _skipped(seen.logged, seen.logged, seen.why)
        try:
            scans = self._scans(frame, seen)
        except FlattenError as error:
            return _skipped(seen.logged, frame.time, str(error))
        self.times.append(frame.time)
        return Flat(seen.logged, frame.time, scans, seen.guide)

    def _scans(self, frame: Frame, seen: Seen) -> dict[str, Scan]:
        plan, flattener = self._plan, self._flattener
        if not plan.has_poses:
            return flattener.flatten(frame.cloud)
        motion = seen.guide.motion_at(frame, plan.times)
        if plan.times is not None:
            if frame.cloud.time is None:
                raise MotionError("its returns carry no times, those of other clouds do")
            return flattener.flatten(frame.cloud, motion=motion)
        if remembers(self._profile):
            return flattener.flatten(at_one_moment(frame.cloud), motion=motion)
        return flattener.flatten(frame.cloud, motion.attitude)


def remembers(profile: Profile) -> bool:
    """Tell whether older frames count for a frame."""
    return profile.window is not None or memory_of(profile) > 0.0


def _skipped(logged: int, time: int, why: str) -> Flat:
    return Flat(logged, time, {}, why=why)
