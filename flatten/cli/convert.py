"""`flatten convert`: many clouds to files of scans."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
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
    words_of,
)
from flatten.cli.recordings import Shot, Shots, motion_option, mount_matrix, recording_options
from flatten.cli.running import FAULT, INPUT, Running
from flatten.cli.targets import jobs_option, results_option
from flatten.cli.terminal import count, progress, say, warn

if TYPE_CHECKING:
    from flatten.jobs import Order, Outcome, Taken

FORMATS = ("npz", "csv", "json", "fields")
"""As `flatten.files.scan_formats()` lists them; written here so that --help stays quick."""


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@results_option
@click.option(
    "--format",
    "-f",
    "formats",
    callback=words_of(*FORMATS),
    default="npz",
    show_default=True,
    metavar="WORDS",
    help="One or several of npz, csv, json, fields, with commas between. npz: every array, to load with "
    "numpy. csv: one table. json: one text. fields: the values of a planar-scan message, a file a slice.",
)
@recording_options
@motion_option
@attitude_options
@set_option
@jobs_option
@click.option(
    "--pictures", is_flag=True, help="Also draw each cloud and its scans (PNG). Needs the desk extra."
)
@overwrite_option
@quiet_option
@click.pass_obj
def convert(
    running: Running,
    /,
    clouds: tuple[Path, ...],
    profile_path: Path,
    folder: Path,
    formats: tuple[str, ...],
    roll: float | None,
    pitch: float | None,
    settings: tuple[str, ...],
    jobs: int,
    pictures: bool,
    overwrite: bool,
    quiet: bool,
    **wanted: Any,
) -> int:
    """Convert clouds to scans, many at once.

    CLOUD is a file (PCD, PLY, LAS, LAZ, NPY, NPZ, KITTI .bin, XYZ or CSV text), a folder of such
    files, or a recording of messages (its clouds are numbered). Each becomes DIR/<its name>.npz and so
    on, with the effective profile and the version of flatten inside. Ranges are metres, angles in the
    results radians; --roll and --pitch are degrees.

    Poses in a recording tell how the body leaned, and where the returns have times the motion within a
    frame is taken out (--no-motion: it is out already). With `level: gravity` clouds outside of the
    poses are left out.

    One profile holds for one mount: clouds of another sensor, or of the same one remounted, need their own.

    One bad file does not stop the others: the summary at the end says which failed and why, and the
    exit code is then 1. Nothing is half written, nothing is written over without --overwrite.

    \b
    Examples:
      flatten convert aisle.pcd -p rover.yaml --out scans
      flatten convert nursery/ -p rover.yaml --out scans --format npz,csv --jobs 4
      flatten convert drive.mcap -p rover.yaml --out scans
      flatten convert ramp.pcd -p rover.yaml --out scans --pitch 4.8 --set reach.far=12
    """  # noqa: D301 - the mark keeps click from joining lines
    from flatten import jobs as work  # noqa: PLC0415 - costs the compiler
    from flatten.recordings.opening import is_recording  # noqa: PLC0415

    profile = read_profile(profile_path, settings)
    attitude = attitude_of(roll, pitch)
    warn_of(profile, attitude, quiet)
    order = work.Order(profile, folder, formats, attitude, pictures, overwrite)
    recordings = [path for path in clouds if is_recording(path)]
    found, failed = work.gather_clouds(path for path in clouds if path not in recordings)
    outcomes = [*failed, *_convert(found, order, jobs, quiet)]
    if recordings and jobs > 1 and not quiet:
        say("note", "recordings are converted in one process, whatever --jobs says")
    for path in recordings:
        outcomes += _convert_recording(path, order, wanted, quiet)
    warn((outcome.doubt for outcome in outcomes if outcome.doubt), quiet)
    return _summary(outcomes, order, running.debug)


def _convert(clouds: Sequence[Path], order: Order, jobs: int, quiet: bool) -> list[Outcome]:
    from flatten import jobs as work  # noqa: PLC0415

    if not clouds:
        return []
    work.prepare(clouds, order)
    done = {}
    with (
        progress("converting", len(clouds), quiet) as step,
        closing(work.convert(clouds, order, jobs)) as outcomes,
    ):
        for outcome in outcomes:
            done[outcome.cloud] = outcome
            step(outcome.cloud.name)
    return [done[cloud] for cloud in clouds]


def _convert_recording(path: Path, order: Order, wanted: dict[str, Any], quiet: bool) -> list[Outcome]:
    """Convert the clouds of a recording, one after the other, by its poses."""
    from flatten import jobs as work  # noqa: PLC0415
    from flatten.errors import FlattenError  # noqa: PLC0415
    from flatten.flattener import Flattener  # noqa: PLC0415

    try:
        with Shots([path], **wanted) as shots:
            trajectory = shots.trajectory
            warn([] if trajectory is None else trajectory.told, quiet)
            names = {numbered(path, shot): shot for shot in shots}
            if trajectory is not None and order.profile.level == "gravity" and order.attitude is None:
                names = {name: shot for name, shot in names.items() if shot.pose() is not None}
                if len(names) < len(shots):
                    warn([f"{path}: {len(shots) - len(names)} clouds are left out: no poses there"], quiet)
            work.prepare(list(names), order)
            flattener = Flattener(order.profile)
            outcomes = []
            with progress("converting", len(names), quiet) as step:
                for name, shot in names.items():
                    take = taking(shot, order, wanted["no_motion"])
                    outcomes.append(work.attempt(name, order, flattener, take))
                    step(shot.name)
            warn(shots.faults, quiet)
            return outcomes
    except FlattenError as error:
        return [work.Outcome(path, error=str(error))]


def numbered(path: Path, shot: Shot) -> Path:
    """Name a cloud of a recording after it and its number: drive_000012."""
    number = 0 if shot.mark is None else shot.mark.index
    return path.with_name(f"{path.stem}_{number:06d}{path.suffix}")


def taking(shot: Shot, order: Order, no_motion: bool) -> Callable[[], Taken]:
    """Make what reads a cloud of a recording; an attitude that was given stands above its poses."""

    def take() -> Taken:
        taken = shot.taken(mount_matrix(order.profile), not no_motion and order.attitude is None)
        return taken if order.attitude is None else replace(taken, attitude=order.attitude)

    return take


def _summary(outcomes: Sequence[Outcome], order: Order, debug: bool) -> int:
    """Say what became of all clouds: failures on stderr, a line each."""
    failed = [outcome for outcome in outcomes if outcome.error]
    written = sum(len(outcome.written) for outcome in outcomes)
    kinds = ", ".join((*order.formats, *(("png",) if order.pictures else ())))
    good = len(outcomes) - len(failed)
    words = f"converted {good} of {count(len(outcomes), 'cloud')}"
    words += f": {count(written, 'file')} ({kinds}) in {order.folder}" if good else ""
    click.echo(words + (f"; {len(failed)} failed" if failed else ""))
    for outcome in failed:
        if debug and outcome.trace:
            click.echo(outcome.trace, err=True)
        say("flatten", outcome.error)
    if any(outcome.trace for outcome in failed):
        return FAULT
    return INPUT if failed else 0
