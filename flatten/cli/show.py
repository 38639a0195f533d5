"""`flatten show`: one cloud as a picture, and its scans in a few lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
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
    warn_of,
)
from flatten.cli.recordings import Shots, motion_option, mount_matrix, recording_options
from flatten.cli.terminal import status, warn

if TYPE_CHECKING:
    from flatten.jobs import Taken
    from flatten.profile import Profile
    from flatten.scan import Scan

VIEWS = ("both", "plan", "elevation")


@click.command()
@click.argument("cloud", type=FILE)
@profile_option
@click.option(
    "--out",
    "-o",
    "picture",
    type=FILE,
    metavar="FILE",
    help="The picture: .png, .svg or .pdf. Default: the cloud's name with .png, in this folder.",
)
@click.option(
    "--view",
    type=click.Choice(VIEWS),
    default="both",
    show_default=True,
    help="plan: from above; elevation: from the side.",
)
@click.option(
    "--slice",
    "slices",
    multiple=True,
    metavar="NAME",
    help="Slice to draw; several times for several. Default: all.",
)
@click.option(
    "--cloud", "number", type=click.IntRange(0), metavar="N",
    help="Which cloud of a recording, from 0. Default: the one in the middle.",
)  # fmt: skip
@recording_options
@motion_option
@attitude_options
@set_option
@overwrite_option
@quiet_option
def show(
    cloud: Path,
    profile_path: Path,
    picture: Path | None,
    view: str,
    slices: tuple[str, ...],
    roll: float | None,
    pitch: float | None,
    settings: tuple[str, ...],
    overwrite: bool,
    quiet: bool,
    **wanted: Any,
) -> None:
    """Show what becomes of one cloud.

    Draws the cloud, the slices and what every bin of the scans says, and prints a short summary:
    bins by state, and where the nearest HIT is. Only the picture is written. Lengths are metres;
    --roll and --pitch are degrees (nose down and left side up are positive).

    CLOUD is a cloud file, or a recording of which one cloud is taken (--cloud), leaning and moving as
    the recording's poses tell.

    HIT: something is there. CLEAR: beams witnessed the way free. TOO_NEAR: nearer than the reach.
    BLOCKED: the robot itself is in the way. UNSEEN: nothing is known, so nothing is promised.

    With `level: floor` the fitted floor is drawn too: its heights from above, where it is not known, edges,
    and a cut along the robot with the slices riding on it.

    \b
    Examples:
      flatten show aisle.pcd -p rover.yaml
      flatten show drive.mcap -p rover.yaml --cloud 120
      flatten show ramp_toe.pcd -p rover.yaml --view elevation --slice drive
      flatten show pitched.pcd -p rover.yaml --roll 2 --pitch 5 --out level.png
    """  # noqa: D301
    from flatten import jobs  # noqa: PLC0415 - costs the compiler
    from flatten.flattener import Flattener  # noqa: PLC0415

    profile = read_profile(profile_path, settings)
    attitude = attitude_of(roll, pitch)
    warn_of(profile, attitude, quiet)
    title, taken = _taken(cloud, attitude, profile, quiet, wanted)
    returns, attitude = taken.cloud, taken.attitude
    target = picture or Path(f"{title}.png")
    with status("flattening", quiet):
        flattener = Flattener(profile)
        scans = flattener.flatten(returns, attitude, taken.motion)
    if flattener.floor is not None and flattener.floor.doubt:
        warn([flattener.floor.doubt], quiet)
    with status("drawing", quiet):
        jobs.draw(
            target, returns, scans, profile, attitude,
            title=title, slices=slices or None, view=view, overwrite=overwrite,
            floor=flattener.floor,
        )  # fmt: skip
    click.echo(summary(scans))
    click.echo(f"picture: {target}")


def _taken(
    path: Path, attitude: tuple[float, float] | None, profile: Profile, quiet: bool, wanted: dict[str, Any]
) -> tuple[str, Taken]:  # fmt: skip
    """Read the cloud: a file, or one of a recording, by whose poses the body leaned and moved."""
    from flatten.errors import RecordingError  # noqa: PLC0415
    from flatten.files import read_cloud  # noqa: PLC0415
    from flatten.jobs import Taken  # noqa: PLC0415
    from flatten.recordings.opening import is_recording  # noqa: PLC0415

    if not is_recording(path) and wanted["number"] is None and wanted["topic"] is None:
        return path.stem, Taken(read_cloud(path), attitude)
    with Shots([path], **wanted) as shots:
        number = len(shots) // 2 if wanted["number"] is None else wanted["number"]
        if number >= len(shots):
            raise RecordingError(f"{path}: has {len(shots)} clouds: --cloud is at most {len(shots) - 1}")
        shot = shots.all[number]
        taken = shot.taken(mount_matrix(profile), not wanted["no_motion"] and attitude is None)
        warn(shots.faults, quiet)
        if attitude is not None:
            taken = replace(taken, attitude=attitude)
        return shot.name.replace(":", "_"), taken


def summary(scans: Mapping[str, Scan]) -> str:
    """Describe scans in a few lines of about 80 columns: returns, bins by state, the nearest HIT."""
    from flatten.pictures.bins import nearest_hit, state_counts  # noqa: PLC0415
    from flatten.pictures.words import bearing_words  # noqa: PLC0415
    from flatten.scan import State  # noqa: PLC0415

    counts = next(iter(scans.values())).counts
    order = (State.HIT, State.CLEAR, State.TOO_NEAR, State.BLOCKED, State.UNSEEN)
    width = max(5, *map(len, scans))
    lines = [
        f"{counts.returns:,} returns; {counts.skipped:,} of them not finite or zero, "
        f"{counts.swallowed:,} in blind zones",
        f"{'slice':{width}}" + "".join(f"{state.name:>9}" for state in order) + "  nearest HIT",
    ]
    for name, scan in scans.items():
        bins, nearest = state_counts(scan) or {}, nearest_hit(scan)
        where = "none" if nearest is None else f"{nearest[0]:.2f} m {bearing_words(nearest[1])}"
        lines.append(
            f"{name:{width}}" + "".join(f"{bins.get(state, 0):9,}" for state in order) + f"  {where}"
        )
    return "\n".join(lines)
