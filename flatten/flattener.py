"""The whole way, read top to bottom: compile the profile, run the kernels, hand out scans."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.attitude import checked_age, checked_attitude
from flatten.carrying import START_BYTES, Carried, CarryRoom, carry_cloud
from flatten.cloud import Cloud, as_cloud
from flatten.drops import report_drops
from flatten.errors import FlattenError, MotionError
from flatten.fitted import FittedFloor
from flatten.following import FloorFollower
from flatten.health import Health
from flatten.kernels import groups
from flatten.kernels.accept import accept
from flatten.kernels.answer import answer
from flatten.kernels.beams import follow_beams
from flatten.kernels.stretches import BEAM_BYTES
from flatten.kernels.sweep import RETURNS_SKIPPED, RETURNS_SWALLOWED, sweep
from flatten.motion import Motion
from flatten.plan import Plan, make_plan
from flatten.profile import Profile
from flatten.returns import lay_out
from flatten.scan import FIELDS, Counts, Kind, Scan, State
from flatten.tables import LEVEL_GROUND, Tables
from flatten.window import FrameWindow

TELLING = np.array([state in (State.HIT, State.CLEAR, State.TOO_NEAR) for state in State])
"""Which states tell something of a bin."""


class Flattener:
    """Flattens clouds by one profile; everything that can be done ahead is done here, once.

    Parameters
    ----------
    profile:
        What to do.
    fields:
        Which arrays of a `Scan` to fill, out of `flatten.scan.FIELDS`; all if None. What is not
        asked for is None in the scan and costs nothing. The values do not depend on what else is asked for.

    One flattener serves one thread at a time (a second call while one runs raises FlattenError);
    several flatteners are independent, and the kernels run without the interpreter's lock.
    """

    def __init__(self, profile: Profile, fields: Iterable[str] | None = None) -> None:
        if not isinstance(profile, Profile):
            raise FlattenError(
                f"wanted a Profile, not {type(profile).__name__}: load one with flatten.Profile.load"
            )
        if isinstance(fields, str):
            raise FlattenError(f"fields {fields!r}: wanted several names, such as {{{fields!r}}}")
        self.profile = profile
        self.fields = frozenset(FIELDS if fields is None else fields)
        unknown = self.fields - set(FIELDS)
        if unknown:
            raise FlattenError(f"unknown fields {', '.join(sorted(unknown))}: known are {', '.join(FIELDS)}")
        self._plan: Plan = make_plan(profile)
        self._names = tuple(profile.slices)
        self._fan = {
            "first": self._plan.first, "step": self._plan.step, "bins": len(self._plan.bearings),
            "near": profile.reach.near, "far": profile.reach.far,
        }  # fmt: skip
        needs_witness = self.fields & {"ranges", "states", "clear_from", "clear_to"}
        # what is witnessed decides what older frames still say, whatever is asked for
        self._witnessing = profile.clear is not None and bool(needs_witness or profile.window)
        stretching = self._witnessing or bool(self.fields & {"clear_from", "clear_to"})
        self._tables = Tables(self._plan, self._witnessing, "hits" in self.fields, stretching, self.fields)
        self._ground = LEVEL_GROUND
        self.window: FrameWindow | None = None
        """The last frames, with `window` in the profile: how many, how old, why they were forgotten."""
        if profile.window is not None:
            self.window = FrameWindow(
                profile.window, self._plan.numbers.body_from_sensor, self._witnessing,
                "intensities" in self.fields,
            )  # fmt: skip
        self._carry_room = CarryRoom() if self.window is None else self.window.room
        self._follower = FloorFollower(profile, self._plan) if profile.level == "floor" else None
        self._dropping = [s for s, band in enumerate(profile.slices.values()) if band.drops]
        self.health = Health(profile)
        """How the stream of frames is doing; looked at by whoever wants to know, never printed."""
        self._busy = threading.Lock()
        self._run(as_cloud(np.empty((0, 3), np.float32)), None)  # compiles, or loads what was compiled

    def flatten(
        self, cloud: Any, attitude: Sequence[float] | None = None, motion: Motion | None = None
    ) -> dict[str, Scan]:
        """Flatten one cloud into a scan a slice, by the slices' names.

        Parameters
        ----------
        cloud:
            A `Cloud`, an (N, 3+) float array (x, y, z in metres, sensor frame; a fourth column is
            the intensity), or an object laid out like a standard point-cloud message, which is read
            where it lies. No returns at all is a valid frame: every bin UNSEEN.
        attitude:
            (roll, pitch) of the body in radians at the time of the cloud (REP 103: roll > 0 left
            side up, pitch > 0 nose down); None for level, or for that of `motion`. Ignored with
            `level: body`.
        motion:
            How the body moved while the frame was taken: every return is brought, by the pose at its
            own time, to the moment that the motion names (the frame's end, if it names none), and every beam
            begins where the sensor was then. What lies in a blind zone at its own time moves with the body
            and stays there. None for a body that stands, or a cloud that is `corrected`.
            With `window` in the profile it must be given: older frames are brought along by its poses, in
            the same fixed frame and by the same clock, frame after frame.

        Raises CloudError, AttitudeError or MotionError for what is not one.
        """
        if not self._busy.acquire(blocking=False):
            raise FlattenError("this Flattener is busy in another thread: give each thread its own")
        try:
            return self._take(as_cloud(cloud), attitude, motion)
        finally:
            self._busy.release()

    @property
    def floor(self) -> FittedFloor | None:
        """The floor fitted to the last frame, in arrays of its own; None unless `level: floor`."""
        if self._follower is None:
            return None
        ground, found = self._ground, self._follower.floor
        return FittedFloor(
            self._plan.first, self._plan.step, 1.0 / ground.cells_per_metre, ground.heights.copy(),
            ground.known.astype(bool), found.drop_distances.copy(), found.height, found.tilt, found.counts[0],
        )  # fmt: skip

    def _take(self, cloud: Cloud, attitude: Sequence[float] | None, motion: Motion | None) -> dict[str, Scan]:
        """Check what came in, bring it to one moment, run, and let the health know."""
        plan = self._plan
        age = checked_age(attitude, cloud.stamp, self.profile.health.attitude_stale)
        lean = checked_attitude(attitude) if plan.gravity else None
        at = 0.0
        if motion is None and self.window is not None:
            raise MotionError(
                "window: older frames can only be gathered where the poses are known: pass motion=, or say "
                "window: off"
            )
        if motion is not None:
            if not isinstance(motion, Motion):
                raise MotionError(f"motion: wanted a flatten.Motion, not {type(motion).__name__}")
            carried = self._carry(cloud, motion)
            cloud, at = carried.cloud, carried.at
            lean = checked_attitude(carried.attitude) if plan.gravity and lean is None else lean
        scans = self._run(cloud, lean, motion, at)
        if self.window is not None:
            self.window.keep(self._tables, cloud.intensity)
        self._watch(cloud, age)
        return scans

    def _carry(self, cloud: Cloud, motion: Motion) -> Carried:
        """Bring all returns of a cloud to one moment."""
        mount, zones = self._plan.numbers.body_from_sensor, self._plan.zones
        return carry_cloud(cloud, motion, mount, self._witnessing, self._carry_room, zones)

    def _run(
        self,
        cloud: Cloud,
        attitude: tuple[float, float] | None,
        motion: Motion | None = None,
        at: float = 0.0,
    ) -> dict[str, Scan]:
        owners = self._sweep(cloud, attitude, motion, at)
        answer(self._tables.words)
        del owners  # until here their memory was read
        # the kernels' own arrays are used again for the next frame
        states, stretches, ranges, heights = (array.copy() for array in self._tables.answers)
        self._answers = states
        kinds = (states == State.HIT).view(np.uint8)
        for s in self._dropping:
            report_drops(
                self._drops(), self.profile.reach, states[s], stretches[:, s], ranges[s], heights[s],
                kinds[s], self._distances(s),
            )  # fmt: skip
        return {
            name: self._scan(s, name, cloud, states[s], stretches[:, s], ranges[s], heights[s], kinds[s])
            for s, name in enumerate(self._names)
        }

    def _drops(self) -> npt.NDArray[np.float32]:
        """Distance of the nearest edge in each bin, inf where there is none."""
        assert self._follower is not None  # the profile has seen to it
        return self._follower.floor.drop_distances

    def _distances(self, s: int) -> npt.NDArray[np.float64]:
        """Distance of the deciding return of each bin of slice s, inf where there is none."""
        best: npt.NDArray[np.float64] = self._tables.bins.best[s]
        return np.sqrt(np.where(best >= 0.0, best, np.inf))

    def _sweep(
        self,
        cloud: Cloud,
        attitude: tuple[float, float] | None,
        motion: Motion | None = None,
        at: float = 0.0,
    ) -> tuple[Any, ...]:
        """Let all returns fill the tables; give what holds their memory alive."""
        tables = self._tables
        returns, owners = self._returns(cloud, motion, at)
        frame = self._plan.frame(attitude)
        if self._follower is not None:
            self._hand_ground(self._follower.fit(returns, frame, attitude, motion, at))
        ground = self._ground
        if len(ground.heights):  # the sieve does not know where the floor is how high
            frame = frame._replace(half=frame.half + 1.001 * max(abs(ground.lowest), abs(ground.highest)))
        tables.hand(frame)
        if self.window is None:
            tables.hand_returns(returns)
        else:
            self.window.hand(tables, returns, self._fill)
        self._fill()
        return owners

    def _returns(
        self, cloud: Cloud, motion: Motion | None, at: float
    ) -> tuple[groups.Returns, tuple[Any, ...]]:
        """Tell where all returns lie that are to be swept, and what holds their memory alive."""
        if motion is not None and self.window is not None:
            return self.window.gather(len(cloud), motion, at), ()
        returns, owners = lay_out(cloud)
        if motion is not None and self._witnessing:
            returns = returns._replace(starts=START_BYTES, stride=BEAM_BYTES)
        return returns, owners

    def _fill(self) -> None:
        """Fill the tables from what the words tell of."""
        tables = self._tables
        sweep(tables.words)
        if len(tables.bins.masks):
            follow_beams(tables.words)
        if tables.in_lists:
            accept(tables.words)

    def _hand_ground(self, ground: groups.Ground) -> None:
        """Let heights count from a fitted floor, from the next frame on."""
        self._ground = ground
        self._tables.hand(ground)

    def _watch(self, cloud: Cloud, attitude_age: float | None) -> None:
        """Let the health know of a frame: a bin answers if any slice knows something of it."""
        answered = np.count_nonzero(TELLING[self._answers].any(axis=0)) / self._plan.numbers.bins
        swallowed = int(self._tables.bins.tally[RETURNS_SWALLOWED])
        floor = None
        if self._follower is not None and self._follower.floor.counts[0]:  # a floor that was seen
            fitted = self._follower.floor
            roll, pitch = fitted.tilt
            floor = (fitted.height, -math.tan(pitch), math.tan(roll))
        self.health.note(cloud.stamp, answered, swallowed, len(cloud), floor, attitude_age)

    def _used(self, s: int) -> int:
        t = self._tables
        return int(t.bins.hits[s].sum() if s in t.in_lists else t.bins.used[s])

    def _scan(
        self,
        s: int,
        name: str,
        cloud: Cloud,
        states: npt.NDArray[np.uint8],
        stretches: npt.NDArray[np.float32],
        ranges: npt.NDArray[np.float32],
        heights: npt.NDArray[np.float32],
        kinds: npt.NDArray[np.uint8],
    ) -> Scan:
        plan, bins, asked = self._plan, self._tables.bins, self.fields
        tally = bins.tally.tolist()
        found = (0, 0) if self._follower is None else self._follower.floor.counts
        counts = Counts(len(cloud), tally[RETURNS_SKIPPED], tally[RETURNS_SWALLOWED], self._used(s), *found)
        arrays = {
            "ranges": ranges if "ranges" in asked else None,
            "states": states if "states" in asked else None,
            "bearings": plan.bearings.copy() if "bearings" in asked else None,
            "heights": heights if "heights" in asked else None,
            "intensities": self._intensities(cloud, kinds, bins.winner[s])
            if "intensities" in asked
            else None,
            "hits": bins.hits[s].copy() if "hits" in asked else None,
            "kinds": kinds if "kinds" in asked else None,
            "ages": self._ages(kinds, bins.winner[s]) if "ages" in asked else None,
            "clear_from": stretches[0] if "clear_from" in asked else None,
            "clear_to": stretches[1] if "clear_to" in asked else None,
        }
        return scan_of({"name": name, "counts": counts, **self._fan, **arrays})

    def _ages(self, kinds: npt.NDArray[np.uint8], winner: npt.NDArray[np.int64]) -> npt.NDArray[np.float32]:
        """Age of the frame of each deciding return (bins,), NaN where none decides."""
        out = np.full(kinds.size, np.nan, np.float32)
        hit = np.flatnonzero(kinds == Kind.RETURN)
        out[hit] = 0.0 if self.window is None else self.window.ages(winner[hit])
        return out

    def _intensities(
        self, cloud: Cloud, kinds: npt.NDArray[np.uint8], winner: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.float32]:
        """Intensity of the deciding returns (bins,), NaN where none decides and where there is none."""
        out = np.full(kinds.size, np.nan, np.float32)
        hit = np.flatnonzero(kinds == Kind.RETURN)
        own, older = hit[winner[hit] < len(cloud)], hit[winner[hit] >= len(cloud)]
        if cloud.intensity is not None and cloud.intensity.size:
            out[own] = cloud.intensity[np.unravel_index(winner[own], cloud.intensity.shape)]
        if self.window is not None and older.size:
            out[older] = self.window.intensities(winner[older])
        return out


def scan_of(values: dict[str, Any]) -> Scan:
    """Make a Scan from all its values at once: its own constructor takes six microseconds more."""
    scan = object.__new__(Scan)
    scan.__dict__.update(values)
    return scan
