"""Where results go: what is in their way is told before the work and not after it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from flatten.cli.options import FILE, Command


def results_option(command: Command) -> Command:
    """Add --out: the folder of what is made of many inputs."""
    option = click.option(
        "--out",
        "-o",
        "folder",
        type=FILE,
        required=True,
        metavar="DIR",
        help="Folder for the results; made if need be.",
    )
    return option(command)


def jobs_option(command: Command) -> Command:
    """Add --jobs."""
    option = click.option(
        "--jobs",
        "-j",
        type=click.IntRange(1, 256),
        default=1,
        show_default=True,
        metavar="N",
        help="Worker processes. The results do not depend on it.",
    )
    return option(command)


def refuse_existing(places: Iterable[Path | None], overwrite: bool) -> None:
    """Raise OutputError where one of the results is there already and may not be written over."""
    from flatten.errors import OutputError  # noqa: PLC0415

    for place in places:
        if place is not None and not overwrite and place.exists():
            raise OutputError(f"{place}: is there already: choose another name, or use --overwrite")
