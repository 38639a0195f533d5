"""Roll, pitch and height of the sensor from the floor under it.

A floor tells how far the sensor is above it and which way is up in the sensor's axes: three of the six
numbers of a mount. It looks the same from every place and every side: it tells nothing of x, y and yaw.

The floor is level and the body's origin lies on it (REP 103). In a body that does not lean, with
R = Rz(yaw)·Ry(pitch)·Rx(roll), up = Rᵀ·(0, 0, 1) = (−sin pitch, cos pitch · sin roll, cos pitch · cos roll),
whatever the yaw.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from flatten import frames
from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.frames import Matrix
from flatten.motion import Motion, attitude_of
from flatten.tuning import checks, places, start
from flatten.tuning.floor_plane import PlaneFit, fit_plane
from flatten.tuning.lean import Pose, floor_before, level_values, mounted, mounted_by, yaw_of_mount
from flatten.tuning.patches import SECTORS, Beams, Numbers, beams_of
from flatten.tuning.weighing import surprising, weigh
from flatten.tuning.yaw import Yaw, yaw_from_drive, yaw_from_walls
from flatten.tuning.yaw_map import yaw_from_map

MILLIMETRES = 150.0
"""Median range from which on a cloud must be in millimetres: in metres no floor is in sight there."""
MOST_RETURNS = 400_000
"""Of larger clouds evenly spaced returns are used: more do not make a floor flatter."""


@dataclass(frozen=True)
class Support:
    """What an estimate rests on."""

    returns: int
    """Returns that lie on the floor and count."""
    patches: int
    """Patches of floor that they lie in: the number of independent witnesses."""
    nearest: float
    """Metres from the foot of the sensor to the nearest of them."""
    farthest: float
    bearings: float
    """Radians around the sensor in which there are some."""


@dataclass(frozen=True)
class Estimate:
    """Roll, pitch (radians) and height (metres) of the sensor, with standard errors.

    `influence` is how far each patch of the floor moves (roll, pitch, z, range bias), one sigma.
    """

    name: str
    values: Numbers
    """(4,) roll, pitch, z, range bias."""
    influence: Numbers
    information: Numbers
    """(4, 4) of the same, by which estimates are weighed."""
    support: Support
    unevenness: float
    """Scatter of the floor from patch to patch, metres, one sigma."""
    millimetres: bool = False

    @property
    def sigmas(self) -> Numbers:
        """(4,) standard errors of roll, pitch (radians), z and range bias (metres)."""
        return np.asarray(np.sqrt(np.square(self.influence).sum(axis=0)))


@dataclass(frozen=True)
class Refusal:
    """A cloud that tells nothing, and why."""

    name: str
    reason: str


@dataclass(frozen=True)
class Combined:
    """What several clouds say together."""

    values: Numbers
    """(4,) roll, pitch (radians), z (metres), range bias (metres)."""
    sigmas: Numbers
    """(4,) standard errors, widened where the clouds disagree by more than theirs."""
    disagreement: Numbers
    """(3,) scatter of roll, pitch and z between clouds over what their errors explain, squared; 0 for one."""
    clouds: tuple[Estimate, ...]
    refused: tuple[Refusal, ...] = ()
    places: int = 0
    """Of a drive: places whose scatter tells the errors; 0 where the clouds' own errors do."""
    elsewhere: tuple[str, ...] = ()
    """Of a drive: clouds that see another floor than most, and do not count."""
    yaw_untold: str = ""
    """Of a drive: why it does not tell yaw."""

    @property
    def widened(self) -> bool:
        """Whether the clouds disagree more than once in twenty times by chance, in any of the three."""
        return bool((self.disagreement > surprising(len(self.clouds) - 1)).any())


class _Seen(NamedTuple):
    """A cloud that told something."""

    beams: Beams
    made: Estimate
    """Above level floor."""
    attitude: tuple[float, float]
    pose: Matrix | None
    """(4, 4) odom_from_body, of a drive."""


