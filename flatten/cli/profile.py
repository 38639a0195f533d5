"""`flatten profile`: begin one, check one, and the schema for editors."""

from __future__ import annotations

import io
import json
from pathlib import Path

import click

from flatten.cli.groups import Commands
from flatten.cli.options import FILE, overwrite_option, read_profile, set_option
from flatten.cli.terminal import count


@click.group(cls=Commands, invoke_without_command=True, subcommand_metavar="COMMAND …")
@click.pass_context
def profile(context: click.Context) -> None:
    """Begin, check and describe profiles.

    A profile declares the robot, the pose of its sensor, the slices above the floor that become
    scans, the fan of bins, the reach and the blind zones: metres, and degrees (the library itself
    speaks of radians).
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@profile.command()
@click.argument("file", type=FILE, default="-")
@overwrite_option
def new(file: Path, overwrite: bool) -> None:
    """Write a commented profile to begin with.

    It is that of a tracked rover in a plant nursery, every key explained; change each number to
    yours, then check it. Without FILE (or with -) it goes to the terminal.

    \b
    Example:
      flatten profile new rover.yaml
      flatten profile check rover.yaml
    """  # noqa: D301
    from flatten.profile import starter_text  # noqa: PLC0415

    _write(file, starter_text(), overwrite, "change its numbers to yours, then: flatten profile check")


@profile.command()
@click.argument("file", type=FILE)
@set_option
def check(file: Path, settings: tuple[str, ...]) -> None:
    """Check a profile and explain it in words and figures.

    Says what each slice sees of a kerb, a pallet, a table top, where an untrue tilt would let the
    floor in, how wide a bin is, and what is worth a second look. Warnings alone end with 0, an
    error (one line with file, line, key, value and allowed range) with 1.

    \b
    Example: what if the drive slice began at 10 cm?
      flatten profile check rover.yaml --set slices.drive.bottom=0.10
    """  # noqa: D301
    checked = read_profile(file, settings)
    from flatten.profile import explain  # noqa: PLC0415

    click.echo(explain(checked))
    found = count(len(checked.warnings), "warning") if checked.warnings else "no warnings"
    click.echo(f"{file}: a good profile, {found}")


@profile.command()
@click.argument("file", type=FILE, default="-")
@overwrite_option
def schema(file: Path, overwrite: bool) -> None:
    """Write the JSON Schema of the profile, for editors.

    An editor that knows YAML schemas completes keys and underlines mistakes while you type.
    Without FILE (or with -) it goes to the terminal.

    \b
    Example:
      flatten profile schema flatten.schema.json
    """  # noqa: D301
    from flatten.profile import json_schema  # noqa: PLC0415

    text = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    _write(file, text, overwrite, "name it in your editor as the schema of your profiles")


def _write(file: Path, text: str, overwrite: bool, then: str) -> None:
    if str(file) == "-":
        click.echo(text, nl=False)
        return
    from flatten.files.writing import write_all  # noqa: PLC0415

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(text.encode())

    write_all([(file, fill)], overwrite)
    click.echo(f"{file} written; {then}")
