"""A profile held against half a minute of recording: has the sensor moved, does that matter, what is new.

The same is measured as when the profile was made (`mount`, `own`, `labels` and `proving`), now against
what it says. A change counts where it exceeds what is allowed; where it cannot be measured that well, that is
an error and no answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.motion import Motion, attitude_of
from flatten.profile import Mount, Profile
from flatten.tuning.bare import Bare, find_bare
from flatten.tuning.blind import has_moved
from flatten.tuning.lean import Pose
from flatten.tuning.mount import Combined, Finder, Refusal
from flatten.tuning.near import pose_of
from flatten.tuning.own import Watch
from flatten.tuning.proving import Checked, Prover
from flatten.tuning.seen import Watcher
from flatten.tuning.still import Stiller
from flatten.tuning.tilted import Seeming, seeming_floor
from flatten.tuning.tune import names_of
from flatten.tuning.yaw import Yaw

REACH = 0.3
"""Metres beyond the declared hull in which own parts are looked for, as `blind` does."""
SURE = 3.0
"""A change must be known so many times better than what is allowed, or nothing is said of it."""


@dataclass(frozen=True)
class Allowed:
    """What may have changed before a profile fails."""

    tilt: float = math.radians(0.25)
    """Radians of roll, and of pitch: at 10 m the floor is then 4 cm off."""
    shift: float = 0.02
    """Metres of height."""
    turn: float = math.radians(1.0)
    """Radians of yaw."""
    leak: float = 0.005
    """Share of bins into which the floor gets."""
    missed: float = 0.02
    """Share of what must be seen that is missed more than with the mount as it is now."""
    bare: float = 0.5
    """Own returns a cloud that no blind zone holds."""


class Moved(NamedTuple):
    """One number of the mount."""

    name: str
    declared: float
    now: float
    sigma: float
    """Standard error."""
    allowed: float

    @property
    def by(self) -> float:
        """How far it has moved; angles the shorter way round."""
        return (
            self.now - self.declared
            if self.name == "z"
            else math.remainder(self.now - self.declared, math.tau)
        )

    @property
    def passes(self) -> bool:
        """Whether that is allowed."""
        return abs(self.by) <= self.allowed


class SliceNow(NamedTuple):
    """One slice, by the profile and by the mount as it is now."""

    name: str
    declared: Checked
    now: Checked
    leak_allowed: float
    missed_allowed: float
    drives: bool
    """Whether it is the one to drive by, of which alone it is asked what it misses."""

    @property
    def misses_more(self) -> float:
        """Share of what must be seen that is missed, and would not be; 0 where nothing was to be seen."""
        if not self.drives:
            return 0.0
        more = self.declared.missed_share - self.now.missed_share
        return 0.0 if math.isnan(more) else more

    @property
    def passes(self) -> bool:
        """Whether what gets in and what is missed is allowed."""
        return (
            self.declared.leak <= self.leak_allowed and self.misses_more <= self.missed_allowed + self.chance
        )

    @property
    def chance(self) -> float:
        """Share of what must be seen by which two ways of one recording differ by chance, two sigma."""
        wanted, missed = int(self.now.wanted.sum()), self.now.missed_share
        return 0.0 if wanted == 0 else 2.0 * math.sqrt(missed * (1.0 - missed) / wanted)


@dataclass(frozen=True)
class Rechecked:
    """What came out."""

    profile: Profile
    mount: Combined
    moved: tuple[Moved, ...]
    """Roll, pitch and z; and yaw where the drive tells it."""
    seeming: Seeming
    slices: tuple[SliceNow, ...]
    bare: Bare
    bare_allowed: float
    refused: tuple[Refusal, ...]
    """Clouds of which nothing can be said about the slices, and why."""
    clouds: int
    """Looked at."""

    @property
    def zones_pass(self) -> bool:
        """Whether the blind zones hold what is the robot's own."""
        return self.bare.per_cloud <= self.bare_allowed

    @property
    def mount_passes(self) -> bool:
        """Whether the sensor sits as the profile says."""
        return all(part.passes for part in self.moved)

    @property
    def passes(self) -> bool:
        """Whether everything does."""
        return self.mount_passes and all(part.passes for part in self.slices) and self.zones_pass


class Taken(NamedTuple):
    """A cloud, as it was and brought to one moment."""

    name: str
    raw: Cloud
    still: Cloud
    attitude: tuple[float, float] | None
    pose: Matrix | None
    """(4, 4) odom_from_body at that moment."""


