"""How the body leans at the time of a frame, and how well the two times fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from flatten.errors import AttitudeError


class Attitude(NamedTuple):
    """Roll and pitch of the body (rad, as everywhere), and when it leaned so.

    Goes wherever a bare (roll, pitch) goes. With a time, in seconds by the clock of the clouds' stamps,
    an attitude that does not belong to its frame can be told.
    """

    roll: float
    pitch: float
    time: float | None = None


def checked_attitude(attitude: Sequence[float] | Attitude | None) -> tuple[float, float] | None:
    """Give the attitude as two floats, or None; raise AttitudeError for anything else."""
    if attitude is None:
        return None
    angles = attitude[:2] if isinstance(attitude, Attitude) else attitude
    try:
        roll, pitch = (float(angle) for angle in angles)
    except (TypeError, ValueError) as error:
        raise AttitudeError(f"attitude {attitude!r}: wanted (roll, pitch), two angles in radians") from error
    if not (abs(roll) <= math.pi / 2 and abs(pitch) <= math.pi / 2):  # also false for NaN
        raise AttitudeError(
            f"attitude ({roll}, {pitch}): allowed are −π/2 … π/2 radians each; are these degrees?"
        )
    return roll, pitch


def checked_age(
    attitude: Sequence[float] | Attitude | None, stamp: float | None, stale: float
) -> float | None:
    """Give the seconds from the attitude to the frame, or None where one of the times is not known.

    Parameters
    ----------
    attitude:
        What was passed in; only an `Attitude` can have a time.
    stamp:
        Time of the frame's end, `Cloud.stamp`; None, or a number that is not finite, is no time.
    stale:
        Greatest distance of the two that is taken, seconds: `health.attitude_stale` of the profile.

    Positive is an attitude older than the frame, negative a younger one. Raises AttitudeError where the
    two are farther apart than `stale`, in either direction, as heights would be wrong by the turning in
    between (10 m away, 0.175 m a degree: r·tan δ); and where the time is no number of seconds.
    """
    if not isinstance(attitude, Attitude) or attitude.time is None:
        return None
    try:
        time = float(attitude.time)
    except (TypeError, ValueError, OverflowError) as error:
        raise AttitudeError(f"attitude time {attitude.time!r}: wanted seconds, or None") from error
    if not math.isfinite(time):
        raise AttitudeError(f"attitude time {time}: wanted finite seconds, or None where it is not known")
    if stamp is None or not math.isfinite(stamp):
        return None
    age = stamp - time
    if abs(age) > stale:
        where = f"{age:.3g} s older" if age > 0.0 else f"{-age:.3g} s younger"
        raise AttitudeError(
            f"attitude is {where} than its frame, allowed are {stale:g} s (health.attitude_stale): pass the "
            "attitude at the cloud's stamp, by the same clock"
        )
    return age
