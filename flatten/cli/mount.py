"""`flatten mount`: how the sensor sits, from clouds of a standing robot."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatten.cli.carried import Ways
from flatten.cli.options import (
    FILE,
    attitude_of,
    attitude_options,
    most_option,
    overwrite_option,
    profile_option,
    quiet_option,
    read_profile,
    set_option,
    tuned_option,
)
from flatten.cli.recordings import Shots, given_trajectory, motion_of, recording_options
from flatten.cli.targets import refuse_existing
from flatten.cli.terminal import progress, say, warn

if TYPE_CHECKING:
    from flatten.profile import Profile
    from flatten.recordings import Trajectory
    from flatten.tuning.lean import Pose
    from flatten.tuning.mount import Combined
    from flatten.tuning.yaw import Yaw

MOST_CLOUDS = 60
"""Of a longer recording so many clouds are looked at."""
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
    help="Poses, a line each, t tx ty tz qx qy qz qw, or a recording that has them. Of the sensor itself: "
    "yaw from a straight drive. Of the body (--poses-of body): all of it from a drive; default: those in "
    "the recording.",
)
@recording_options
@most_option(MOST_CLOUDS)
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

    A recording of a drive with the body's poses in it tells all of that, yaw as well: each cloud is brought
    to one moment and levelled, the floor is looked at in many places, and what stands about must lie still
    while it is driven past. Ramps and edges are left out.

    The profile's mount is the start; it may be off by 10° and 0.3 m (yaw by 20°). --blind-start
    needs none for roll, pitch and z. Too little floor, a table, two levels or floor that is tilted
    against where level floor can be is refused in one line, with exit code 1. Where the body leans on
    level floor (load, springs) say by how much: --roll and --pitch are degrees. Lengths are metres.

    \b
    Examples:
      flatten mount yard.pcd --profile rover.yaml
      flatten mount drive.mcap -p rover.yaml --out tuned.yaml
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
    from flatten.tuning.lean import Pose  # noqa: PLC0415
    from flatten.tuning.mount import Finder  # noqa: PLC0415

    refuse_existing([wanted["target"]], wanted["overwrite"])
    section = profile.mount
    angles = (math.radians(angle) for angle in (section.roll, section.pitch, section.yaw))
    pose = Pose(section.x, section.y, section.z, *angles)
    attitude = attitude_of(wanted["roll"], wanted["pitch"]) or (0.0, 0.0)
    finder = Finder(pose, blind=wanted["blind_start"], attitude=attitude)
    with Shots(paths, **wanted) as shots:
        given = None if wanted["poses"] is None else given_trajectory(wanted["poses"], wanted, usual="sensor")
        of_sensor = given if given is not None and given.of == "sensor" else None
        ways = _ways(shots, profile, None if of_sensor is given else given, wanted, of_sensor is not None)
        chosen = shots.evenly(wanted["most"])
        chosen = chosen if ways is None else ways.known(chosen)
        if len(shots) > wanted["most"] and not wanted["quiet"]:
            say("note", f"{wanted['most']} of {len(shots)} clouds are looked at, evenly spaced")
        with progress("looking at", len(chosen), wanted["quiet"]) as step:
            for shot in chosen:
                if ways is None:
                    finder.look(shot.read(), shot.name)
                else:
                    cloud, at = ways.placed(shot)
                    finder.look(cloud, shot.name, at)
                step(shot.name)
        warn(shots.faults, wanted["quiet"])
    return *finder.find(wanted["wall"], motion_of(of_sensor)), pose


def _ways(
    shots: Shots, profile: Profile, given: Trajectory | None, wanted: dict[str, Any], sensors: bool
) -> Ways | None:  # fmt: skip
    """Give the body's poses where there are some and they are to be used: not where anything else is said."""
    leans = wanted["roll"] is not None or wanted["pitch"] is not None
    if sensors or leans or wanted["blind_start"] or wanted["wall"] is not None:
        return None
    ways = Ways(shots, profile, given, wanted["quiet"], of_mount=True)
    return None if ways.trajectory is None else ways


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
