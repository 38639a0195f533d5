"""When a recorded cloud was taken, and how the body leaned then.

The time of a cloud is that of its message; else the latest of its returns' times, where these lie in the
poses; else what its file is called, where that is a number: seconds (1764052812.35.pcd) or, from sixteen
digits on, nanoseconds.
"""

from __future__ import annotations

import math
from pathlib import PurePath

import numpy as np

from flatten import frames
from flatten.attitude import checked_attitude
from flatten.cloud import Cloud
from flatten.errors import AttitudeError, MotionError
from flatten.frames import Matrix
from flatten.motion import Motion

NANOSECONDS = 1e15
"""A file name's number from which on it counts nanoseconds: in seconds it would be 30 million years."""


def attitude_of(
    cloud: Cloud, name: str, motion: Motion, body_from_sensor: Matrix | None = None
) -> tuple[float, float]:
    """Roll and pitch (radians) of the body when a cloud was taken.

    Parameters
    ----------
    cloud, name:
        The cloud, and the name of its file.
    motion:
        Poses of the body, or of the sensor.
    body_from_sensor:
        (4, 4) the mount where the poses are the sensor's, else None.

    Raises MotionError where the time is not known or outside of the poses, AttitudeError where a body would
    lie on its side.

    """
    second = second_of(cloud, name, motion)
    pose = motion.matrices(np.array([second]))[0]
    turn = pose[:3, :3] if body_from_sensor is None else pose[:3, :3] @ body_from_sensor[:3, :3].T
    found = math.atan2(turn[2, 1], turn[2, 2]), math.asin(max(-1.0, min(1.0, -float(turn[2, 0]))))
    try:
        checked_attitude(found)
    except AttitudeError as error:
        whose = "the sensor's (--poses-of sensor)" if body_from_sensor is None else "the body's"
        raise AttitudeError(
            f"{name}: by the poses the body is rolled by {math.degrees(found[0]):.0f}°: are they {whose}?"
        ) from error
    return found


def second_of(cloud: Cloud, name: str, motion: Motion) -> float:
    """Seconds from the first pose to a cloud."""
    last = float(motion.seconds[-1])
    moments = moments_of(cloud, name)
    if not moments:
        raise MotionError(
            f"{name}: its time is not known: name the file by its seconds (12.345.pcd), or record times with "
            "the returns"
        )
    for _, moment in moments:
        second = motion.since(moment)
        if 0.0 <= second <= last:
            return second
    words, moment = moments[0]
    raise MotionError(
        f"{name}: taken at {moment:.3f} s ({words}), outside of the poses: these cover {last:.3f} s, and the "
        f"cloud is {-motion.since(moment):.3f} s before their first; give poses of the same drive and clock"
    )


def moments_of(cloud: Cloud, name: str) -> list[tuple[str, float]]:
    """Give the moments at which a cloud may have been taken, the likeliest first; seconds."""
    found: list[tuple[str, float]] = []
    if cloud.stamp is not None and math.isfinite(cloud.stamp):
        found.append(("by its stamp", float(cloud.stamp)))
    if cloud.time is not None and cloud.time.size:
        latest = float(np.nanmax(np.asarray(cloud.time, np.float64)))
        if math.isfinite(latest):
            found.append(("by its returns' times", latest))
    number = number_of(PurePath(name).name)
    if number is not None:
        found.append(("by its name", number))
    return found


def number_of(name: str) -> float | None:
    """Give the seconds that a file is called by; None where its name is no number."""
    for words in (name.rsplit(".", 1)[0], name):
        try:
            number = float(words)
        except ValueError:
            continue
        if math.isfinite(number):
            return number * 1e-9 if abs(number) >= NANOSECONDS else number
    return None


def mount_of(x: float, y: float, z: float, roll: float, pitch: float, yaw: float) -> Matrix:
    """(4, 4) body_from_sensor of a mount in metres and degrees."""
    return frames.body_from_sensor(x, y, z, *(math.radians(angle) for angle in (roll, pitch, yaw)))
