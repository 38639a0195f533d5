"""What people see: one-line messages on stderr, progress where there is a terminal, results on stdout."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Protocol

import click

COLOURS = {"flatten": "red", "warning": "yellow", "note": "cyan"}


def say(kind: str, words: object) -> None:
    """Print one line to stderr: "warning: …"; in colour on a terminal, unless NO_COLOR is set."""
    line = " ".join(str(words).split())
    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    head = f"{kind}:" if plain else click.style(f"{kind}:", fg=COLOURS[kind], bold=True)
    click.echo(f"{head} {line}", err=True)


def warn(lines: Iterable[str], quiet: bool = False) -> None:
    """Print warnings, each once, unless they are not wanted."""
    for line in () if quiet else dict.fromkeys(lines):
        say("warning", line)


def on_terminal() -> bool:
    """Tell whether a person watches stderr."""
    return sys.stderr.isatty()


@contextmanager
def status(words: str, quiet: bool = False) -> Iterator[None]:
    """Show a line while something takes its time; nothing of it stays, nor is seen without a terminal."""
    shown = on_terminal() and not quiet
    if shown:
        click.echo(f"{words} …", err=True, nl=False)
    try:
        yield
    finally:
        if shown:
            click.echo("\r\033[K", err=True, nl=False)


class Step(Protocol):
    """Hears of what is done: its name, and how many steps that is."""

    def __call__(self, name: str, steps: int = 1) -> None:
        """Take steps."""


@contextmanager
def progress(words: str, steps: int, quiet: bool = False, even: bool = True) -> Iterator[Step]:
    """Show a bar of `steps`; call what is yielded with the name of each thing that is done.

    Where the steps take about the same time (`even`) the time that is left is told too.
    """
    if not on_terminal() or quiet:
        yield lambda name, steps=1: None
        return
    bar: Any = click.progressbar(
        length=steps,
        label=words,
        file=sys.stderr,
        width=24,
        show_pos=True,
        show_percent=False,
        show_eta=even,
        fill_char="█",
        empty_char="·",
        item_show_func=lambda name: _shorten(name or ""),
    )
    with bar:
        yield lambda name, steps=1: bar.update(steps, name)


def _shorten(name: str, most: int = 30) -> str:
    return name if len(name) <= most else f"…{name[1 - most :]}"


def count(number: int, thing: str) -> str:
    """Say a number of things: "1 cloud", "12 clouds"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"
