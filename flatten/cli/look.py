"""`flatten look`: what is in a recording, and what is missing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from flatten.cli.options import FILE, quiet_option
from flatten.cli.recordings import recording_options
from flatten.cli.terminal import status


@click.command()
@click.argument("recording", type=FILE)
@recording_options
@click.option(
    "--poses", type=FILE, metavar="FILE",
    help="Poses from a file instead: lines of t tx ty tz qx qy qz qw, or of 12 numbers with times.txt.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print plain values (ns, seconds, metres, degrees).")
@quiet_option
def look(recording: Path, as_json: bool, quiet: bool, **wanted: Any) -> None:
    """Look into a recording: topics, clouds, poses, and what is missing.

    RECORDING is an MCAP file, a bag folder, a bag file of the first generation, or a folder of cloud
    files. It is read once from end to end. Told are topics with types, counts, rates and gaps; how a
    return is laid out and how its time counts; whose poses there are and how many clouds they cover;
    where the sensor sits by the recording's own transforms; and in words what is missing or damaged.

    Damaged files are read around the damage. Nothing is written.

    \b
    Examples:
      flatten look drive.mcap
      flatten look drive/ --topic /lidar/points --poses-topic /odometry
      flatten look drive.mcap --json
    """  # noqa: D301
    from flatten.recordings.look import look as look_at  # noqa: PLC0415
    from flatten.recordings.look_words import plain, report  # noqa: PLC0415

    with status("looking", quiet):
        found = look_at(recording, **wanted)
    click.echo(json.dumps(plain(found), indent=2, ensure_ascii=False) if as_json else report(found))
