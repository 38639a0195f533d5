"""One frame of a made-up sensor in a made-up place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.cloud import Cloud
from flatten.scene import effects as added
from flatten.scene.effects import CLEAN, Draws, Effects
from flatten.scene.layout import Mount, Pose
from flatten.scene.place import NOTHING, Hits, Place, Raycaster
from flatten.scene.sensors import Rays, Sensor

OWN_ROBOT = -2
"""Label of a return from the robot's own solids."""
DUST = -3
"""Label of a return from dust."""
MIXED = -4
"""Label of a return from between two surfaces."""

Matrix = npt.NDArray[np.float64]
Labels = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Capture:
    """The returns of one frame, and what is known about them."""

    cloud: Cloud
    """Sensor frame, float32 metres, with intensity (0 to 255) and time (s since the frame began)."""
    labels: Labels
    """(N,) number of the solid each return comes from, or OWN_ROBOT, DUST or MIXED."""
    rays: Rays
    """All beams of the frame, with those that gave no return."""
    ray_of: npt.NDArray[np.int64]
    """(N,) number of the beam of each return."""
    distances: npt.NDArray[np.float64]
    """(beams,) true distance to the first surface, before all effects; inf where there is none."""
    world_from_sensor: Matrix
    """(4, 4) float64."""

    def world(self) -> npt.NDArray[np.float64]:
        """Give the returns as (N, 3) float64 in the world frame, as far as float32 goes."""
        placed: npt.NDArray[np.float64] = (
            self.cloud.xyz @ self.world_from_sensor[:3, :3].T + self.world_from_sensor[:3, 3]
        )
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
) -> Capture:
    """Take one frame.

    The body's origin stands on the floor at body_pose (x, y, yaw) in the world; attitude is its
    (roll, pitch); mount is the sensor's (x, y, z, roll, pitch, yaw) in the body frame. Metres and
    radians. Surfaces nearer than the sensor's near end or beyond its far end give no return. The
    same seed and frame give the same returns. Raises MissingPartError where Open3D does not load.
    """
    view = _View(place, effects, Pose(*body_pose), Mount(*mount), attitude)
    rays = sensor.rays(frame, seed)
    hits, own = view.look(rays.directions)
    labels = np.where(own, OWN_ROBOT, hits.solids)
    distances = hits.distances
    if not effects.clean:
        draws = Draws.make(len(rays.times), seed, frame)
        distances, labels = view.spoil(hits, labels, rays, sensor, draws)
    seen = (distances >= sensor.near) & (distances <= sensor.far)
    intensity = _intensity(place, hits, labels, effects)
    x, y, z = np.ascontiguousarray((distances[seen, None] * rays.directions[seen]).T, np.float32)
    light, time = intensity[seen].astype(np.float32), rays.times[seen].astype(np.float32)
    return Capture(
        cloud=Cloud(x, y, z, light, time, name=place.name),
        labels=labels[seen].astype(np.int32),
        rays=rays,
        ray_of=np.flatnonzero(seen),
        distances=hits.distances,
        world_from_sensor=view.world_from_sensor,
    )


class _View:
    """Place and own robot as the sensor sees them."""

    def __init__(
        self, place: Place, effects: Effects, pose: Pose, mount: Mount, attitude: tuple[float, float]
    ) -> None:
        self.place, self.effects = place, effects
        self.robot = Raycaster(effects.robot) if effects.robot else None
        self.body_from_sensor = mount.body_from_sensor
        world_from_body = pose.world_from_level @ frames.level_from_body(*attitude)
        self.world_from_sensor: Matrix = world_from_body @ self.body_from_sensor

    def look(self, directions: Matrix) -> tuple[Hits, Mask]:
        """Find the nearer of place and own robot along each beam, and say where it is the robot."""
        there, here = self.world_from_sensor, self.body_from_sensor
        hits = self.place.raycaster().cast(there[:3, 3], directions @ there[:3, :3].T)
        if self.robot is None:
            return hits, np.zeros(len(directions), bool)
        mine = self.robot.cast(here[:3, 3], directions @ here[:3, :3].T)
        own = mine.distances < hits.distances
        distances = np.minimum(mine.distances, hits.distances)
        solids = np.where(own, mine.solids, hits.solids)
        return Hits(distances, solids, np.where(own, mine.cosines, hits.cosines)), own

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


def _intensity(place: Place, hits: Hits, labels: Labels, effects: Effects) -> Matrix:
    """Intensity 0 to 255 in whole steps: reflectance times the cosine of incidence, by Lambert."""
    here = np.array([solid.reflectance for solid in place.solids] + [0.0])
    own = np.array([solid.reflectance for solid in effects.robot] + [0.0])
    share = np.where(labels == OWN_ROBOT, own[np.minimum(hits.solids, len(own) - 1)], 0.0)
    share = np.where(labels >= 0, here[np.clip(labels, NOTHING, len(here) - 1)], share)
    share = np.where(labels == MIXED, 0.2, share)
    lit = np.round(255.0 * share * hits.cosines)
    return np.where(labels == DUST, 4.0, lit)
