"""Where the robot was while each cloud of a command was taken, as far as its poses tell."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatten.cli.recordings import Shot, Shots, given_trajectory
from flatten.cli.terminal import warn
from flatten.errors import MotionError

if TYPE_CHECKING:
    from flatten.cloud import Cloud
    from flatten.motion import Motion
    from flatten.profile import Profile
    from flatten.recordings import Trajectory
    from flatten.tuning.patches import Numbers
    from flatten.tuning.still import Stiller


class Ways:
    """The body's poses for the clouds of a command: those of `given`, else those in the recording.

    Clouds are brought to the moment of their stamp. Poses of the sensor are turned by the profile's mount;
    where that mount is in question (`of_mount`) they tell nothing, as they lean with it, and are left out.
    """

    def __init__(
        self, shots: Shots, profile: Profile, given: Trajectory | None, quiet: bool, of_mount: bool = False
    ) -> None:  # fmt: skip
        from flatten.tuning.near import pose_of  # noqa: PLC0415

        self._profile, self._quiet = profile, quiet
        way = shots.trajectory if given is None else given
        if way is not None:
            warn(way.told, quiet)
        if way is not None and of_mount and way.of == "sensor":
            lines = (
                f"{way.name}: are poses of the sensor, which lean as it does: taken as clouds without poses"
            )
            warn([lines], quiet)
            way = None
        self.trajectory = None if way is None else way.of_body(pose_of(profile.mount))

    @classmethod
    def of(
        cls, shots: Shots, profile: Profile, poses: Path | None, wanted: dict[str, Any],
        of_mount: bool = False,
    ) -> Ways:  # fmt: skip
        """Take the poses that --poses names, if it does."""
        given = None if poses is None else given_trajectory(poses, wanted)
        return cls(shots, profile, given, wanted["quiet"], of_mount)

    def known(self, shots: list[Shot]) -> list[Shot]:
        """Give the clouds that the poses cover, and tell how many they do not; all where there are none.

        A recording begins before its poses do, as often as not, and nothing is extrapolated. Raises
        MotionError where none is covered.
        """
        way = self.trajectory
        if way is None:
            return shots
        kept = [shot for shot in shots if shot.time is not None and way.covers(shot.time, shot.time)]
        if not kept:
            raise MotionError(f"{way.name}: the poses cover none of the clouds: give poses of the same drive")
        if len(kept) < len(shots):
            warn([f"{len(shots) - len(kept)} clouds are left out: no poses at their time"], self._quiet)
        return kept

    def pose(self, shot: Shot) -> Numbers | None:
        """(4, 4) odom_from_body at the cloud's stamp; None without poses."""
        if self.trajectory is None or shot.time is None:
            return None
        from flatten.recordings.trajectory import matrices  # noqa: PLC0415

        pose: Numbers = matrices(self.trajectory.at([shot.time]))[0]
        return pose

    def motion(self, shot: Shot, cloud: Cloud, middle: bool = False) -> Motion | None:
        """How the body moved while a cloud was taken, to its stamp, or to the middle of its returns' times.

        None without poses, where the returns have no times, and where the poses end within the cloud.
        """
        way = self.trajectory
        if way is None or shot.time is None:
            return None
        from flatten.recordings.return_times import fit_times  # noqa: PLC0415

        timed = fit_times(cloud, shot.time)
        if isinstance(timed, str):
            return None
        first, last = min(timed.first, shot.time), max(timed.last, shot.time)
        if not way.covers(first, last):
            return None
        at = (timed.first + timed.last) // 2 if middle else shot.time
        return way.motion(first, last, stamps=timed.stamps, at=at)

    @cached_property
    def _stiller(self) -> Stiller:
        from flatten.tuning.still import Stiller  # noqa: PLC0415

        return Stiller(self._profile)

    def placed(self, shot: Shot) -> tuple[Cloud, Numbers | None]:
        """Read a cloud, brought to the middle of its returns' times if it can be, and the body's pose then.

        In the middle, as a mount that is off then lifts as many returns as it lowers while the body drives
        on.
        """
        cloud = shot.read()
        motion = self.motion(shot, cloud, middle=True)
        return (cloud, self.pose(shot)) if motion is None else self._stiller.bring(cloud, motion)

    def read(self, shot: Shot) -> Cloud:
        """Read a cloud, its returns brought to the moment of its stamp where they can be."""
        cloud = shot.read()
        motion = self.motion(shot, cloud)
        return cloud if motion is None else self._stiller.bring(cloud, motion)[0]