class Rechecker:
    """Looks at the clouds of a recording, then says what has changed.

    Parameters
    ----------
    profile:
        What is held against them.
    allowed:
        What may have changed.
    attitude:
        (roll, pitch) of the body, radians, for clouds without poses; level where None.
    moved:
        Whether the robot moved, where it is known; None to tell it by poses, else by the surroundings.
    step:
        Called with the name of each cloud, `steps(clouds)` times in all.

    """

    def __init__(
        self, profile: Profile, allowed: Allowed = Allowed(), *, attitude: tuple[float, float] | None = None,
        moved: bool | None = None, step: Callable[[str], None] = lambda name: None,
    ) -> None:  # fmt: skip
        self._profile, self._allowed, self._moved, self._step = profile, allowed, moved, step
        m = profile.mount
        angles = (math.radians(angle) for angle in (m.roll, m.pitch, m.yaw))
        self._finder = Finder(Pose(m.x, m.y, m.z, *angles), attitude=attitude or (0.0, 0.0))
        self._attitude = attitude
        self._stiller = Stiller(profile)
        self._taken: list[Taken] = []

    @staticmethod
    def steps(clouds: int) -> int:
        """How often `step` is called for so many clouds."""
        return 3 * clouds

    def look(
        self, cloud: Cloud, name: str = "", motion: Motion | None = None, pose: Matrix | None = None
    ) -> None:  # fmt: skip
        """Take a cloud, sensor frame.

        With `motion` its returns are brought to one moment, at which the body was where the poses say; for
        returns without times give `pose`, (4, 4) odom_from_body. Raises MotionError where they do not fit.
        """
        still, attitude = cloud, self._attitude
        if motion is not None:
            still, pose = self._stiller.bring(cloud, motion)
        if pose is not None:
            attitude = attitude_of(pose)
        self._finder.look(still, name, pose)
        self._taken.append(Taken(name, cloud, still, attitude, pose))
        self._step(name)

    def find(self) -> Rechecked:
        """Say what has changed; TuningError where the clouds do not tell it."""
        found, yaw = self._finder.find()
        moved = self._compared(found, yaw)
        now = self._profile.model_copy(update={"mount": mounted_now(self._profile.mount, moved)})
        bare = self._own(now)
        slices, refused = self._slices(now)
        return Rechecked(
            self._profile, found, moved, seeming_floor(pose_of(self._profile.mount), pose_of(now.mount)),
            slices, bare, self._allowed.bare, refused, len(self._taken),
        )  # fmt: skip

    def _compared(self, found: Combined, yaw: Yaw | None) -> tuple[Moved, ...]:
        m, allowed = self._profile.mount, self._allowed
        declared = (math.radians(m.roll), math.radians(m.pitch), m.z)
        rows = zip(
            ("roll", "pitch", "z"), declared, found.values, found.sigmas,
            (allowed.tilt, allowed.tilt, allowed.shift), strict=False,
        )  # fmt: skip
        moved = tuple(
            Moved(name, was, float(now), float(sigma), most) for name, was, now, sigma, most in rows
        )
        if yaw is not None and SURE * yaw.sigma <= allowed.turn:
            moved = (*moved, Moved("yaw", math.radians(m.yaw), yaw.value, yaw.sigma, allowed.turn))
        for part in moved:
            if SURE * part.sigma > part.allowed:
                unit, scale = ("mm", 1e3) if part.name == "z" else ("°", math.degrees(1.0))
                raise TuningError(
                    f"{part.name} is known to {scale * part.sigma:.2g} {unit} only, and "
                    f"{scale * part.allowed:.2g} {unit} are allowed: record more clouds where flat floor is "
                    "seen, give the poses, or allow more"
                )
        return moved

    def _own(self, now: Profile) -> Bare:
        watch = Watch(now, REACH, self._has_moved())
        reasons = []
        for taken in self._taken:
            try:
                watch.look(taken.raw, taken.name)
            except TuningError as error:
                reasons.append(str(error))
            self._step(taken.name)
        if len(reasons) == len(self._taken):
            raise TuningError(reasons[0])
        return find_bare(watch.find(), self._profile, now.mount)

    def _has_moved(self) -> bool | None:
        """Tell whether the robot moved, as it was said, or else by the poses; None where nothing tells."""
        poses = [taken.pose for taken in self._taken if taken.pose is not None]
        if self._moved is not None or len(poses) < 2:
            return self._moved
        return has_moved(Motion(np.arange(len(poses)), np.array(poses)))

    def _slices(self, now: Profile) -> tuple[tuple[SliceNow, ...], tuple[Refusal, ...]]:
        """Run all slices by the profile, and by the mount as it is now."""
        names = tuple(self._profile.slices)
        ways = [(Watcher(one), Prover(one, names)) for one in (self._profile, now)]
        refused: list[Refusal] = []
        for taken in self._taken:
            try:
                seen = [watcher.look(taken.still, taken.attitude, taken.name) for watcher, _ in ways]
            except TuningError as error:
                refused.append(Refusal(taken.name, str(error)))
            else:
                for (_, prover), one in zip(ways, seen, strict=True):
                    prover.add(one)
            self._step(taken.name)
        if len(refused) == len(self._taken):
            raise TuningError(refused[0].reason)
        (_, declared), (_, really) = ways
        allowed, driving = self._allowed, names_of(self._profile)[0]
        slices = tuple(
            SliceNow(
                name, declared.checked[name], really.checked[name], allowed.leak, allowed.missed,
                drives=name == driving,
            )
            for name in names
        )  # fmt: skip
        return slices, tuple(refused)


def mounted_now(declared: Mount, moved: tuple[Moved, ...]) -> Mount:
    """Give the mount of a profile with what was found in it, metres and degrees."""
    found = {part.name: part.now if part.name == "z" else math.degrees(part.now) for part in moved}
    return declared.model_copy(update=found)
