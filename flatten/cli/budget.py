"""`flatten budget`: what flattening costs on this board, and whether it fits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flatten.cli.options import (
    FILE,
    overwrite_option,
    quiet_option,
    read_profile,
    set_option,
    warn_of,
    words_of,
)
from flatten.cli.targets import refuse_existing
from flatten.cli.terminal import progress, say

if TYPE_CHECKING:
    from flatten.cloud import Cloud

FIELDS = (
    "ranges", "states", "bearings", "heights", "intensities", "hits", "kinds", "ages", "clear_from",
    "clear_to",
)  # fmt: skip
"""As `flatten.scan.FIELDS`; written here so that --help stays quick."""
JSON, PICTURE, STARTUP = "budget.json", "budget.png", "startup.json"
TICKS = 50


@click.command()
@click.argument("more", type=FILE, nargs=-1, metavar="[CLOUD...]")
@click.option(
    "--profile", "-p", "profile_path", type=FILE, metavar="FILE", help="Profile (YAML) to measure with."
)
@click.option(
    "--cloud",
    "-c",
    "clouds",
    type=FILE,
    multiple=True,
    metavar="CLOUD...",
    help="Clouds that your sensor recorded, files or folders; they come round again and again.",
)
@click.option("--rate", type=float, default=10.0, show_default=True, metavar="HZ", help="Frames a second.")
@click.option(
    "--share", type=float, default=0.10, show_default=True, help="Share of one core that it may take."
)
@click.option(
    "--frames",
    type=click.IntRange(1, 1_000_000),
    default=1000,
    show_default=True,
    metavar="N",
    help="Frames of each round; a worst case wants 1,000 or more.",
)
@click.option(
    "--fields",
    callback=words_of(*FIELDS),
    default=",".join(FIELDS),
    metavar="WORDS",
    help="Arrays that your node asks for, ranges among them. Default: all.",
)
@click.option(
    "--loaded", is_flag=True, help="Measure once more while every core is kept busy, as odometry does."
)
@click.option(
    "--moving",
    is_flag=True,
    help="Let every frame come with poses at 100 Hz, as of a body that moves; with window: it does anyway.",
)
@click.option(
    "--startup", is_flag=True, help="Measure what a start costs instead; needs no profile, no cloud."
)
@click.option(
    "--out",
    "-o",
    "folder",
    type=FILE,
    default="flatten-budget",
    show_default=True,
    metavar="DIR",
    help="Folder for JSON and picture; made if need be.",
)
@set_option
@overwrite_option
@quiet_option
@click.pass_context
def budget(context: click.Context, /, folder: Path, overwrite: bool, quiet: bool, **wanted: Any) -> None:
    """Measure on your board what flattening costs.

    Flattens your clouds by your profile, times each stage of each frame and says whether that fits the
    share of one core that you grant: with room, barely, or not; which stages take the time (motion, a
    window of frames and a fitted floor are stages of their own), and what leaner ways (fewer slices, a
    coarser fan, a thinner cloud, no window, fewer fields) would cost, all of it measured. Milliseconds;
    --rate is frames a second, --share a part of 1. Writes DIR/budget.json and a picture, DIR/budget.png
    (desk extra).

    Run it on the board, in its housing, as warm as it gets, with all that else runs there. Never on a
    robot that drives: --loaded takes every core. Ctrl-C stops it, and the load with it.

    \b
    Examples:
      flatten budget --profile rover.yaml --cloud aisle.pcd
      flatten budget -p rover.yaml --cloud nursery/ --rate 20 --share 0.15 --loaded -o board
      flatten budget --startup --out board
    """  # noqa: D301
    if wanted["startup"]:
        _measure_startup(folder, overwrite, quiet)
        return
    paths = (*wanted["clouds"], *wanted["more"])
    if wanted["profile_path"] is None or not paths:
        missing = "--profile" if wanted["profile_path"] is None else "--cloud"
        raise click.UsageError(f"missing {missing}: what is measured with your profile and clouds", context)
    _measure(paths, folder, overwrite, quiet, wanted)


def _measure(
    paths: tuple[Path, ...], folder: Path, overwrite: bool, quiet: bool, wanted: dict[str, Any]
) -> None:
    from flatten import budget as measuring  # noqa: PLC0415 - costs the compiler
    from flatten import jobs  # noqa: PLC0415

    limits = measuring.Limits(wanted["rate"], wanted["share"])
    profile = read_profile(wanted["profile_path"], wanted["settings"])
    warn_of(profile, None, quiet)
    clouds = _read(paths)
    measuring.check_wanted(clouds, wanted["frames"], wanted["fields"])
    _reserve(folder, (JSON, PICTURE), overwrite)
    how = {name: wanted[name] for name in ("frames", "fields", "loaded", "moving")}
    with _ticking("measuring", measuring.steps(profile, **how), quiet) as step:
        found = measuring.measure(profile, clouds, limits, step=step, **how)
    measuring.write_json(folder / JSON, measuring.to_dict(found), overwrite=overwrite)
    click.echo("\n".join(measuring.words(found)))
    click.echo(f"figures: {folder / JSON}")
    if not jobs.can_draw():
        say("note", "no picture: it needs matplotlib, pip install 'flatten[desk]'")
        return
    from flatten.pictures import save_latency  # noqa: PLC0415 - the drawing library, only where asked for

    save_latency(folder / PICTURE, found, overwrite=overwrite)
    click.echo(f"picture: {folder / PICTURE}")


def _measure_startup(folder: Path, overwrite: bool, quiet: bool) -> None:
    from flatten import budget as measuring  # noqa: PLC0415

    _reserve(folder, (STARTUP,), overwrite)
    with progress("starting", measuring.startup_steps(), quiet, even=False) as step:
        found = measuring.measure_startup(step=step)
    measuring.write_json(folder / STARTUP, measuring.startup_to_dict(found), overwrite=overwrite)
    click.echo("\n".join(measuring.startup_words(found)))
    click.echo(f"figures: {folder / STARTUP}")


def _read(paths: tuple[Path, ...]) -> list[Cloud]:
    from flatten.files import find_clouds, read_cloud  # noqa: PLC0415

    return [read_cloud(path) for path in find_clouds(paths)]


def _reserve(folder: Path, names: tuple[str, ...], overwrite: bool) -> None:
    """Make the folder, and refuse before anything is measured what could not be written afterwards."""
    from flatten.jobs import make_folder  # noqa: PLC0415

    refuse_existing((folder / name for name in names), overwrite)
    make_folder(folder)


@contextmanager
def _ticking(words: str, steps: int, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show progress over very many steps: the bar moves, and draws itself, a few dozen times only."""
    done = shown = 0
    with progress(words, TICKS, quiet) as tick:

        def step(name: str) -> None:
            nonlocal done, shown
            done += 1
            while shown < TICKS * done // steps:
                shown += 1
                tick(name)

        yield step
