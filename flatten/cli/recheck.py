"""`flatten recheck`: does a profile still hold, after a remount or a hard day."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from flatten.cli.carried import Ways
from flatten.cli.options import (
    FILE,
    attitude_of,
    attitude_options,
    most_option,
    profile_option,
    quiet_option,
    read_profile,
    set_option,
)
from flatten.cli.recordings import Shots, recording_options
from flatten.cli.running import Running
from flatten.cli.terminal import progress, say, warn

if TYPE_CHECKING:
    from flatten.profile import Profile
    from flatten.tuning.recheck import Rechecked

Command = TypeVar("Command", bound=Callable[..., Any])

MOST_CLOUDS = 60
"""Of a longer recording so many clouds are looked at."""
PASSED, FAILED, UNTOLD = 0, 1, 2
SHARE = click.FloatRange(0.0, 1.0)


def limit(name: str, default: float, metavar: str, text: str) -> Callable[[Command], Command]:
    """Add an option that says how much may have changed."""
    kind = SHARE if metavar == "SHARE" else click.FloatRange(0.0, 1000.0, min_open=True)
    return click.option(name, type=kind, metavar=metavar, default=default, show_default=True, help=text)


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@click.option(
    "--poses", type=FILE, metavar="FILE",
    help="Poses of the body, a line each, t tx ty tz qx qy qz qw. Default: those in the recording.",
)  # fmt: skip
@recording_options
@most_option(MOST_CLOUDS)
@limit("--tilt", 0.25, "DEG", "Roll and pitch may have changed by so much, degrees.")
@limit("--shift", 0.02, "M", "The sensor's height may have changed by so much, metres.")
@limit("--turn", 1.0, "DEG", "Yaw may have changed by so much, degrees.")
@limit("--leak", 0.005, "SHARE", "Into so many of a slice's bins the floor may get, 0 to 1.")
@limit(
    "--missed", 0.02, "SHARE", "So much more of what must be seen may be missed than by the mount as it is."
)
@limit("--bare", 0.5, "N", "So many own returns a cloud may lie outside of all blind zones.")
@click.option("--json", "as_json", is_flag=True, help="Print plain values (metres, degrees) and no words.")
@attitude_options
@set_option
@quiet_option
@click.pass_context
def recheck(context: click.Context, /, clouds: tuple[Path, ...], profile_path: Path, **wanted: Any) -> int:
    """Check that a profile still holds, after a remount or a hard day.

    Record half a minute, best a drive with poses past walls and benches on flat floor, and give it: an MCAP
    file, a bag, a folder of clouds or cloud files. The same is measured as when the profile was made: how
    the sensor sits (roll, pitch, height; yaw on a drive with poses), how much floor gets into the slices and
    what they miss, and whether the robot shows anything outside of its blind zones. Told is what has changed,
    how surely, and from which distance on it matters.

    Without poses the robot must stand level on flat floor (else say how it leans: --roll, --pitch); then only
    what lies in its declared hull is known to be its own. What cannot be measured as well as the limits
    ask is refused in one line. Lengths are metres, angles degrees. Nothing is written.

    Exit codes: 0 the profile holds, 1 it does not, 2 that cannot be told (or not a command line).

    \b
    Examples:
      flatten recheck drive.mcap --profile rover.yaml
      flatten recheck drive.mcap -p rover.yaml --tilt 0.5 --shift 0.03
      flatten recheck stand/*.pcd -p rover.yaml --json
    """  # noqa: D301
    context.ensure_object(Running).input_failed = UNTOLD  # 1 is an answer here
    profile = read_profile(profile_path, wanted["settings"])
    found = _find(clouds, profile, wanted)
    from flatten.tuning import recheck_words  # noqa: PLC0415

    if wanted["as_json"]:
        click.echo(json.dumps(recheck_words.plain(found), indent=2, ensure_ascii=False))
    else:
        click.echo(recheck_words.report(found))
    return PASSED if found.passes else FAILED


def _find(paths: tuple[Path, ...], profile: Profile, wanted: dict[str, Any]) -> Rechecked:
    """Read the clouds, and hold the profile against them."""
    from flatten.tuning.recheck import Allowed, Rechecker  # noqa: PLC0415

    allowed = Allowed(
        math.radians(wanted["tilt"]), wanted["shift"], math.radians(wanted["turn"]), wanted["leak"],
        wanted["missed"], wanted["bare"],
    )  # fmt: skip
    attitude = attitude_of(wanted["roll"], wanted["pitch"])
    with Shots(paths, **wanted) as shots:
        ways = Ways.of(shots, profile, wanted["poses"], wanted, of_mount=True)
        if attitude is not None and ways.trajectory is not None:
            raise click.UsageError("the poses tell how the body leans: leave --roll and --pitch out")
        chosen = ways.known(shots.evenly(wanted["most"]))
        if len(shots) > wanted["most"] and not wanted["quiet"]:
            say("note", f"{wanted['most']} of {len(shots)} clouds are looked at, evenly spaced")
        with progress("looking at", Rechecker.steps(len(chosen)), wanted["quiet"]) as step:
            rechecker = Rechecker(profile, allowed, attitude=attitude, step=step)
            for shot in chosen:
                cloud = shot.read()
                rechecker.look(cloud, shot.name, ways.motion(shot, cloud, middle=True), ways.pose(shot))
            found = rechecker.find()
        warn(shots.faults, wanted["quiet"])
    return found