class Finder:
    """Looks at clouds one after the other, then tells the mount.

    Parameters
    ----------
    mount:
        The mount as far as it is known: the start, within 10° and 0.3 m (yaw 20°).
    blind:
        Search for the floor instead; of `mount` only x, y and yaw are used.
    attitude:
        (roll, pitch) of the body while the clouds were taken, radians; level where it is not known.

    """

    def __init__(
        self, mount: Pose, *, blind: bool = False, attitude: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        self._mount, self._blind, self._attitude = mount, blind, attitude
        self._seen: list[_Seen] = []
        self._refused: list[Refusal] = []

    def look(self, cloud: Cloud, name: str = "", pose: Matrix | None = None) -> None:
        """Take a cloud; one that tells nothing is remembered with its reason.

        Of a drive give `pose`, (4, 4) odom_from_body at the moment to which the returns were brought: it
        tells how the body leaned, and which clouds are of one place.
        """
        try:
            how = self._attitude if pose is None else attitude_of(pose)
            beams, made = self._look(cloud, name or cloud.name, how)
            self._seen.append(_Seen(beams, made, how, pose))
        except TuningError as error:
            self._refused.append(Refusal(name or cloud.name, str(error)))

    def _look(self, cloud: Cloud, name: str, attitude: tuple[float, float]) -> tuple[Beams, Estimate]:
        beams, millimetres = beams_in_metres(cloud)
        expected = floor_before(self._mount, attitude)
        first = start.blind(beams) if self._blind else start.near_mount(beams, expected)
        fit = fit_plane([beams], first)
        checks.check_floor(beams, fit)
        if not self._blind:
            checks.check_near(fit.plane, expected)
        made = replace(from_fit(fit, name), millimetres=millimetres)
        checks.check_sure(made.sigmas)
        return beams, made

    def find(
        self, wall: str | None = None, sensor_poses: Motion | None = None
    ) -> tuple[Combined, Yaw | None]:
        """Combine what the clouds say; yaw from a wall (ahead, left, behind, right) or a straight drive.

        Without either, the yaw of a drive with poses is told by what was driven past, where it can be.
        Raises TuningError where no cloud says anything, or where yaw is asked for and cannot be told.
        """
        if not self._seen:
            reasons = "; ".join(f"{left.name}: {left.reason}" for left in self._refused)
            raise TuningError(reasons or "no clouds given")
        if wall is not None or sensor_poses is not None:
            yaw = self._yaw(wall, sensor_poses)
            return replace(self._together(yaw), refused=tuple(self._refused)), yaw
        found = replace(self._together(None), refused=tuple(self._refused))
        if not found.places:
            return found, None
        try:
            return found, self._yaw_of_drive(found)
        except TuningError as error:
            return replace(found, yaw_untold=str(error)), None

    def _together(self, yaw: Yaw | None) -> Combined:
        """Combine in the body's axes: places of a drive by their scatter, else clouds by their own errors."""
        made = [self._in_body(seen, yaw) for seen in self._seen]
        poses = [seen.pose for seen in self._seen if seen.pose is not None]
        if len(poses) == len(made):
            numbers = places.place_numbers(np.array(poses)[:, :3, 3])
            settled = places.settle(np.array([one.values[:3] for one in made]), numbers)
            if settled is not None:
                return by_places(made, settled)
        return combine(made)

    def _yaw(self, wall: str | None, sensor_poses: Motion | None) -> Yaw:
        tilts = [seen.made.values[:3] for seen in self._seen]
        middle = combine([seen.made for seen in self._seen]).values[:3]
        if wall is not None:
            yaw = yaw_from_walls([seen.beams for seen in self._seen], tilts, self._mount.yaw, wall)
        else:
            assert sensor_poses is not None  # one of the two was asked for
            yaw = yaw_from_drive(sensor_poses, middle, self._mount.yaw)
        return replace(yaw, value=yaw_of_mount(middle, yaw.value, self._attitude))

    def _yaw_of_drive(self, found: Combined) -> Yaw:
        """Find yaw from what was driven past."""
        roll, pitch, z = found.values[:3].tolist()
        m = self._mount
        poses = np.array([seen.pose for seen in self._seen])
        clouds = [seen.beams.directions * seen.beams.ranges[:, None] for seen in self._seen]
        return yaw_from_map(clouds, poses, frames.body_from_sensor(m.x, m.y, z, roll, pitch, m.yaw), m.yaw)

    def _in_body(self, seen: _Seen, yaw: Yaw | None) -> Estimate:
        """Tell an estimate above level floor in the axes of the body as it leans."""
        how = (seen.attitude, self._mount.x, self._mount.y, self._mount.yaw if yaw is None else yaw.value)
        level = seen.made.values[:3]
        values = np.append(mounted(level, *how), seen.made.values[3])
        jacobian = np.eye(4)
        jacobian[:3, :3] = mounted_by(level, *how)
        return turned(seen.made, values, jacobian)


def estimate(clouds: Sequence[Cloud], mount: Pose, *, blind: bool = False) -> Combined:
    """Find roll, pitch and height from clouds taken while the robot stood still on flat floor.

    See `Finder`. Clouds that tell nothing are left out and told in `refused`; raises TuningError where
    none is left.
    """
    finder = Finder(mount, blind=blind)
    for cloud in clouds:
        finder.look(cloud)
    return finder.find()[0]


def beams_in_metres(cloud: Cloud) -> tuple[Beams, bool]:
    """Take a cloud as beams, thinned to MOST_RETURNS; millimetres are recognised and told."""
    beams = beams_of(cloud.xyz[:: 1 + len(cloud) // MOST_RETURNS])
    if len(beams.ranges) == 0:
        raise TuningError("no return in it is finite and away from the sensor: record another")
    if float(np.median(beams.ranges)) < MILLIMETRES:
        return beams, False
    return Beams(beams.directions, beams.ranges * 1e-3), True


def from_fit(fit: PlaneFit, name: str = "") -> Estimate:
    """Turn a fitted floor into roll, pitch and height above it."""
    values = np.append(level_values(fit.plane.up, fit.plane.distance), fit.bias)
    _, uy, uz = fit.plane.up.tolist()
    flat = max(math.hypot(uy, uz), 1e-9)
    by_up = np.array([[0.0, uz / flat**2, -uy / flat**2], [-1.0 / flat, 0.0, 0.0]])  # of roll and pitch
    jacobian = np.zeros((4, 4))  # of roll, pitch, z, bias by height, rise along x and y, bias
    jacobian[:2, 1:3] = -by_up @ fit.axes[:2].T
    jacobian[2, 0], jacobian[3, 3] = -1.0, 1.0
    made = Estimate(name, values, fit.influence, fit.information, support_of(fit), fit.unevenness)
    return turned(made, values, jacobian)


def turned(made: Estimate, values: Numbers, jacobian: Numbers) -> Estimate:
    """Tell an estimate in other numbers, (4, 4) being how these move with its own."""
    back = np.linalg.inv(jacobian)
    return replace(
        made,
        values=values,
        influence=made.influence @ jacobian.T,
        information=back.T @ made.information @ back,
    )


def support_of(fit: PlaneFit) -> Support:
    """Tell what a fit rests on."""
    counts = fit.weights > 0.5
    rows = fit.patches.rows[counts]
    away = np.hypot(rows[:, 1], rows[:, 2])
    sectors = np.unique(fit.patches.number[counts] % SECTORS)
    return Support(
        int(fit.patches.counts[counts].sum()), int(counts.sum()), float(away.min(initial=np.inf)),
        float(away.max(initial=0.0)), len(sectors) * 2.0 * math.pi / SECTORS,
    )  # fmt: skip


def combine(found: Sequence[Estimate]) -> Combined:
    """Weigh estimates into one (see `weigh`); a patch of floor is one source of error in all clouds."""
    first = found[0].values
    told = weigh(
        [_off(part.values, first) for part in found],
        [part.influence for part in found],
        [part.information for part in found],
    )
    values = first + told.values
    values[0] = math.remainder(values[0], 2.0 * math.pi)
    return Combined(values, told.sigmas, told.disagreement[:3], tuple(found))


def by_places(made: Sequence[Estimate], settled: places.Settled) -> Combined:
    """Give what the places of a drive say together; the range bias is the median of their clouds."""
    kept = [one for one, good in zip(made, settled.kept, strict=True) if good]
    biases = np.array([one.values[3] for one in kept])
    error = float(np.std(biases)) / math.sqrt(settled.places)
    return Combined(
        np.append(settled.values, np.median(biases)), np.append(settled.sigmas, error), np.zeros(3),
        tuple(kept), places=settled.places,
        elsewhere=tuple(one.name for one, good in zip(made, settled.kept, strict=True) if not good),
    )  # fmt: skip


def _off(values: Numbers, first: Numbers) -> Numbers:
    """By how much values differ, the roll the shorter way round."""
    off = values - first
    off[0] = math.remainder(off[0], 2.0 * math.pi)
    return off
