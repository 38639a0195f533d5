"""Clouds for commands, from files, folders and recordings alike: named, timed, one at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    pass

Command = TypeVar("Command", bound=Callable[..., Any])


def recording_options(command: Command) -> Command:
    """Add --topic, --poses-topic and --poses-of."""
    topic = click.option(
        "--topic", metavar="NAME", help="Topic of the clouds in a recording. Default: the only one."
    )
    poses = click.option(
        "--poses-topic", metavar="NAME",
        help="Topic of the poses. Default: the only odometry, else stamped poses, else transforms.",
    )  # fmt: skip
    of = click.option(
        "--poses-of", type=click.Choice(("body", "sensor")),
        help="Whose poses these are. Default: the sensor's where their child frame is that of the clouds, "
        "else the body's.",
    )  # fmt: skip
    return topic(poses(of(command)))
