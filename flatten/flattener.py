"""The whole way, read top to bottom: compile the profile, run the kernels, hand out scans."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.attitude import checked_attitude
from flatten.cloud import Cloud, as_cloud
from flatten.errors import FlattenError
from flatten.kernels.accept import accept
from flatten.kernels.answer import answer
from flatten.kernels.beams import follow_beams
from flatten.kernels.sweep import RETURNS_SKIPPED, RETURNS_SWALLOWED, sweep
from flatten.plan import Frame, Plan, make_plan
from flatten.profile import Profile
from flatten.returns import Returns, lay_out
from flatten.scan import FIELDS, Counts, Scan, State
from flatten.tables import Tables


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
        self._counting = "hits" in self.fields
        self._stretching = profile.clear is not None or bool(self.fields & {"clear_from", "clear_to"})
        witnessing = profile.clear is not None and bool(needs_witness)
        self._tables = Tables(self._plan, witnessing, self._counting)
        self._busy = threading.Lock()
        self._run(as_cloud(np.empty((0, 3), np.float32)), None)  # compiles, or loads what was compiled

    def flatten(self, cloud: Any, attitude: Sequence[float] | None = None) -> dict[str, Scan]:
        """Flatten one cloud into a scan a slice, by the slices' names.

        Parameters
        ----------
        cloud:
            A `Cloud`, an (N, 3+) float array (x, y, z in metres, sensor frame; a fourth column is
            the intensity), or an object laid out like a standard point-cloud message, which is read
            where it lies. No returns at all is a valid frame: every bin UNSEEN.
        attitude:
            (roll, pitch) of the body in radians at the time of the cloud (REP 103: roll > 0 left
            side up, pitch > 0 nose down); None for level. Ignored with `level: body`.

        Raises CloudError or AttitudeError for what is not one.
        """
        if not self._busy.acquire(blocking=False):
            raise FlattenError("this Flattener is busy in another thread: give each thread its own")
        try:
            lean = checked_attitude(attitude) if self._plan.gravity else None
            return self._run(as_cloud(cloud), lean)
        finally:
            self._busy.release()

    def _run(self, cloud: Cloud, attitude: tuple[float, float] | None) -> dict[str, Scan]:
        returns, frame = self._sweep(cloud, attitude)
        states, stretches, ranges, heights = self._answer(returns, frame)
        return {
            name: self._scan(s, name, cloud, states[s], stretches[:, s], ranges[s], heights[s])
            for s, name in enumerate(self._names)
        }

    def _sweep(self, cloud: Cloud, attitude: tuple[float, float] | None) -> tuple[Returns, Frame]:
        """Let all returns fill the tables; give where they lie, and where the sensor is."""
        plan, tables, frame, n = self._plan, self._tables, self._plan.frame(attitude), len(cloud)
        returns = lay_out(cloud)
        tables.grow(n)
        levels = plan.levels
        sweep(
            *returns[:4], n, *frame, plan.body_from_sensor, plan.body_matrix, plan.zones, plan.box,
            plan.slices, plan.bands, levels.borders, levels.spans, levels.middle, plan.half_height(frame),
            plan.first_turn, plan.span, plan.near_square, plan.far_square, self._counting, levels.row,
            *tables.for_sweep(),
        )  # fmt: skip
        if len(tables.masks):
            self._follow_beams(returns, n, frame)
        if len(tables.in_lists):
            self._accept(returns, frame)
        return returns, frame

    def _follow_beams(self, returns: Returns, n: int, frame: Frame) -> None:
        plan, t = self._plan, self._tables
        follow_beams(
            *returns[:4], n, *frame, plan.slices, plan.first_turn, plan.span, plan.smallest, plan.drop,
            1.0 / plan.cell, plan.edges, t.masks, t.dropped, t.work, t.lanes, *t.beams,
        )  # fmt: skip

    def _accept(self, returns: Returns, frame: Frame) -> None:
        plan, t = self._plan, self._tables
        t.closest[:] = t.ends  # where every return is accepted
        for number, s in enumerate(t.in_lists.tolist()):
            accept(
                s, plan.slices, plan.span >= 4.0, plan.near_square, plan.far_square, len(t.masks) > 0,
                *returns[:3], frame.level_from_sensor, number, t.listed[number], *t.for_accept(),
            )  # fmt: skip

    def _answer(self, returns: Returns, frame: Frame) -> tuple[npt.NDArray[Any], ...]:
        """Give states, stretches, ranges and heights of all slices; what is not asked for has no bins."""
        plan, t = self._plan, self._tables
        slices = len(self._names)
        states = np.empty((slices, t.bins), np.uint8)
        stretches = np.zeros((2, slices, t.bins if self._stretching else 0), np.float32)
        ranges, heights = (
            np.empty((slices, t.bins if name in self.fields else 0), np.float32)
            for name in ("ranges", "heights")
        )
        answer(
            *returns[:3], frame.level_from_sensor, t.best, t.winner, t.closest, t.ends, t.doubtful, t.dropped,
            t.blocked, t.masks, plan.cell, plan.near_square, plan.far_square, self.profile.reach.far,
            plan.clear_from, plan.clear_to, states, stretches, ranges, heights,
        )  # fmt: skip
        return states, stretches, ranges, heights

    def _used(self, s: int) -> int:
        t = self._tables
        return int(t.hits[s].sum() if s in t.listed_slices else t.used[s])

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
        plan, t, asked = self._plan, self._tables, self.fields
        tally = t.tally.tolist()
        counts = Counts(len(cloud), tally[RETURNS_SKIPPED], tally[RETURNS_SWALLOWED], self._used(s))
        arrays = {
            "ranges": ranges if "ranges" in asked else None,
            "states": states if "states" in asked else None,
            "bearings": plan.bearings.copy() if "bearings" in asked else None,
            "heights": heights if "heights" in asked else None,
            "intensities": intensities_of(cloud, states, t.winner[s]) if "intensities" in asked else None,
            "hits": t.hits[s].copy() if "hits" in asked else None,
            "clear_from": stretches[0] if "clear_from" in asked else None,
            "clear_to": stretches[1] if "clear_to" in asked else None,
        }
        return scan_of({"name": name, "counts": counts, **self._fan, **arrays})


def scan_of(values: dict[str, Any]) -> Scan:
    """Make a Scan from all its values at once: its own constructor takes six microseconds more."""
    scan = object.__new__(Scan)
    scan.__dict__.update(values)
    return scan


def intensities_of(
    cloud: Cloud, states: npt.NDArray[np.uint8], winner: npt.NDArray[np.int64]
) -> npt.NDArray[np.float32]:
    """Intensity of the HIT returns (bins,), NaN elsewhere and where the cloud has none."""
    out = np.full(states.size, np.nan, np.float32)
    if cloud.intensity is not None and cloud.intensity.size:
        hit = np.flatnonzero(states == State.HIT)
        out[hit] = cloud.intensity[np.unravel_index(winner[hit], cloud.intensity.shape)]
    return out
