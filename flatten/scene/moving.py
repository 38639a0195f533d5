"""Bodies that move while a frame is taken: the rover itself, and people who walk."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from flatten.scene.ground import Ground
from flatten.scene.solids import Shape, Solid, tall_body
from flatten.scene.standing import Stance, stand

Values = npt.NDArray[np.float64]

GRID = 0.02
"""Seconds between the moments at which the ground under the tracks is looked at; straight in between."""


class Trajectory(Protocol):
    """Where the body is at any time."""

    def at(self, times: Values) -> Values:
        """Give (k, 6) x, y, z, roll, pitch, yaw at times (k,) seconds: metres, radians, world frame."""


@dataclass(frozen=True)
class Shake:
    """Roll and pitch swing by `angle` rad at `rate` Hz, a quarter of a turn apart."""

    angle: float = math.radians(1.5)
    rate: float = 20.0

    def at(self, times: Values) -> tuple[Values, Values]:
        """Roll and pitch that are added at times (k,), radians."""
        phase = 2.0 * math.pi * self.rate * np.asarray(times, np.float64)
        return self.angle * np.sin(phase), self.angle * np.cos(phase)


STILL = Shake(0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Drive:
    """Drive along a circle over the ground: `speed` m/s ahead, `turn` rad/s to the left.

    At time 0 the body is at `start` (x, y, yaw). Without a ground it stays upright at z = 0. The
    same times give the same poses.
    """

    start: tuple[float, float, float] = (0.0, 0.0, 0.0)
    speed: float = 0.0
    turn: float = 0.0
    ground: Ground | None = None
    shake: Shake = STILL

    def at(self, times: Values) -> Values:
        """Give (k, 6) x, y, z, roll, pitch, yaw at times (k,) seconds: metres, radians, world frame."""
        t = np.asarray(times, np.float64).reshape(-1)
        x, y, yaw = self._plane(t)
        lean = np.zeros((3, len(t)))
        if self.ground is not None and len(t):
            first, last = math.floor(t.min() / GRID), math.ceil(t.max() / GRID)
            steps = np.arange(first, last + 1)
            known = np.array([self._lean(int(k), self.ground) for k in steps])
            lean = np.array([np.interp(t, steps * GRID, known[:, k]) for k in range(3)])
        roll, pitch = self.shake.at(t)
        return np.stack([x, y, lean[0], lean[1] + roll, lean[2] + pitch, yaw], axis=1)

    def _plane(self, t: Values) -> tuple[Values, Values, Values]:
        x, y, yaw = self.start
        half = 0.5 * self.turn * t
        chord = self.speed * t * np.sinc(half / math.pi)  # v·t·sin(ωt/2)/(ωt/2)
        return x + chord * np.cos(yaw + half), y + chord * np.sin(yaw + half), yaw + self.turn * t

    def _lean(self, step: int, ground: Ground) -> tuple[float, float, float]:
        """Height, roll and pitch after so many steps of GRID, looked up once."""
        if step not in self._known:
            x, y, yaw = (float(part[0]) for part in self._plane(np.array([step * GRID])))
            found = stand(ground, x, y, yaw)
            self._known[step] = (found.z, found.roll, found.pitch)
        return self._known[step]

    @functools.cached_property
    def _known(self) -> dict[int, tuple[float, float, float]]:
        return {}


@dataclass(frozen=True)
class Held:
    """A body that keeps still in one stance."""

    stance: Stance

    def at(self, times: Values) -> Values:
        """Give (k, 6), all the same."""
        return np.tile(np.array(self.stance, np.float64), (len(times), 1))


def transforms(poses: Values) -> Values:
    """(k, 4, 4) world_from_body of (k, 6) poses."""
    x, y, z, *angles = np.asarray(poses, np.float64).T
    (cr, cp, cy), (sr, sp, sy) = np.cos(angles), np.sin(angles)
    out = np.zeros((len(x), 4, 4))
    # Rz(yaw)·Ry(pitch)·Rx(roll), written out
    out[:, 0, :3] = np.stack([cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr], axis=1)
    out[:, 1, :3] = np.stack([sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr], axis=1)
    out[:, 2, :3] = np.stack([-sp, cp * sr, cp * cr], axis=1)
    out[:, :3, 3] = np.stack([x, y, z], axis=1)
    out[:, 3, 3] = 1.0
    return out


def measured_poses(trajectory: Trajectory, times: Values, *, noise: float = 0.0, seed: int = 0) -> Values:
    """Poses as odometry would tell them: (k, 7) x, y, z, qx, qy, qz, qw of odom_from_body at times (k,).

    `noise` is the standard deviation of each of roll, pitch and yaw, radians, new every time.
    """
    poses = np.array(trajectory.at(times), np.float64)
    if noise > 0.0:
        poses[:, 3:] += np.random.default_rng([81, seed]).normal(0.0, noise, (len(poses), 3))
    return np.concatenate([poses[:, :3], quaternions(poses[:, 3:])], axis=1)


def quaternions(angles: Values) -> Values:
    """(k, 4) x, y, z, w of (k, 3) fixed-axis roll, pitch, yaw (REP 103); w of 0 or more."""
    (cr, cp, cy), (sr, sp, sy) = np.cos(0.5 * angles.T), np.sin(0.5 * angles.T)
    out = np.stack(
        [
            sr * cp * cy - cr * sp * sy,
            cr * sp * cy + sr * cp * sy,
            cr * cp * sy - sr * sp * cy,
            cr * cp * cy + sr * sp * sy,
        ],
        axis=1,
    )
    signed: Values = np.where(out[:, 3:] < 0.0, -out, out)
    return signed


@dataclass(frozen=True, eq=False)
class Mover:
    """A solid that moves without turning: at time t it stands where its mesh is, plus velocity·t."""

    solid: Solid
    velocity: tuple[float, float, float]
    """Metres a second, world frame."""

    def shifts(self, times: Values) -> Values:
        """(k, 3) metres from where the mesh is, at times (k,)."""
        moved: Values = np.multiply.outer(times, np.array(self.velocity))
        return moved


def walker(name: str, x: float, y: float, velocity: tuple[float, float], base: float = 0.0) -> Mover:
    """A person-sized cylinder that walks over level ground of height `base`, metres and m/s."""
    body = tall_body(name, x, y)
    standing = Shape(name=name, surface=body.mesh.moved(np.eye(3), (0.0, 0.0, base)))
    return Mover(standing, (*velocity, 0.0))
