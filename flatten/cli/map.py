"""`flatten map`: occupancy grids from scans and poses; `flatten floorplan`: one from a registered cloud."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from flatten.cli.options import FILE, overwrite_option, quiet_option, read_profile, set_option
from flatten.cli.recordings import recording_options
from flatten.cli.targets import refuse_existing
from flatten.cli.terminal import progress, status, warn

if TYPE_CHECKING:
    from flatten.files.writing import Job
    from flatten.mapping.making import Made
    from flatten.occupancy import OccupancyMap
    from flatten.profile import Profile

Command = TypeVar("Command", bound=Callable[..., Any])

BARE = ("nothing", "hits", "all")
"""As `flatten.mapping.Bare`; written here so that --help stays quick."""
KINDS = ("npz", "png", "pgm", "yaml", "view.png")
"""What is written of a map."""


def _profile_option(required: bool, words: str) -> Callable[[Command], Command]:
    return click.option(
        "--profile", "-p", "profile_path", metavar="FILE", type=FILE, required=required, help=words
    )


_cell_option = click.option(
    "--cell",
    type=click.FloatRange(0.005, 5.0),
    metavar="M",
    default=0.05,
    show_default=True,
    help="Side of a cell, metres.",
)
_slice_option = click.option(
    "--slice",
    "slices",
    multiple=True,
    metavar="NAME",
    help="Slice to map; may be given several times. Default: all.",
)


@click.command("map")
@click.argument("source", type=FILE, required=False)
@_profile_option(False, "Profile: how clouds are flattened; for scans in files, where the fan sits.")
@click.option("--out", "-o", "folder", type=FILE, metavar="DIR", help="Folder for the maps; made if need be.")
@_slice_option
@_cell_option
@click.option(
    "--bare",
    type=click.Choice(BARE),
    default="hits",
    show_default=True,
    help="What bare planar scans free: nothing; hits, the way to a range; all, also the way to the greatest "
    "range where there is +inf. NaN and -inf never free anything. Scans of `flatten` free what they witness.",
)
@click.option(
    "--poses", type=FILE, metavar="FILE", help="A file of poses, instead of those in the recording."
)
@recording_options
@set_option
@click.option(
    "--compare",
    type=FILE,
    nargs=2,
    metavar="A.yaml B.yaml",
    help="Hold two maps against each other instead, by their figures and cell by cell.",
)
@click.option("--picture", type=FILE, metavar="FILE", help="With --compare: draw both, side by side.")
@click.option("--json", "as_json", is_flag=True, help="Print plain values and no words.")
@overwrite_option
@quiet_option
def map_(source: Path | None, **wanted: Any) -> None:
    """Make occupancy grids from scans and poses.

    SOURCE is a recording of clouds (with --profile: flattened on the way), a recording of planar scans, as
    `flatten batch` writes it or of any sensor, or NPZ scans. For each slice DIR gets NAME.png and NAME.pgm,
    NAME.yaml that says what they mean, NAME.npz with all numbers, and NAME.view.png with way and scale.

    Each bin counts for what it says: a HIT occupies its cell and frees what was witnessed on the way; CLEAR
    frees what was witnessed; UNSEEN, BLOCKED and TOO_NEAR free nothing.

    You are told how good the map is: how thick walls are, how undecided it is, what was cleared and is
    occupied in the end; and, where a place was driven by twice, how far the two passes are off. Drift of
    the poses is shown and not mended. With --compare the figures of two maps stand side by side: so a slice
    can be chosen by the map that it gives.

    \b
    Examples:
      flatten map drive.mcap -p rover.yaml --out maps
      flatten map scans/drive.mcap --slice walls --out maps
      flatten map --compare maps/drive.yaml maps/walls.yaml --picture both.png
    """  # noqa: D301 - the mark keeps click from joining lines
    if wanted["compare"]:
        _compare(source, wanted)
        return
    for name, given in (("SOURCE", source), ("--out", wanted["folder"])):
        if given is None:
            raise click.UsageError(f"missing {name}: what to map, and where to")
    if wanted["picture"] is not None:
        raise click.UsageError("--picture goes with --compare: maps have a picture each")
    assert source is not None
    made = _make(source, wanted)
    _write(made, source, wanted)
    _tell(made, wanted)


def _make(source: Path, wanted: dict[str, Any]) -> list[Made]:
    """Open what is there, enter all its scans, and tell what was left out."""
    from flatten.mapping.beams import Bare  # noqa: PLC0415 - costs the compiler
    from flatten.mapping.making import make_maps  # noqa: PLC0415
    from flatten.mapping.sources import Wanted, open_source  # noqa: PLC0415

    profile = None
    if wanted["profile_path"] is not None:
        profile = read_profile(wanted["profile_path"], wanted["settings"])
        warn(profile.warnings, wanted["quiet"])
    asked = Wanted(
        profile=profile, slices=wanted["slices"], topic=wanted["topic"], poses=wanted["poses"],
        poses_topic=wanted["poses_topic"], poses_of=wanted["poses_of"], bare=Bare(wanted["bare"]),
    )  # fmt: skip
    if profile is not None and wanted["slices"]:
        _refuse(wanted, wanted["slices"])
    opened = open_source(source, asked)
    try:
        with progress("mapping", opened.count, wanted["quiet"]) as step:
            made, left_out = make_maps(opened, cell=wanted["cell"], step=lambda: step(source.name))
        told = [f"{count:,} scans left out: {why}" for why, count in left_out.most_common(5)]
        warn([*opened.remarks, *told], wanted["quiet"])
    finally:
        opened.close()
    warn((words for each in made for words in each.warnings()), wanted["quiet"])
    return made


def _refuse(wanted: dict[str, Any], names: tuple[str, ...]) -> None:
    """Say before the work that something is in the way of what is to be written."""
    refuse_existing(
        (wanted["folder"] / f"{name}.{kind}" for name in names for kind in KINDS), wanted["overwrite"]
    )


def _write(made: list[Made], source: Path, wanted: dict[str, Any]) -> None:
    """Write all files of all maps, or none."""
    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.jobs import make_folder  # noqa: PLC0415

    with status("drawing and writing", wanted["quiet"]):
        jobs = [job for each in made for job in _jobs(each, str(source), wanted["folder"])]
        make_folder(wanted["folder"])
        write_all(jobs, wanted["overwrite"])


def _jobs(made: Made, source: str, folder: Path) -> list[Job]:
    from flatten.mapping.map_files import map_jobs  # noqa: PLC0415
    from flatten.mapping.words import view_lines  # noqa: PLC0415
    from flatten.pictures import MapView, map_view_job  # noqa: PLC0415 - the drawing library

    view = MapView(made.map.name, made.map, made.path, view_lines(made.map.figures))
    stem = folder / made.map.name
    return [*map_jobs(stem, made.map, made.path, source), map_view_job(f"{stem}.view.png", [view])]


def _tell(made: list[Made], wanted: dict[str, Any]) -> None:
    from flatten.mapping.map_files import plain  # noqa: PLC0415
    from flatten.mapping.words import report  # noqa: PLC0415

    if wanted["as_json"]:
        click.echo(json.dumps({each.map.name: plain(each.map.figures) for each in made}, indent=2))
        return
    for each in made:
        click.echo(report(each))
        click.echo(f"  {wanted['folder'] / each.map.name}.yaml")


def _compare(source: Path | None, wanted: dict[str, Any]) -> None:
    """Tell two maps side by side, and draw them if asked."""
    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.mapping.comparing import difference  # noqa: PLC0415
    from flatten.mapping.map_files import plain, read_map  # noqa: PLC0415
    from flatten.mapping.words import comparison, view_lines  # noqa: PLC0415

    if source is not None or wanted["folder"] is not None:
        raise click.UsageError("--compare takes two maps: leave SOURCE and --out away")
    places: tuple[Path, Path] = wanted["compare"]
    (first, way), (second, other_way) = read_map(places[0]), read_map(places[1])
    found = difference(first, second)
    if wanted["picture"] is not None:
        from flatten.pictures import MapView, map_view_job  # noqa: PLC0415 - the drawing library

        shown = [
            MapView(str(place), made, path, view_lines(made.figures))
            for place, made, path in ((places[0], first, way), (places[1], second, other_way))
        ]
        write_all([map_view_job(wanted["picture"], shown)], wanted["overwrite"])
    if wanted["as_json"]:
        both = {"first": plain(first.figures), "second": plain(second.figures)}
        click.echo(json.dumps({**both, "cells": None if found is None else found._asdict()}, indent=2))
        return
    click.echo(comparison((str(places[0]), str(places[1])), (first, second), found))
    if wanted["picture"] is not None:
        click.echo(f"picture: {wanted['picture']}")


@click.command()
@click.argument("cloud", type=FILE)
@_profile_option(True, "Profile: the heights of its slices are used, and nothing else of it.")
@click.option("--out", "-o", "folder", type=FILE, required=True, metavar="DIR", help="Folder for the plans.")
@_slice_option
@_cell_option
@click.option(
    "--floor",
    type=float,
    metavar="Z",
    help="Height of a level floor in the cloud's own z, metres. Default: found, and it may slope.",
)
@click.option(
    "--least",
    type=click.IntRange(1, 10_000),
    metavar="N",
    default=2,
    show_default=True,
    help="Points of the slice that make a cell occupied.",
)
@set_option
@overwrite_option
@quiet_option
def floorplan(cloud: Path, profile_path: Path, **wanted: Any) -> None:
    """Flatten a registered 3-D map to a floor plan, slice by slice.

    CLOUD is a whole place in one file, z up, metres: a survey, or clouds joined by their poses. It has no
    viewpoint, so nothing is known of beams: a cell is occupied where points stand in the slice, free where
    only floor was seen, else unseen. Files are those of `flatten map`, named plan_NAME.

    \b
    Examples:
      flatten floorplan nursery.laz -p rover.yaml --out plans
      flatten floorplan hall.pcd -p rover.yaml --slice walls --floor 0.12 --out plans
    """  # noqa: D301
    from flatten.errors import MapError  # noqa: PLC0415
    from flatten.files import read_cloud  # noqa: PLC0415 - costs numpy
    from flatten.mapping.floor_plan import find_floor  # noqa: PLC0415

    profile = read_profile(profile_path, wanted["settings"])
    names = wanted["slices"] or tuple(profile.slices)
    for name in names:
        if name not in profile.slices:
            raise MapError(f"{profile_path}: no slice {name}: there are {', '.join(profile.slices)}")
    _refuse(wanted, tuple(f"plan_{name}" for name in names))
    with status("reading", wanted["quiet"]):
        points = read_cloud(cloud)
    with status("flattening", wanted["quiet"]):
        floor = find_floor(points) if wanted["floor"] is None else wanted["floor"]
        made = [_plan(points, profile, name, floor, wanted) for name in names]
    _write_plans(made, str(cloud), wanted)
    words = f"floor at z = {floor:g} m" if isinstance(floor, float) else floor.words()
    click.echo(f"{len(points):,} points; {words}")
    for each in made:
        rows, columns = each.shape
        click.echo(
            f"{each.name}: {columns * each.cell:.1f} m × {rows * each.cell:.1f} m, occupied "
            f"{int(each.occupied.sum()):,} cells, free {int(each.free.sum()):,}; "
            f"{wanted['folder'] / each.name}.yaml"
        )


def _plan(points: Any, profile: Profile, name: str, floor: Any, wanted: dict[str, Any]) -> OccupancyMap:
    from flatten.mapping.floor_plan import flatten_plan  # noqa: PLC0415

    band = profile.slices[name]
    return flatten_plan(
        points, band.bottom, band.top, floor, cell=wanted["cell"], least=wanted["least"], name=f"plan_{name}"
    )


def _write_plans(made: list[OccupancyMap], source: str, wanted: dict[str, Any]) -> None:
    import numpy as np  # noqa: PLC0415

    from flatten.files.writing import write_all  # noqa: PLC0415
    from flatten.jobs import make_folder  # noqa: PLC0415
    from flatten.mapping.map_files import map_jobs  # noqa: PLC0415
    from flatten.pictures import MapView, map_view_job  # noqa: PLC0415 - the drawing library

    folder, nowhere = wanted["folder"], np.empty((0, 3))
    with status("drawing and writing", wanted["quiet"]):
        jobs = []
        for each in made:
            jobs += map_jobs(folder / each.name, each, nowhere, source)
            jobs.append(map_view_job(folder / f"{each.name}.view.png", [MapView(each.name, each, nowhere)]))
        make_folder(folder)
        write_all(jobs, wanted["overwrite"])
