"""The whole way, read top to bottom: compile the profile, run the kernels, hand out scans."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.carrying import START_BYTES, CarryRoom, carry_cloud
from flatten.cloud import Cloud, as_cloud
from flatten.errors import AttitudeError, FlattenError, MotionError
from flatten.kernels import groups
from flatten.kernels.accept import accept
from flatten.kernels.answer import answer
from flatten.kernels.beams import follow_beams
from flatten.kernels.sweep import RETURNS_SKIPPED, RETURNS_SWALLOWED, sweep
from flatten.motion import Motion
from flatten.plan import Plan, make_plan
from flatten.profile import Profile
from flatten.returns import lay_out
from flatten.scan import FIELDS, Counts, Scan, State
from flatten.tables import LEVEL_GROUND, Tables


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
        self._witnessing = profile.clear is not None and bool(needs_witness)
        stretching = self._witnessing or bool(self.fields & {"clear_from", "clear_to"})
        self._tables = Tables(self._plan, self._witnessing, "hits" in self.fields, stretching, self.fields)
        self._ground = LEVEL_GROUND
        self._carry_room = CarryRoom()
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
            begins where the sensor was then. None for a body that stands, or a cloud that is `corrected`.

        Raises CloudError, AttitudeError or MotionError for what is not one.
        """
        if not self._busy.acquire(blocking=False):
            raise FlattenError("this Flattener is busy in another thread: give each thread its own")
        try:
            taken, own = as_cloud(cloud), None
            if motion is not None:
                taken, own = self._carry(taken, motion)
            lean = checked_attitude(own if attitude is None else attitude) if self._plan.gravity else None
            return self._run(taken, lean, motion is not None and self._witnessing)
        finally:
            self._busy.release()

    def _carry(self, cloud: Cloud, motion: Motion) -> tuple[Cloud, tuple[float, float]]:
        """Bring all returns to one moment; give them, and how the body leans then."""
        if not isinstance(motion, Motion):
            raise MotionError(f"motion: wanted a flatten.Motion, not {type(motion).__name__}")
        carried = carry_cloud(
            cloud, motion, self._plan.numbers.body_from_sensor, self._witnessing, self._carry_room
        )
        return carried.cloud, carried.attitude

    def _run(
        self, cloud: Cloud, attitude: tuple[float, float] | None, with_starts: bool = False
    ) -> dict[str, Scan]:
        owners = self._sweep(cloud, attitude, with_starts)
        answer(self._tables.words)
        del owners  # until here their memory was read
        # the kernels' own arrays are used again for the next frame
        states, stretches, ranges, heights = (array.copy() for array in self._tables.answers)
        return {
            name: self._scan(s, name, cloud, states[s], stretches[:, s], ranges[s], heights[s])
            for s, name in enumerate(self._names)
        }

    def _sweep(
        self, cloud: Cloud, attitude: tuple[float, float] | None, with_starts: bool = False
    ) -> tuple[Any, ...]:
        """Let all returns fill the tables; give what holds their memory alive.

        `with_starts`: behind each return stands where its beam began, as carried clouds have it.
        """
        tables = self._tables
        returns, owners = lay_out(cloud)
        tables.hand_returns(returns._replace(starts=START_BYTES) if with_starts else returns)
        frame, ground = self._plan.frame(attitude), self._ground
        if len(ground.heights):  # the sieve does not know where the floor is how high
            frame = frame._replace(half=frame.half + 1.001 * max(abs(ground.lowest), abs(ground.highest)))
        tables.hand(frame)
        sweep(tables.words)
        if len(tables.bins.masks):
            follow_beams(tables.words)
        if tables.in_lists:
            accept(tables.words)
        return owners

    def _hand_ground(self, ground: groups.Ground) -> None:
        """Let heights count from a fitted floor, from the next frame on."""
        self._ground = ground
        self._tables.hand(ground)

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
    ) -> Scan:
        plan, bins, asked = self._plan, self._tables.bins, self.fields
        tally = bins.tally.tolist()
        counts = Counts(len(cloud), tally[RETURNS_SKIPPED], tally[RETURNS_SWALLOWED], self._used(s))
        arrays = {
            "ranges": ranges if "ranges" in asked else None,
            "states": states if "states" in asked else None,
            "bearings": plan.bearings.copy() if "bearings" in asked else None,
            "heights": heights if "heights" in asked else None,
            "intensities": intensities_of(cloud, states, bins.winner[s]) if "intensities" in asked else None,
            "hits": bins.hits[s].copy() if "hits" in asked else None,
            "clear_from": stretches[0] if "clear_from" in asked else None,
            "clear_to": stretches[1] if "clear_to" in asked else None,
        }
        return scan_of({"name": name, "counts": counts, **self._fan, **arrays})


def scan_of(values: dict[str, Any]) -> Scan:
    """Make a Scan from all its values at once: its own constructor takes six microseconds more."""
    scan = object.__new__(Scan)
    scan.__dict__.update(values)
    return scan


def checked_attitude(attitude: Sequence[float] | None) -> tuple[float, float] | None:
    """Give the attitude as two floats, or None; raise AttitudeError for anything else."""
    if attitude is None:
        return None
    try:
        roll, pitch = (float(angle) for angle in attitude)
    except (TypeError, ValueError) as error:
        raise AttitudeError(f"attitude {attitude!r}: wanted (roll, pitch), two angles in radians") from error
    if not (abs(roll) <= math.pi / 2 and abs(pitch) <= math.pi / 2):  # also false for NaN
        raise AttitudeError(
            f"attitude ({roll}, {pitch}): allowed are −π/2 … π/2 radians each; are these degrees?"
        )
    return roll, pitch


def intensities_of(
    cloud: Cloud, states: npt.NDArray[np.uint8], winner: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Intensity of the HIT returns (bins,), NaN elsewhere and where the cloud has none."""
    out = np.full(states.size, np.nan, np.float32)
    if cloud.intensity is not None and cloud.intensity.size:
        hit = np.flatnonzero(states == State.HIT)
        out[hit] = cloud.intensity[np.unravel_index(winner[hit], cloud.intensity.shape)]
    return out
