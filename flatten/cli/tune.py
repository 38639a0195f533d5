"""`flatten tune`: from recorded clouds to slices with reasons."""

from __future__ import annotations

import io
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatten.cli.carried import Ways
from flatten.cli.options import (
    FILE,
    attitude_of,
    attitude_options,
    degrees,
    most_option,
    overwrite_option,
    profile_option,
    quiet_option,
    read_profile,
    set_option,
    tuned_option,
)
from flatten.cli.recordings import Shots, motion_of, mount_matrix, recording_options
from flatten.cli.targets import refuse_existing
from flatten.cli.terminal import progress, say, warn

if TYPE_CHECKING:
    from flatten.files.writing import Job
    from flatten.motion import Motion
    from flatten.profile import Profile
    from flatten.tuning.tune import Frame, Tuned

MOST_FRAMES = 200
"""Of a longer recording so many clouds are looked at."""
PASSES = 3
"""How often each frame is looked at."""


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@click.option(
    "--poses", type=FILE, metavar="FILE",
    help="How the body leaned and shook: poses, a line each, t tx ty tz qx qy qz qw. Clouds are matched by "
    "their times, or by what their files are called (seconds). Default: those in the recording.",
)  # fmt: skip
@recording_options
@most_option(MOST_FRAMES)
@click.option(
    "--shake", callback=degrees, metavar="DEG",
    help="How much the floor will tilt against the slices, degrees, one sigma. Default: as measured.",
)  # fmt: skip
@tuned_option("the slices")
@click.option(
    "--report", type=FILE, metavar="FILE",
    help="Write one HTML page with pictures, figures and cautions, to keep and to print.",
)  # fmt: skip
@click.option("--json", "json_file", type=FILE, metavar="FILE", help="Write plain values (metres, degrees).")
@attitude_options
@set_option
@overwrite_option
@quiet_option
def tune(clouds: tuple[Path, ...], profile_path: Path, **wanted: Any) -> None:
    """Find slices to drive and to map by, from recorded clouds.

    Record frames where the robot will work: a stand or a drive of half a minute, with things to see. A
    floor is fitted to every frame and every return is labelled: floor; what must be seen (higher than
    robot.step, lower than robot.height + clearance); what the robot passes under; its own. Then every
    slice that could be is judged on all of it: what it misses by distance, how the floor gets in, also
    when the body shakes, whether it blocks ways under what hangs. One slice to drive by and one to map
    by are recommended, run for real, and tried on two test bodies 1 to 15 m away.

    CLOUD is a cloud file, a folder of such files, or a recording of messages, whose poses then tell how
    the body leaned and shook. Lengths are metres, angles degrees.

    \b
    Examples:
      flatten tune drive.mcap --profile rover.yaml
      flatten tune drive/ -p rover.yaml --poses drive.txt --out tuned.yaml --report tuned.html
      flatten tune yard.pcd -p rover.yaml --shake 1.5 --json tuned.json
    """  # noqa: D301
    refuse_existing([wanted[key] for key in ("target", "report", "json_file")], wanted["overwrite"])
    profile = read_profile(profile_path, wanted["settings"])
    shake = wanted["shake"]
    if shake is not None and shake < 0.0:
        raise click.UsageError("--shake: wanted degrees, 0 or more")
    from flatten.tuning.tune import Tuner, evenly  # noqa: PLC0415

    with Shots(clouds, **wanted) as shots:
        frames, motion = read_frames(shots, profile, wanted)
        chosen = evenly(frames, wanted["most"])
        if len(chosen) < len(frames) and not wanted["quiet"]:
            say("note", f"{len(chosen)} of {len(frames)} clouds are looked at, evenly spaced")
        with progress("looking at", PASSES * len(chosen), wanted["quiet"]) as step:
            told = Tuner(profile, step).tune(chosen, motion, shake)
        warn(shots.faults, wanted["quiet"])
    notes(told, wanted["quiet"])
    write(told, clouds, profile_path, wanted)
    from flatten.tuning import tune_words  # noqa: PLC0415

    click.echo(tune_words.report(told))
    for what, key in (("profile", "target"), ("report", "report"), ("values", "json_file")):
        if wanted[key] is not None:
            click.echo(f"{what}: {wanted[key]}")


