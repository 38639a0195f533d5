"""One frame of a made-up sensor in a made-up place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.cloud import Cloud
from flatten.scene import effects as added
from flatten.scene.effects import CLEAN, Draws, Effects
from flatten.scene.layout import Mount, Pose
from flatten.scene.moving import Mover, Trajectory, transforms
from flatten.scene.place import NOTHING, Hits, Place, Raycaster
from flatten.scene.sensors import Rays, Sensor
from flatten.scene.solids import Solid

OWN_ROBOT = -2
"""Label of a return from the robot's own solids."""
DUST = -3
"""Label of a return from dust."""
MIXED = -4
"""Label of a return from between two surfaces."""
GHOST = -5
"""Label of a return by way of a wet patch: it lies below the ground, a mirror image."""

Matrix = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Capture:
    """The returns of one frame, and what is known about them."""

    cloud: Cloud
    """Sensor frame, float32 metres, with intensity (0 to 255) and time (s since the frame began)."""
    labels: Labels
    """(N,) number of the solid each return comes from, or OWN_ROBOT, DUST, MIXED or GHOST.

    Solids that move count on after those of the place.
    """
    rays: Rays
    """All beams of the frame, with those that gave no return."""
    ray_of: npt.NDArray[np.int64]
    """(N,) number of the beam of each return."""
    distances: npt.NDArray[np.float64]
    """(beams,) true distance to the first surface, before all effects; inf where there is none."""
    world_from_sensor: Matrix
    """(4, 4) float64; of a moving body, at the beginning of the frame."""
    of_returns: Matrix | None = None
    """(N, 4, 4) world_from_sensor at the time of each return; None where the body keeps still."""

    def world(self) -> npt.NDArray[np.float64]:
        """Give the returns as (N, 3) float64 in the world frame, as far as float32 goes."""
        placed: npt.NDArray[np.float64] = (
            self.cloud.xyz @ self.world_from_sensor[:3, :3].T + self.world_from_sensor[:3, 3]
        )
        return placed

    def true_world(self) -> npt.NDArray[np.float64]:
        """Give the returns as (N, 3) float64 in the world frame, each by the pose at its own time."""
        if self.of_returns is None:
            return self.world()
        turned = np.einsum("nij,nj->ni", self.of_returns[:, :3, :3], self.cloud.xyz)
        placed: npt.NDArray[np.float64] = turned + self.of_returns[:, :3, 3]
        return placed


def capture(
    place: Place,
    sensor: Sensor,
    body_pose: tuple[float, float, float] = (0.0, 0.0, 0.0),
    mount: tuple[float, float, float, float, float, float] = Mount(),
    *,
    attitude: tuple[float, float] = (0.0, 0.0),
    effects: Effects = CLEAN,
    seed: int = 0,
    frame: int = 0,
    trajectory: Trajectory | None = None,
    start: float = 0.0,
    movers: Sequence[Mover] = (),
) -> Capture:
    """Take one frame.

    The body's origin stands on the floor at body_pose (x, y, yaw) in the world; attitude is its
    (roll, pitch); mount is the sensor's (x, y, z, roll, pitch, yaw) in the body frame. Metres and
    radians. Surfaces nearer than the sensor's near end or beyond its far end give no return. The
    same seed and frame give the same returns.

    With a trajectory, body_pose and attitude are not looked at: each beam leaves from where the
    body is at its own time, `start` seconds being the beginning of this frame. Movers are where
    they are at that time, too. Raises MissingPartError where Open3D does not load.
    """
    rays = sensor.rays(frame, seed)
    still = Pose(*body_pose).world_from_level @ frames.level_from_body(*attitude)
    path = None if trajectory is None else transforms(trajectory.at(start + rays.times))
    view = _View(
        place, effects, Mount(*mount), still, path, [(m, m.shifts(start + rays.times)) for m in movers]
    )
    hits, own = view.look(rays.directions)
    labels = np.where(own, OWN_ROBOT, hits.solids)
    distances = hits.distances
    if place.cover is not None:
        wet = np.random.default_rng([79, seed, frame]).uniform(0.0, 1.0, len(labels))
        distances, labels = view.covered(hits, labels, rays.directions, wet)
    if not effects.clean:
        draws = Draws.make(len(rays.times), seed, frame)
        distances, labels = view.spoil(hits._replace(distances=distances), labels, rays, sensor, draws)
    seen = (distances >= sensor.near) & (distances <= sensor.far)
    intensity = _intensity([*place.solids, *(m.solid for m in movers)], hits, labels, effects)
    x, y, z = np.ascontiguousarray((distances[seen, None] * rays.directions[seen]).T, np.float32)
    light, time = intensity[seen].astype(np.float32), rays.times[seen].astype(np.float32)
    return Capture(
        cloud=Cloud(x, y, z, light, time, name=place.name),
        labels=labels[seen].astype(np.int32),
        rays=rays,
        ray_of=np.flatnonzero(seen),
        distances=hits.distances,
        world_from_sensor=view.world_from_sensor if path is None else view.start(trajectory, start),
        of_returns=None if path is None else view.world_from_sensor[seen],
    )


