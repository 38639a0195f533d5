"""Roll, pitch and height of the sensor from the floor under it.

A floor tells how far the sensor is above it and which way is up in the sensor's axes: three of the six numbers
of a mount. It looks the same from every place and every side, so that it tells nothing of x, y and yaw.

The body's origin lies on the floor and its z axis stands square on it (REP 103), as long as the robot stands on
all its tracks: with up = Rᵀ·(0, 0, 1) and R = Rz(yaw)·Ry(pitch)·Rx(roll),
up = (−sin pitch, cos pitch · sin roll, cos pitch · cos roll), whatever the yaw.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flatten import frames
from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.tuning import checks, start
from flatten.tuning.floor_plane import Plane, PlaneFit, fit_plane
from flatten.tuning.patches import RINGS, SECTORS, Beams, Numbers, beams_of

MILLIMETRES = 150.0
"""Median range from which on a cloud must be in millimetres: in metres no floor is in sight there."""
MOST_RETURNS = 400_000
"""Of larger clouds evenly spaced returns are used: more do not make a floor flatter."""
PARAMETERS = ("roll", "pitch", "z")


@dataclass(frozen=True)
class Pose:
    """The mount as a profile has it, metres and radians."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0

    @property
    def floor(self) -> Plane:
        """The floor as a sensor mounted so has it before it."""
        return Plane(frames.rotation(self.roll, self.pitch, self.yaw)[2], self.z)


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
    support: Support
    unevenness: float
    """Scatter of the floor from patch to patch, metres, one sigma."""
    millimetres: bool = False

    @property
    def sigmas(self) -> Numbers:
        """(4,) standard errors of roll, pitch (radians), z and range bias (metres)."""
        return np.sqrt(np.einsum("ij,ij->j", self.influence, self.influence))


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
    """(3,) scatter of roll, pitch and z between clouds over what their own errors explain; 0 for one cloud."""
    clouds: tuple[Estimate, ...]
    refused: tuple[Refusal, ...] = ()

    @property
    def widened(self) -> bool:
        """Whether the clouds disagree more than once in twenty times by chance, in any of the three."""
        return bool((self.disagreement > surprising(len(self.clouds) - 1)).any())


def estimate(clouds: Sequence[Cloud], mount: Pose | None) -> Combined:
    """Find roll, pitch and height from clouds taken while the robot stood still on flat floor.

    `mount` is the start, within 10° and 0.3 m; None searches blindly. Clouds that tell nothing are left
    out and told in `refused`; raises TuningError where none is left.
    """
    found: list[Estimate] = []
    refused: list[Refusal] = []
    for cloud in clouds:
        try:
            found.append(estimate_one(cloud, mount))
        except TuningError as error:
            refused.append(Refusal(cloud.name, str(error)))
    if not found:
        raise TuningError("; ".join(f"{left.name}: {left.reason}" for left in refused) or "no clouds given")
    return replace(combine(found), refused=tuple(refused))


def estimate_one(cloud: Cloud, mount: Pose | None) -> Estimate:
    """Find roll, pitch and height from one cloud; raise TuningError, without the cloud's name."""
    beams, millimetres = beams_in_metres(cloud)
    first = start.blind(beams) if mount is None else start.near_mount(beams, mount.floor)
    fit = fit_plane([beams], first)
    checks.check_floor(beams, fit)
    if mount is not None:
        checks.check_near(fit.plane, mount.floor)
    made = from_fit(fit, cloud.name)
    checks.check_sure(made.sigmas)
    return replace(made, millimetres=millimetres)


def beams_in_metres(cloud: Cloud) -> tuple[Beams, bool]:
    """Take a cloud as beams, thinned to MOST_RETURNS; millimetres are recognised and told."""
    beams = beams_of(cloud.xyz[:: 1 + len(cloud) // MOST_RETURNS])
    if len(beams.ranges) == 0:
        raise TuningError("no return in it is finite and away from the sensor: record another")
    if float(np.median(beams.ranges)) < MILLIMETRES:
        return beams, False
    return Beams(beams.directions, beams.ranges * 1e-3), True


def from_fit(fit: PlaneFit, name: str = "") -> Estimate:
    """Turn a fitted floor into roll, pitch and height."""
    ux, uy, uz = fit.plane.up.tolist()
    pitch, roll = -math.asin(max(-1.0, min(1.0, ux))), math.atan2(uy, uz)
    flat = max(math.hypot(uy, uz), 1e-9)
    by_up = np.array([[0.0, uz / flat**2, -uy / flat**2], [-1.0 / flat, 0.0, 0.0]])  # of roll and pitch
    jacobian = np.zeros((4, 4))  # of roll, pitch, z, bias by height, rise along x and y, bias
    jacobian[:2, 1:3] = -by_up @ fit.axes[:2].T
    jacobian[2, 0], jacobian[3, 3] = -1.0, 1.0
    values = np.array([roll, pitch, fit.plane.distance, fit.bias])
    return Estimate(name, values, fit.influence @ jacobian.T, support_of(fit), fit.unevenness)


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
    """Weigh estimates by their own covariance; what they have in common does not become surer by repetition.

    A patch of the floor (and the range bias) is one source of error in all clouds: of a robot that has not
    moved between them, the gravel is the same. Where the clouds disagree more than that explains, errors are
    widened to their scatter (Birge 1932).
    """
    information = [np.linalg.inv(part.influence.T @ part.influence) for part in found]
    shares = [np.linalg.solve(sum(information), part) for part in information]  # type: ignore[arg-type]
    first = found[0].values
    off = [_difference(part.values, first) for part in found]
    middle = sum((share @ part for share, part in zip(shares, off, strict=True)), np.zeros(4))
    influence = sum(
        (part.influence @ share.T for share, part in zip(shares, found, strict=True)),
        np.zeros((RINGS * SECTORS + 1, 4)),
    )
    sigmas = np.sqrt(np.einsum("ij,ij->j", influence, influence))
    values = first + middle
    values[0] = math.remainder(values[0], 2.0 * math.pi)
    k = len(found)
    if k == 1:
        return Combined(values, sigmas, np.zeros(3), tuple(found))
    apart = np.array([part - middle for part in off])
    own = np.array([np.square(part.influence - influence).sum(axis=0) for part in found])
    chance = (apart**2 / np.maximum(own, 1e-16)).sum(axis=0) * (k - 1) / k
    between = np.sqrt((apart**2).sum(axis=0) / (k * (k - 1)))
    wide = np.where(chance / (k - 1) > surprising(k - 1), np.maximum(sigmas, between), sigmas)
    return Combined(values, wide, chance[:3] / (k - 1), tuple(found))


def _difference(values: Numbers, from_: Numbers) -> Numbers:
    off = values - from_
    off[0] = math.remainder(off[0], 2.0 * math.pi)
    return off


def surprising(freedom: int) -> float:
    """95 % point of chi-square over its degrees of freedom, by Wilson & Hilferty 1931; within 3 % of it."""
    part = 2.0 / (9.0 * max(freedom, 1))
    return (1.0 - part + 1.645 * math.sqrt(part)) ** 3


def normal_of(roll: float, pitch: float) -> Numbers:
    """Up in the sensor's axes, (3,), of a sensor mounted with this roll and pitch (radians)."""
    return np.asarray(frames.rotation(roll, pitch, 0.0)[2])
