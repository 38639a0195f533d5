"""`flatten warmup` and `flatten completion`."""

from __future__ import annotations

from pathlib import Path

import click
from click.shell_completion import get_completion_class

from flatten.cli.options import FILE, read_profile
from flatten.cli.running import COMPLETE
from flatten.cli.terminal import say, status

INSTALL = {
    "bash": 'to install: put  eval "$(flatten completion bash)"  into ~/.bashrc',
    "zsh": 'to install: put  eval "$(flatten completion zsh)"  into ~/.zshrc, below compinit',
    "fish": "to install: flatten completion fish > ~/.config/fish/completions/flatten.fish",
}


@click.command()
@click.option(
    "--profile",
    "-p",
    "profile_path",
    metavar="FILE",
    type=FILE,
    help="Compile only what frames by this profile need. Default: everything, for whatever profile.",
)
@click.option("--moving", is_flag=True, help="With --profile: frames will come with poses.")
def warmup(profile_path: Path | None, moving: bool) -> None:
    """Compile ahead of time.

    The first run on a machine compiles for a while (about a minute on a desk, longer on a small
    board; a third of it for a profile that fits no floor); what comes out is kept on disk. Do it once
    after installing and after each update, as the user that will run the robot, and the first frame
    will not wait. Programs call flatten.warmup.warm_up(), which gives the seconds it took.

    Where it is kept: NUMBA_CACHE_DIR if that is set, else beside the package, else in the user's
    cache folder. If none of these can be written, a note says so, and each start compiles anew.

    \b
    Examples, as part of setting up a rover of the nursery:
      flatten warmup
      flatten warmup --profile rover.yaml
    """  # noqa: D301
    if moving and profile_path is None:
        raise click.UsageError("--moving: without --profile everything is compiled anyway")
    profile = None if profile_path is None else read_profile(profile_path, ())
    with status("compiling"):
        from flatten.warmup import get_ready  # noqa: PLC0415 - costs the compiler

        ready = get_ready(profile, moving=moving)
    if ready.compiled:
        click.echo(f"compiled in {ready.seconds:.1f} s: {', '.join(ready.compiled)}")
    if ready.loaded:
        took = "" if ready.compiled else f" in {ready.seconds:.1f} s"
        click.echo(f"compiled before, loaded{took}: {', '.join(ready.loaded)}")
    if not ready.compiled and not ready.loaded:
        click.echo("the compiler is switched off (NUMBA_DISABLE_JIT): every frame will be slow")
    click.echo(f"kept in {ready.place}" if ready.place else "kept nowhere")
    for words in ready.notes:
        say("note", words)


@click.command()
@click.argument("shell", type=click.Choice(list(INSTALL)))
@click.pass_context
def completion(context: click.Context, shell: str) -> None:
    """Print a script for completion with TAB.

    It completes commands, options and files, in bash, zsh or fish.

    \b
    Example, for the shell of this terminal:
      eval "$(flatten completion bash)"
    """  # noqa: D301
    maker = get_completion_class(shell)
    assert maker is not None  # the choice above holds what click knows
    root = context.find_root()
    click.echo(maker(root.command, {}, "flatten", COMPLETE).source().rstrip())
    click.echo(f"# {INSTALL[shell]}")
