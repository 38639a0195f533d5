"""Options that several commands share, and how their values are read."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from flatten.cli.terminal import warn

if TYPE_CHECKING:
    from flatten.profile import Profile

Command = TypeVar("Command", bound=Callable[..., Any])

FILE = click.Path(path_type=Path)
"""A path; whether it is there is told where it is opened, in the words of the library."""


def degrees(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Read an angle in degrees, at most a right angle to either side, and turn it into radians."""
    if value is None:
        return None
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not abs(number) <= 90.0:  # also false for NaN
        raise click.BadParameter(f"{value!r} is not an angle of -90 to 90 degrees", ctx, param)
    return math.radians(number)


def words_of(*allowed: str) -> Callable[[click.Context, click.Parameter, str], tuple[str, ...]]:
    """Make the reader of one or several words out of those allowed, with commas between them."""

    def read(ctx: click.Context, param: click.Parameter, value: str) -> tuple[str, ...]:
        words = tuple(dict.fromkeys(word.strip().lower() for word in value.split(",")))
        for word in words:
            if word not in allowed:
                close = difflib.get_close_matches(word, allowed, 1)
                hint = f", did you mean {close[0]!r}?" if close else ""
                raise click.BadParameter(f"{word!r} is not one of {', '.join(allowed)}{hint}", ctx, param)
        return words

    return read


def settings_of(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> tuple[str, ...]:
    """Look for KEY=VALUE; what key and value mean is the profile's business."""
    for text in value:
        key, equals, _ = text.partition("=")
        if not equals or not key.strip():
            raise click.BadParameter(f"{text!r} is not KEY=VALUE, such as reach.far=20", ctx, param)
    return value


def tuned_option(what: str) -> Callable[[Command], Command]:
    """Add --out: where the profile goes that differs from the one given in `what`."""
    return click.option(
        "--out",
        "-o",
        "target",
        type=FILE,
        metavar="FILE",
        help=f"Write the profile here with {what} in it; comments and order stay.",
    )


def profile_option(command: Command) -> Command:
    """Add --profile."""
    option = click.option(
        "--profile",
        "-p",
        "profile_path",
        metavar="FILE",
        type=FILE,
        required=True,
        help="Profile (YAML): robot, mount, slices, fan, reach, blind zones. "
        "`flatten profile new rover.yaml` writes one to begin with.",
    )
    return option(command)


def set_option(command: Command) -> Command:
    """Add --set."""
    option = click.option(
        "--set",
        "settings",
        metavar="KEY=VALUE",
        multiple=True,
        callback=settings_of,
        help="Put a value above the one in the profile, such as reach.far=20 or "
        "slices.drive.bottom=0.1 (metres, degrees). May be given several times.",
    )
    return option(command)


def attitude_options(command: Command) -> Command:
    """Add --roll and --pitch."""
    roll = click.option(
        "--roll",
        callback=degrees,
        metavar="DEG",
        help="Roll of the body in degrees, left side up is positive. Default: level.",
    )
    pitch = click.option(
        "--pitch",
        callback=degrees,
        metavar="DEG",
        help="Pitch of the body in degrees, nose down is positive. Default: level.",
    )
    return roll(pitch(command))


def most_option(usual: int) -> Callable[[Command], Command]:
    """Add --most: how many clouds of a longer recording are looked at."""
    return click.option(
        "--most",
        type=click.IntRange(1, 100_000),
        metavar="N",
        default=usual,
        show_default=True,
        help="Look at so many clouds of a longer recording, evenly spaced: fewer are quicker.",
    )


def overwrite_option(command: Command) -> Command:
    """Add --overwrite."""
    return click.option("--overwrite", is_flag=True, help="Write over files that are there already.")(command)


def quiet_option(command: Command) -> Command:
    """Add --quiet."""
    text = "No warnings and no progress; errors are still told."
    return click.option("--quiet", "-q", is_flag=True, help=text)(command)


def attitude_of(roll: float | None, pitch: float | None) -> tuple[float, float] | None:
    """Join roll and pitch (rad); None where neither was given."""
    return None if roll is None and pitch is None else (roll or 0.0, pitch or 0.0)


def read_profile(path: Path, settings: Sequence[str]) -> Profile:
    """Load a profile with single values put above it; raise ProfileError."""
    from flatten.profile import Profile, setting  # noqa: PLC0415 - costs numpy and pydantic

    return Profile.load(path, dict(setting(text) for text in settings))


def warn_of(profile: Profile, attitude: tuple[float, float] | None, quiet: bool) -> None:
    """Print the warnings of a profile, and of an attitude that it ignores."""
    ignored = attitude is not None and profile.level == "body"
    words = ("--roll and --pitch change nothing: the profile says `level: body`",) if ignored else ()
    warn((*profile.warnings, *words), quiet)
