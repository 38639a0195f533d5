"""All commands under one name."""

from __future__ import annotations

import click

from flatten.cli.batch import batch
from flatten.cli.blind import blind
from flatten.cli.budget import budget
from flatten.cli.convert import convert
from flatten.cli.demo import demo
from flatten.cli.extras import completion, warmup
from flatten.cli.groups import Commands
from flatten.cli.look import look
from flatten.cli.map import floorplan, map_
from flatten.cli.mount import mount
from flatten.cli.page import page
from flatten.cli.profile import profile
from flatten.cli.recheck import recheck
from flatten.cli.running import Running
from flatten.cli.show import show
from flatten.cli.tune import tune
from flatten.version import __version__

ABOUT = """\
Turn 3-D lidar clouds into planar range scans.

\b
Where to begin, in a plant nursery of our own making:
  flatten demo                               sample clouds, scans, pictures, a report
  flatten profile new rover.yaml             a commented profile to change to your robot
  flatten profile check rover.yaml           what it means, in words and figures
  flatten look drive.mcap                    what is in a recording, and what is missing
  flatten mount yard.pcd -p rover.yaml       how the sensor really sits, from the floor
  flatten blind drive/ -p rover.yaml         what the sensor sees of its own robot
  flatten tune drive/ -p rover.yaml          slices to drive and to map by, with reasons
  flatten recheck drive.mcap -p rover.yaml   does the profile still hold, after a remount or a hard day
  flatten show aisle.pcd -p rover.yaml       one cloud as a picture
  flatten page yard.pcd -p rover.yaml        the workbench in a browser, with sliders
  flatten convert clouds/ -p rover.yaml --out scans/
  flatten batch drive.mcap -p rover.yaml --out scans/    whole recordings, also from many machines
  flatten map drive.mcap -p rover.yaml --out maps/       occupancy grids, and how good they are

Lengths are metres. Angles are degrees here and in the profile, radians in the library and in
what is written. Exit codes: 0 done, 1 an input failed, 2 not a command line, 70 a fault of
flatten, 130 stopped.

A planar scan is not a personnel-safety device.
"""


@click.group(
    cls=Commands,
    help=ABOUT,
    invoke_without_command=True,
    subcommand_metavar="COMMAND …",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 92},
)
@click.version_option(__version__, prog_name="flatten", message="%(prog)s %(version)s")
@click.option("--debug", is_flag=True, help="Show where in the code an error comes from.")
@click.pass_context
def cli(context: click.Context, debug: bool) -> None:
    """Begin: remember what holds for the whole run."""
    context.ensure_object(Running).debug = debug
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


for command in (
    demo, look, convert, batch, show, page, profile, mount, blind, tune, recheck, map_, floorplan, budget,
    warmup, completion,
):  # fmt: skip
    cli.add_command(command)
