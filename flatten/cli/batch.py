"""`flatten batch`: whole recordings to recordings of scans."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from flatten.cli.options import (
    FILE,
    overwrite_option,
    profile_option,
    quiet_option,
    read_profile,
    set_option,
)
from flatten.cli.recordings import recording_options
from flatten.cli.running import FAULT, INPUT, Running
from flatten.cli.targets import jobs_option, results_option
from flatten.cli.terminal import count, progress, say, warn

if TYPE_CHECKING:
    from flatten.batch import Outcome
    from flatten.recordings.pose_choice import Whose

FORMATS = ("mcap", "bag", "npz")
"""As `flatten.batch.FORMATS`; written here so that --help stays quick."""
MOST_TOLD = 5
"""Reasons of skipped clouds, and faults of an input, that are told on the screen; the manifest has all."""


@click.command()
@click.argument("recordings", type=FILE, nargs=-1, required=True, metavar="RECORDING...")
@profile_option
@results_option
@click.option(
    "--format",
    "-f",
    "form",
    type=click.Choice(FORMATS),
    default="mcap",
    show_default=True,
    help="mcap: one file. bag: a folder with sqlite3 storage. npz: a folder of arrays, some seconds a file.",
)
@set_option
@recording_options
@click.option(
    "--poses", type=FILE, metavar="FILE", help="A file of poses, instead of those in the recording."
)
@click.option(
    "--corrected",
    is_flag=True,
    help="The clouds have the sensor's motion taken out already: times of their returns are left alone.",
)
@click.option("--frame", default="fan", show_default=True, metavar="NAME", help="Name of the scans' frame.")
@click.option(
    "--parent",
    default="base_footprint",
    show_default=True,
    metavar="NAME",
    help="Frame that the scans' frame is fixed to: on the floor under the body, upright.",
)
@jobs_option
@click.option(
    "--dask",
    "cluster",
    metavar="ADDRESS",
    help="Scheduler of a Dask cluster that does the work, such as tcp://10.0.0.5:8786. Its workers must see "
    "recordings and DIR by the same paths.",
)
@overwrite_option
@quiet_option
@click.pass_obj
def batch(
    running: Running, recordings: tuple[Path, ...], profile_path: Path, folder: Path, form: str,
    settings: tuple[str, ...], topic: str | None, poses_topic: str | None, poses_of: Whose | None,
    poses: Path | None, corrected: bool, frame: str, parent: str, jobs: int, cluster: str | None,
    overwrite: bool, quiet: bool,
) -> int:  # fmt: skip
    """Flatten whole recordings to recordings of scans.

    RECORDING is an MCAP file, a bag of either generation, or a folder of cloud files. A day's drive becomes
    DIR/<its name>.mcap: for each slice the topic /scans/SLICE of planar scans with the clouds' stamps, and
    /scans/SLICE/bins with all that the bins say; the transform of the fan; the poses as they were.

    Poses in the recording (or --poses) take out the motion within each cloud and the attitude, and bring the
    frames of a window together. A cloud that they do not cover is skipped and told.

    Stop it whenever you like, or let the power fail: the same command again goes on where it stopped, and
    the result is the same to the byte. DIR/<name>.manifest.json tells inputs with digests, profile, versions,
    counts, states and what was skipped, and why; DIR/<name>.run.json how the run went. One bad recording
    does not stop the others; the exit code is then 1.

    \b
    Examples:
      flatten batch monday.mcap tuesday.mcap -p rover.yaml --out scans --jobs 4
      flatten batch drive/ -p rover.yaml --out scans --format npz --set window.frames=5
      flatten batch /data/*.mcap -p rover.yaml --out /data/scans --dask tcp://10.0.0.5:8786
    """  # noqa: D301 - the mark keeps click from joining lines
    from flatten.batch import Batch, Order  # noqa: PLC0415 - costs the compiler

    profile = read_profile(profile_path, settings)
    warn(profile.warnings, quiet)
    order = Order(
        profile, folder, form, topic, poses, poses_topic, poses_of, corrected, frame, parent, overwrite
    )  # fmt: skip
    work = Batch(recordings, order)
    warn((f"{each.plan.source}: {words}" for each in work.works for words in each.plan.remarks), quiet)
    with progress("flattening", work.clouds, quiet) as step:
        outcomes = list(work.run(jobs, cluster, _rated(step)))
    return _summary(outcomes, running.debug, quiet)


def _rated(step: Callable[[str, int], None]) -> Callable[[int, str], None]:
    """Tell the bar how many clouds are done, and of which recording at what rate."""
    begun, done = time.monotonic(), 0

    def tell(clouds: int, name: str) -> None:
        nonlocal done
        done += clouds
        step(f"{name}, {done / max(time.monotonic() - begun, 1e-9):.0f} clouds/s", clouds)

    return tell


def _summary(outcomes: Sequence[Outcome], debug: bool, quiet: bool) -> int:
    """Say what became of all recordings: a line each, what is wrong on stderr."""
    for outcome in outcomes:
        if outcome.error:
            if debug and outcome.trace:
                click.echo(outcome.trace, err=True)
            say("flatten", outcome.error)
            continue
        told = outcome.manifest or {}
        skipped = told.get("skipped", [])
        words = f"{outcome.result}: {count(told.get('flattened', 0), 'cloud')} flattened"
        words += f", {len(skipped):,} skipped" if skipped else ""
        words += "; finished by an earlier run" if outcome.earlier else ""
        words += f"; {count(outcome.kept, 'piece')} of an earlier run kept" if outcome.kept else ""
        click.echo(words)
        _warn_of(outcome, quiet)
    failed = [outcome for outcome in outcomes if outcome.error]
    good = len(outcomes) - len(failed)
    if len(outcomes) > 1:
        click.echo(
            f"{good} of {count(len(outcomes), 'recording')}" + (f"; {len(failed)} failed" if failed else "")
        )
    if any(outcome.trace for outcome in failed):
        return FAULT
    return INPUT if failed else 0


def _warn_of(outcome: Outcome, quiet: bool) -> None:
    """Tell why clouds were skipped and what is damaged, in few lines."""
    told = outcome.manifest or {}
    reasons: dict[str, int] = {}
    for each in told.get("skipped", []):
        reasons[each["why"]] = reasons.get(each["why"], 0) + 1
    lines = [f"{count(number, 'cloud')} skipped: {why}" for why, number in reasons.items()]
    lines += told.get("input", {}).get("faults", [])
    more = len(lines) - MOST_TOLD
    shown = lines[:MOST_TOLD] + ([f"{more} more in the manifest"] if more > 0 else [])
    warn((f"{outcome.source}: {line}" for line in shown), quiet)
