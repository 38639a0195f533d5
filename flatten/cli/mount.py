"""`flatten mount`: how the sensor sits, from clouds of a standing robot."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatten.cli.options import (
    FILE,
    attitude_of,
    attitude_options,
    overwrite_option,
    profile_option,
    quiet_option,
    read_profile,
    set_option,
    tuned_option,
)
from flatten.cli.recordings import Shots, given_trajectory, motion_of, recording_options
from flatten.cli.terminal import progress, say, warn

if TYPE_CHECKING:
    from flatten.profile import Profile
    from flatten.recordings import Trajectory
    from flatten.tuning.lean import Pose
    from flatten.tuning.mount import Combined
    from flatten.tuning.yaw import Yaw

WALLS = ("ahead", "left", "behind", "right")
"""As `flatten.tuning.yaw.FACING`; written here so that --help stays quick."""


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@tuned_option("what was found of the mount")
@click.option(
    "--blind-start", is_flag=True, help="Search for the floor; the profile's mount may be all wrong."
)
@click.option(
    "--wall",
    type=click.Choice(WALLS),
    help="Yaw from a straight wall: square to the robot's axis ahead or behind it, or parallel to it on "
    "its left or right.",
)
@click.option(
    "--poses",
    type=FILE,
    metavar="FILE",
    help="Yaw from a straight drive: poses of the sensor itself, a line each, t tx ty tz qx qy qz qw, or a "
    "recording that has them.",
)
@recording_options
@click.option("--json", "as_json", is_flag=True, help="Print plain values (metres, degrees) and no words.")
@attitude_options
@set_option
@overwrite_option
@quiet_option
def mount(clouds: tuple[Path, ...], profile_path: Path, **wanted: Any) -> None:
    """Find how the sensor sits, from clouds of a standing robot.

    Stand on flat, level floor with several metres of it in sight, record a frame or a few, and give
    them. The floor tells roll, pitch and z, with standard errors. It cannot tell x and y, nor yaw: for
    yaw park along or square to a straight wall and say where it is (--wall), or drive straight
    (--poses). Park anew for each cloud: how far they disagree is shown.

    The profile's mount is the start; it may be off by 10° and 0.3 m (yaw by 20°). --blind-start
    needs none for roll, pitch and z. Too little floor, a table, two levels or floor that is tilted
    against where level floor can be is refused in one line, with exit code 1. Where the body leans on
    level floor (load, springs) say by how much: --roll and --pitch are degrees. Lengths are metres.

    \b
    Examples:
      flatten mount yard.pcd --profile rover.yaml
      flatten mount stand/*.pcd -p rover.yaml --wall left --out tuned.yaml
      flatten mount yard.pcd -p rover.yaml --blind-start --json
    """  # noqa: D301
    if wanted["wall"] and wanted["poses"]:
        raise click.UsageError("--wall and --poses: yaw rests on one of them: leave the other out")
    profile = read_profile(profile_path, wanted["settings"])
    found, yaw, pose = _find(clouds, profile, wanted)
    _notes(found, wanted["quiet"])
    # written before anything is printed: a pipe that closes early does not cost the file
    if wanted["target"] is not None:
        _write(profile_path, wanted["target"], found, yaw, wanted["overwrite"])
    from flatten.tuning import words  # noqa: PLC0415

    if wanted["as_json"]:
        told = words.plain(found, pose, yaw, wanted["blind_start"])
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    click.echo(words.report(found, pose, yaw, wanted["blind_start"]))
    if wanted["target"] is not None:
        click.echo(f"profile: {wanted['target']}")


def _find(
    paths: tuple[Path, ...], profile: Profile, wanted: dict[str, Any]
) -> tuple[Combined, Yaw | None, Pose]:
    """Read the clouds and find the mount, a cloud a step."""
    from flatten.errors import OutputError  # noqa: PLC0415
    from flatten.tuning.lean import Pose  # noqa: PLC0415
    from flatten.tuning.mount import Finder  # noqa: PLC0415

    target = wanted["target"]
    if target is not None and not wanted["overwrite"] and target.exists():
        raise OutputError(f"{target}: is there already: choose another --out, or use --overwrite")
    section = profile.mount
    angles = (math.radians(angle) for angle in (section.roll, section.pitch, section.yaw))
    pose = Pose(section.x, section.y, section.z, *angles)
    attitude = attitude_of(wanted["roll"], wanted["pitch"]) or (0.0, 0.0)
    finder = Finder(pose, blind=wanted["blind_start"], attitude=attitude)
    with Shots(paths, **wanted) as shots:
        # those in the recording itself are taken where --poses names it: most recordings are of a stand
        path = None if wanted["poses"] is None else _sensor_poses(wanted)
        with progress("looking at", len(shots), wanted["quiet"]) as step:
            for shot in shots:
                finder.look(shot.read(), shot.name)
                step(shot.name)
        warn(shots.faults, wanted["quiet"])
    return *finder.find(wanted["wall"], motion_of(path)), pose


def _sensor_poses(wanted: dict[str, Any]) -> Trajectory:
    """Read the sensor's poses; those of the body cannot tell how the sensor sits in it."""
    from flatten.errors import TuningError  # noqa: PLC0415

    path = given_trajectory(wanted["poses"], wanted, usual="sensor")
    if path.of != "sensor":
        raise TuningError(
            f"{path.name}: has the body's poses, which do not tell how the sensor sits: give those of the "
            "sensor itself, from its own odometry (--poses-of sensor where they are)"
        )
    warn(path.told, wanted["quiet"])
    return path


def _notes(found: Combined, quiet: bool) -> None:
    for part in found.clouds if not quiet else ():
        if part.millimetres:
            say(
                "note",
                f"{part.name}: is in millimetres and was read as such; others want metres: convert it",
            )
    warn((f"{left.name}: left out: {left.reason}" for left in found.refused), quiet)


def _write(profile_path: Path, target: Path, found: Combined, yaw: Yaw | None, overwrite: bool) -> None:
    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.profile.lines import read_text  # noqa: PLC0415
    from flatten.tuning.profile_text import with_mount  # noqa: PLC0415
    from flatten.tuning.words import found_values  # noqa: PLC0415

    made = with_mount(read_text(profile_path), str(profile_path), found_values(found, yaw))

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(made.encode())

    write_all([(target, fill)], overwrite)
