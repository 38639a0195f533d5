"""Where the robot was while each cloud of a command was taken, as far as its poses tell."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatten.cli.recordings import Shot, Shots, given_trajectory
from flatten.cli.terminal import warn

if TYPE_CHECKING:
    from flatten.cloud import Cloud
    from flatten.frames import Matrix
    from flatten.motion import Motion
    from flatten.profile import Profile
    from flatten.recordings import Trajectory


class Ways:
    """The body's poses for the clouds of a command: from --poses, else those in the recording.

    Clouds that the poses do not cover are left out, and told, as nothing is extrapolated.
    """

    def __init__(self, shots: Shots, profile: Profile, poses: Path | None, wanted: dict[str, Any]) -> None:
        from flatten.tuning.near import pose_of  # noqa: PLC0415

        given = shots.trajectory if poses is None else given_trajectory(poses, wanted)
        self.trajectory: Trajectory | None = None
        if given is not None:
            warn([f"{given.name}: {words}" for words in given.faults], wanted["quiet"])
            self.trajectory = given.of_body(pose_of(profile.mount))

    def known(self, shots: list[Shot], quiet: bool) -> list[Shot]:
        """Give the clouds that the poses cover, and tell how many they do not; all where there are none."""
        way = self.trajectory
        if way is None:
            return shots
        kept = [shot for shot in shots if shot.time is not None and way.covers(shot.time, shot.time)]
        if not kept:
            from flatten.errors import MotionError  # noqa: PLC0415

            raise MotionError(f"{way.name}: the poses cover none of the clouds: give poses of the same drive")
        if len(kept) < len(shots):
            warn([f"{len(shots) - len(kept)} clouds are left out: no poses at their time"], quiet)
        return kept

    def of(self, shot: Shot, cloud: Cloud) -> tuple[Motion | None, Matrix | None]:
        """How the body moved while a cloud was taken; or, where its returns have no times, where it was.

        Both None without poses, and where the poses end within the cloud.
        """
        way = self.trajectory
        if way is None or shot.time is None:
            return None, None
        from flatten.recordings.return_times import fit_times  # noqa: PLC0415
        from flatten.recordings.trajectory import matrices  # noqa: PLC0415

        timed = fit_times(cloud, shot.time, None if shot.recording is None else shot.recording.step)
        if isinstance(timed, str):
            return None, matrices(way.at([shot.time]))[0]
        if not way.covers(timed.first, timed.last):
            return None, None
        return way.motion(timed.first, timed.last, stamps=timed.stamps), None
