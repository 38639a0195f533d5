"""The recorded drive of the sample rover: half a minute in the nursery, frame by frame.

The rover stands for three seconds west of the shade posts, drives over a low ramp (hoses run under it),
weaves into the aisle between the benches, below the pipes, stops two metres before the dock edge, turns on
the spot and stands. It shakes while its tracks turn. The sensor sits otherwise than its profile says.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.scene import rover
from flatten.scene.capture import capture
from flatten.scene.course import Course
from flatten.scene.effects import Effects
from flatten.scene.ground import Ground
from flatten.scene.layout import Mount
from flatten.scene.moving import Shake, Values, measured_poses
from flatten.scene.nursery import nursery
from flatten.scene.pieces import Piece
from flatten.scene.place import Place
from flatten.scene.sensors import Rays, Rosette, Sensor
from flatten.scene.solids import Box, Ramp, Solid

SEED = 2
FRAMES = 300
PERIOD = 0.1
"""Seconds a frame."""
POSE_RATE = 100
"""Poses a second, as odometry tells them."""
POSE_NOISE = math.radians(0.02)
"""Of roll, pitch and yaw in each, one sigma."""
START = 1_764_052_800_000_000_000
"""When the first frame began: nanoseconds."""
GRAIN = 1.0 / 512.0
"""Metres, to which coordinates are rounded: a power of two packs well, and is a fifth of the noise."""
TICK = 2.0**-15
"""Seconds, to which the returns' times are rounded."""
THINNED = 12
"""Of so many beams one is kept."""

TRUE_MOUNT = Mount(0.47, -0.09, 0.803, math.radians(-179.1), math.radians(-2.7), math.radians(0.8))
"""Where the sensor really sits; the profile says what `rover.layout_of` reads."""

LANE = -1.5
RAMP = (-8.4, -6.6, -5.6, -3.8)
"""World x of the ramp's toe, crest, crest and toe."""
RAMP_HEIGHT = 0.15
WEAVE = 0.355
"""Seconds straight between the two bends into the aisle: so long that y comes out at 0."""
KNOTS = (
    (0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (4.0, 1.3, 0.0),
    (9.7, 1.3, 0.0), (10.7, 1.3, 0.5), (11.7, 1.3, 0.0),
    (11.7 + WEAVE, 1.3, 0.0), (12.7 + WEAVE, 1.3, -0.5), (13.7 + WEAVE, 1.3, 0.0),
    (24.9, 1.3, 0.0), (26.1, 0.0, 0.0), (27.3, 0.0, 0.5 * math.pi / 1.2), (28.5, 0.0, 0.0), (30.2, 0.0, 0.0),
)  # fmt: skip
BEGIN = (-12.6, LANE, 0.0)
EFFECTS = Effects(range_noise=0.01, drop_far=0.3, drop_grazing=0.3, mixed=0.2, dust=0.001)


@dataclass(frozen=True)
class Thinned:
    """A sensor of which one beam of so many is kept."""

    sensor: Sensor
    of: int = THINNED

    @property
    def near(self) -> float:
        """Nearest distance that gives a return, metres."""
        return self.sensor.near

    @property
    def far(self) -> float:
        """Farthest distance that gives a return, metres."""
        return self.sensor.far

    def rays(self, frame: int, seed: int) -> Rays:
        """Beams of the frame of that number."""
        every = self.sensor.rays(frame, seed)
        return Rays(every.directions[:: self.of], every.times[:: self.of])


@dataclass(frozen=True, eq=False)
class Shot:
    """One frame of the drive."""

    index: int
    stamp: int
    """When it began, ns."""
    cloud: Cloud
    """Sensor frame, float32 metres in steps of GRAIN; time in seconds since `stamp`, steps of TICK."""
    labels: npt.NDArray[np.int32]
    """(N,) as `Capture.labels`: the number of the solid, or less than 0."""


def drive_place(seed: int = SEED) -> Place:
    """Build the nursery with the low ramp in it."""
    west, up, down, east = RAMP
    width = 1.6
    ramp: list[Solid] = [
        Ramp(name="hose ramp up", x=west, y=LANE, length=up - west, width=width, height=RAMP_HEIGHT),
        Box(
            name="hose ramp top", x=0.5 * (up + down), y=LANE, length=down - up, width=width,
            top=RAMP_HEIGHT,
        ),
        Ramp(
            name="hose ramp down", x=east, y=LANE, length=east - down, width=width, height=RAMP_HEIGHT,
            yaw=math.pi,
        ),
    ]  # fmt: skip
    return Place([*nursery(seed).solids, *ramp], name="nursery drive")


def drive_course(shake: float = math.radians(1.5)) -> Course:
    """Give the way of the rover; it shakes by so many radians at 20.3 Hz, so that no two frames are alike."""
    knots = tuple((x, z) for x, z in zip(RAMP, (0.0, RAMP_HEIGHT, RAMP_HEIGHT, 0.0), strict=True))
    ground = Ground(name="ground", pieces=(Piece(knots, across=(LANE - 0.8, LANE + 0.8)),))
    return Course(BEGIN, KNOTS, ground, Shake(shake, 20.3))


def drive_frames(
    mount: Mount = TRUE_MOUNT,
    *,
    robot: Sequence[Solid] = rover.own_solids(),
    seed: int = SEED,
    frames: Sequence[int] = range(FRAMES),
    place: Place | None = None,
    course: Course | None = None,
    sensor: Sensor | None = None,
) -> Iterator[Shot]:
    """Drive, and give the frames of these numbers one after the other.

    `mount` is where the sensor sits, `robot` what rides with the body; the seed sets noise and pattern, and
    not the place. Needs Open3D.
    """
    place, course, sensor = place or drive_place(), course or drive_course(), sensor or Thinned(Rosette())
    effects = replace(EFFECTS, robot=tuple(robot))
    for index in frames:
        shot = capture(
            place, sensor, mount=mount, effects=effects, seed=seed, frame=index, trajectory=course,
            start=index * PERIOD,
        )  # fmt: skip
        stamp = START + round(index * PERIOD * 1e9)
        yield Shot(index, stamp, _rounded(shot.cloud), shot.labels)


def drive_poses(course: Course | None = None, seed: int = SEED) -> tuple[npt.NDArray[np.int64], Values]:
    """Give the poses as odometry tells them: times (k,) ns, and (k, 7) x y z qx qy qz qw of odom_from_body.

    They begin before the first frame and end after the last; metres from where the drive began.
    """
    course = course or drive_course()
    steps = np.arange(round(course.seconds * POSE_RATE) + 1)
    poses = measured_poses(course, steps / POSE_RATE, noise=POSE_NOISE, seed=seed)
    poses[:, :3] -= np.array([*BEGIN[:2], 0.0])
    return START + steps * (10**9 // POSE_RATE), poses


def _rounded(cloud: Cloud) -> Cloud:
    """Round coordinates to GRAIN and times to TICK, exactly in float32."""
    assert cloud.time is not None  # every capture has it
    x, y, z = (np.round(column / GRAIN) * np.float32(GRAIN) for column in (cloud.x, cloud.y, cloud.z))
    time = np.round(cloud.time / np.float32(TICK)) * np.float32(TICK)
    return Cloud(x, y, z, time=time.astype(np.float32), name=cloud.name)