class _View:
    """Place and own robot as the sensor sees them."""

    def __init__(
        self,
        place: Place,
        effects: Effects,
        mount: Mount,
        still: Matrix,
        path: Matrix | None,
        movers: Sequence[tuple[Mover, Matrix]],
    ) -> None:
        self.place, self.effects = place, effects
        self.robot = Raycaster(effects.robot) if effects.robot else None
        self.body_from_sensor = mount.body_from_sensor
        world_from_body = still if path is None else path
        self.world_from_sensor: Matrix = world_from_body @ self.body_from_sensor  # (4, 4) or one a beam
        self.movers = [(Raycaster([mover.solid]), shifts) for mover, shifts in movers]

    def start(self, trajectory: Trajectory | None, start: float) -> Matrix:
        """(4, 4) world_from_sensor at the beginning of the frame."""
        assert trajectory is not None
        begun: Matrix = transforms(trajectory.at(np.array([start])))[0] @ self.body_from_sensor
        return begun

    def beams(self, directions: Matrix) -> tuple[Matrix, Matrix]:
        """Origins, (3,) or (N, 3), and directions (N, 3) of beams in the world."""
        there = self.world_from_sensor
        if there.ndim == 2:
            return there[:3, 3], directions @ there[:3, :3].T
        return there[:, :3, 3], np.einsum("nij,nj->ni", there[:, :3, :3], directions)

    def look(self, directions: Matrix) -> tuple[Hits, Mask]:
        """Find the nearest of place, movers and own robot along each beam, and say where it is the robot."""
        origins, along = self.beams(directions)
        hits = self.place.raycaster().cast(origins, along)
        for number, (caster, shifts) in enumerate(self.movers, len(self.place.solids)):
            # the mover keeps still and the beams are moved the other way
            met = caster.cast(origins - shifts, along)
            hits, _ = _nearer(met._replace(solids=np.where(met.solids == 0, number, NOTHING)), hits)
        if self.robot is None:
            return hits, np.zeros(len(directions), bool)
        here = self.body_from_sensor
        mine = self.robot.cast(here[:3, 3], directions @ here[:3, :3].T)
        return _nearer(mine, hits)

    def covered(self, hits: Hits, labels: Labels, directions: Matrix, draws: Matrix) -> tuple[Matrix, Labels]:
        """Lay the place's cover on its ground: distances and labels of all beams."""
        assert self.place.cover is not None
        there = hits._replace(solids=np.where(labels == OWN_ROBOT, NOTHING, hits.solids))
        distances, ghosts = self.place.cover.lay(self.place, there, *self.beams(directions), draws)
        return distances, np.where(ghosts, GHOST, labels)

    def spoil(
        self, hits: Hits, labels: Labels, rays: Rays, sensor: Sensor, draws: Draws
    ) -> tuple[Matrix, Labels]:
        """Add the effects: distances (inf: no return) and labels of all beams."""
        effects, distances = self.effects, hits.distances
        if effects.mixed:
            rim, _ = self.look(added.beside(rays.directions, effects, draws))
            distances, mixed = added.mix(hits, rim, effects, draws)
            labels = np.where(mixed, MIXED, labels)
        distances = np.where(added.dropped(hits, sensor.far, effects, draws), np.inf, distances)
        dust = added.dust_distances(sensor.near, effects, draws)
        labels = np.where(dust < distances, DUST, labels)
        distances = np.minimum(dust, distances)
        return distances + effects.range_noise * draws.noise, labels


def _nearer(mine: Hits, other: Hits) -> tuple[Hits, Mask]:
    """Take the nearer of two, and say where it is the first."""
    first = mine.distances < other.distances
    distances = np.minimum(mine.distances, other.distances)
    solids = np.where(first, mine.solids, other.solids)
    return Hits(distances, solids, np.where(first, mine.cosines, other.cosines)), first


def _intensity(solids: Sequence[Solid], hits: Hits, labels: Labels, effects: Effects) -> Matrix:
    """Intensity 0 to 255 in whole steps: reflectance times the cosine of incidence, by Lambert."""
    here = np.array([solid.reflectance for solid in solids] + [0.0])
    own = np.array([solid.reflectance for solid in effects.robot] + [0.0])
    share = np.where(labels == OWN_ROBOT, own[np.minimum(hits.solids, len(own) - 1)], 0.0)
    share = np.where(labels >= 0, here[np.clip(labels, NOTHING, len(here) - 1)], share)
    share = np.where((labels == MIXED) | (labels == GHOST), 0.2, share)
    lit = np.round(255.0 * share * hits.cosines)
    return np.where(labels == DUST, 4.0, lit)
