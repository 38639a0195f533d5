"""`flatten blind`: blind zones for what the sensor sees of its own robot."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatten.cli.options import (
    FILE,
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
from flatten.cli.terminal import progress, say, status, warn

if TYPE_CHECKING:
    from flatten.profile import Profile
    from flatten.tuning.blind import Blind

MOST_CLOUDS = 120
"""Of a longer recording evenly spaced clouds are looked at."""


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@tuned_option("the zones")
@click.option("--replace", is_flag=True, help="Leave the profile's own zones out. Default: they stay.")
@click.option(
    "--margin",
    type=click.FloatRange(0.005, 0.5),
    metavar="M",
    default=0.03,
    show_default=True,
    help="Metres left around own returns: three times the sensor's range noise.",
)
@click.option(
    "--reach",
    type=click.FloatRange(0.0, 2.0),
    metavar="M",
    default=0.3,
    show_default=True,
    help="Metres beyond the declared hull in which own parts are looked for; nothing farther off counts.",
)
@click.option(
    "--most-hidden",
    type=click.FloatRange(0.0, 1.0),
    metavar="SHARE",
    default=0.4,
    show_default=True,
    help="A zone that leaves more of a slice's bins BLOCKED, which told something without it, is left out.",
)
@click.option("--with-moving", is_flag=True, help="Zones also around all that parts which move have swept.")
@click.option(
    "--poses",
    type=FILE,
    metavar="FILE",
    help="Poses, a line each, t tx ty tz qx qy qz qw: they settle whether the robot moved. Default: those in "
    "the recording, if there are some.",
)
@recording_options
@most_option(MOST_CLOUDS)
@click.option(
    "--picture", type=FILE, metavar="FILE", help="Draw it from above and from the side: .png, .svg or .pdf."
)
@click.option("--json", "as_json", is_flag=True, help="Print plain values (metres, degrees) and no words.")
@set_option
@overwrite_option
@quiet_option
def blind(clouds: tuple[Path, ...], profile_path: Path, **wanted: Any) -> None:
    """Find what the sensor sees of its own robot, and propose blind zones.

    Record while the robot drives and turns, 30 clouds or more, and give them, as files, as a folder or as a
    recording of messages: what keeps its place in the
    body frame while the surroundings change is the robot. A robot that stands still by a wall sees both
    keep their place: then only what lies in the declared hull counts, so stand in the open.

    Own returns are covered by a few boxes, cylinders and sectors. For each you are told how many returns
    it removes and what it hides, by flattening clouds with it and without. Parts that move (an arm, a
    trailer) are told apart and get no zone unless asked for. Look at the picture before you drive by it:
    what is inside a zone is never reported, a hand neither. Lengths are metres.

    \b
    Examples:
      flatten blind drive/ --profile rover.yaml --out tuned.yaml --picture own.png
      flatten blind drive.mcap -p rover.yaml --replace --margin 0.05
      flatten blind yard.pcd -p rover.yaml --json
    """  # noqa: D301
    profile = read_profile(profile_path, wanted["settings"])
    refuse_existing((wanted["target"], wanted["picture"]), wanted["overwrite"])
    found = _find(clouds, profile, wanted)
    # written before anything is printed: a pipe that closes early does not cost the file
    if wanted["target"] is not None:
        _write(profile_path, found, wanted)
    if wanted["picture"] is not None:
        _draw(profile, found, wanted)
    from flatten.tuning import blind_words  # noqa: PLC0415

    warn(blind_words.warnings(found), wanted["quiet"])

    if wanted["as_json"]:
        click.echo(json.dumps(blind_words.plain(found), indent=2, ensure_ascii=False))
        return
    click.echo(blind_words.report(found))
    for kind, place in (("profile", wanted["target"]), ("picture", wanted["picture"])):
        if place is not None:
            click.echo(f"{kind}: {place}")


def _find(paths: tuple[Path, ...], profile: Profile, wanted: dict[str, Any]) -> Blind:
    """Read the clouds, a cloud a step, and find the zones."""
    from flatten.tuning.blind import BlindFinder  # noqa: PLC0415

    with Shots(paths, **wanted) as shots:
        found = shots.evenly(wanted["most"])
        if len(found) < len(shots) and not wanted["quiet"]:
            say("note", f"{len(found)} of {len(shots)} clouds are looked at, evenly spaced")
        path = shots.trajectory if wanted["poses"] is None else given_trajectory(wanted["poses"], wanted)
        if path is not None:
            warn(path.told, wanted["quiet"])
        finder = BlindFinder(
            profile,
            reach=wanted["reach"],
            poses=motion_of(path),
            replace=wanted["replace"],
            clouds=len(found),
        )
        with progress("looking at", len(found), wanted["quiet"]) as step:
            for shot in found:
                finder.look(shot.read(), shot.name)
                step(shot.name)
        warn(shots.faults, wanted["quiet"])
    with status("trying zones out", wanted["quiet"]):
        return finder.find(
            margin=wanted["margin"], most_hidden=wanted["most_hidden"], with_moving=wanted["with_moving"]
        )


def _write(profile_path: Path, found: Blind, wanted: dict[str, Any]) -> None:
    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.profile.lines import read_text  # noqa: PLC0415
    from flatten.tuning.zones_text import with_zones  # noqa: PLC0415

    new = found.zones[len(found.kept) :]
    made = with_zones(read_text(profile_path), str(profile_path), found.kept, new)

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(made.encode())

    write_all([(wanted["target"], fill)], wanted["overwrite"])


def _draw(profile: Profile, found: Blind, wanted: dict[str, Any]) -> None:
    from flatten.pictures import save_blind  # noqa: PLC0415 - the drawing library

    with status("drawing", wanted["quiet"]):
        save_blind(
            wanted["picture"], profile.model_copy(update={"blind_zones": found.zones}), found.own.returns,
            found.own.others, [part.returns for part in found.own.parts], overwrite=wanted["overwrite"],
        )  # fmt: skip