def read_frames(
    shots: Shots, profile: Profile, wanted: dict[str, Any]
) -> tuple[list[Frame], Motion | None]:  # fmt: skip
    """List the frames, with the attitude of each: by the poses, or as it is given for all of them."""
    from flatten.tuning.tune import Frame  # noqa: PLC0415

    given, mount = attitude_of(wanted["roll"], wanted["pitch"]), mount_matrix(profile)
    if given is not None and wanted["poses"] is not None:
        raise click.UsageError("--poses tell how the body leans: leave --roll and --pitch out")
    if wanted["poses"] is not None and any(shot.time is None for shot in shots):
        return _by_seconds(shots, mount if wanted["poses_of"] == "sensor" else None, wanted["poses"])
    if wanted["poses"] is None and given is not None:
        return [Frame(shot.name, shot.read, given) for shot in shots], None
    ways = Ways.of(shots, profile, wanted["poses"], wanted)
    if ways.trajectory is None:
        return [Frame(shot.name, shot.read, None) for shot in shots], None
    known = ways.known(list(shots))
    frames = [
        Frame(shot.name, partial(ways.read, shot), ways.trajectory.attitude(shot.time))
        for shot in known
        if shot.time is not None
    ]
    return frames, motion_of(ways.trajectory)


def _by_seconds(shots: Shots, mount: Any, poses: Path) -> tuple[list[Frame], Motion]:
    """List frames of cloud files, matched to poses by what their times or names say in seconds."""
    from flatten.tuning.poses import read_poses  # noqa: PLC0415
    from flatten.tuning.timing import attitude_of as attitude_by  # noqa: PLC0415
    from flatten.tuning.tune import Frame  # noqa: PLC0415

    motion = read_poses(poses)
    return [
        Frame(shot.name, shot.read, attitude_by(shot.read(), shot.name, motion, mount)) for shot in shots
    ], motion


def notes(told: Tuned, quiet: bool) -> None:
    """Print what to look at before these figures are believed."""
    from flatten.tuning import tune_words  # noqa: PLC0415

    for name in told.millimetres if not quiet else ():
        say("note", f"{name}: is in millimetres and was read as such; others want metres: convert it")
    warn((f"{left.name}: left out: {left.reason}" for left in told.refused), quiet)
    warn(tune_words.cautions(told), quiet)


def write(told: Tuned, clouds: tuple[Path, ...], profile_path: Path, wanted: dict[str, Any]) -> None:
    """Write profile, report and values, all of them or none."""
    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.tuning import tune_words  # noqa: PLC0415

    jobs: list[Job] = []
    if wanted["target"] is not None:
        jobs.append((wanted["target"], writer(new_profile(told, profile_path))))
    if wanted["json_file"] is not None:
        values = json.dumps(tune_words.plain(told), indent=2, ensure_ascii=False)
        jobs.append((wanted["json_file"], writer(values + "\n")))
    if wanted["report"] is not None:
        from flatten.pictures.tune import tune_page  # noqa: PLC0415

        jobs.append((wanted["report"], writer(tune_page(told, [str(path) for path in clouds]))))
    if jobs:
        write_all(jobs, wanted["overwrite"])


def new_profile(told: Tuned, profile_path: Path) -> str:
    """Give the text of the profile with the slices in it."""
    from flatten.profile.lines import read_text  # noqa: PLC0415
    from flatten.tuning.profile_text import with_slices  # noqa: PLC0415

    changed = {name: told.after.slices[name] for name in told.names if name in told.after.slices}
    return with_slices(read_text(profile_path), str(profile_path), changed)


def writer(text: str) -> Any:
    """Make what fills a file with a text."""

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(text.encode("utf-8", "replace"))

    return fill
