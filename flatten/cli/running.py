"""From arguments to an exit code: every way to end is here, and each is one line on stderr.

0  done          2   not a command line      130  stopped by Ctrl-C
1  input failed  70  a fault of flatten      141  nobody reads the output any more
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NoReturn

import click

from flatten.cli.terminal import say
from flatten.errors import FlattenError

INPUT, USAGE, FAULT, STOPPED, UNREAD, ENDED = 1, 2, 70, 130, 141, 143
COMPLETE = "_FLATTEN_COMPLETE"


@dataclass
class Running:
    """What holds for the whole run."""

    debug: bool = False
    input_failed: int = INPUT
    """Exit code for an input that failed; a command whose answer may be 1 takes another."""


def main() -> NoReturn:
    """Run the command line of this process and leave with its exit code."""
    signal.signal(signal.SIGTERM, _end)
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command line and give its exit code; nothing is raised but SystemExit."""
    running = Running()
    try:
        code = _invoke(list(arguments), running)
        sys.stdout.flush()
        return code
    except click.exceptions.Exit as end:
        return _flushed(end.exit_code)
    except click.UsageError as error:
        say("flatten", _usage_words(error))
        return USAGE
    except (KeyboardInterrupt, EOFError, click.Abort):
        say("flatten", "stopped; what was finished is kept, nothing is half written")
        return STOPPED
    except BrokenPipeError:
        _leave_stdout()
        return UNREAD
    except Exception as error:
        code = _told(error, running)
        try:
            sys.stdout.flush()
        except OSError:  # a full disk behind stdout: told above
            _leave_stdout()
        return code


def _invoke(arguments: list[str], running: Running) -> int:
    from flatten.cli.commands import cli  # noqa: PLC0415 - the commands use this module

    instruction = os.environ.get(COMPLETE)
    if instruction:
        from click.shell_completion import shell_complete  # noqa: PLC0415

        return shell_complete(cli, {}, "flatten", COMPLETE, instruction)
    with cli.make_context("flatten", arguments, obj=running) as context:
        code: Any = cli.invoke(context)
    return code if isinstance(code, int) else 0


def _told(error: Exception, running: Running) -> int:
    if running.debug:
        traceback.print_exception(error)
    if isinstance(error, FlattenError):
        say("flatten", error)
        return running.input_failed
    if isinstance(error, click.ClickException):
        say("flatten", error.format_message())
        return running.input_failed
    if isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        say("flatten", f"{place}{error.strerror or error}: make room, or choose another place")
        return running.input_failed
    if isinstance(error, MemoryError):
        say("flatten", "not enough memory: use a smaller cloud, fewer bins or fewer --jobs")
        return running.input_failed
    hint = (
        "report it with what stands above"
        if running.debug
        else "please run `flatten --debug …` and report it"
    )
    say("flatten", f"a fault of flatten itself ({type(error).__name__}: {error}): {hint}")
    return FAULT


def _usage_words(error: click.UsageError) -> str:
    path = error.ctx.command_path if error.ctx else "flatten"
    words = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption):
        close = sorted(error.possibilities or ())
        words = f"no option {error.option_name}" + (f", did you mean {close[0]}?" if close else "")
    mark = "" if words.endswith("?") else ";"
    where = path.removeprefix("flatten").lstrip()
    head = f"{where}: " if where else ""
    return f"{head}{words[:1].lower()}{words[1:]}{mark} see `{path} --help`"


def _flushed(code: int) -> int:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _leave_stdout()
        return UNREAD
    return code


def _leave_stdout() -> None:
    """Point stdout at nothing, so that the interpreter does not complain about it on its way out."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _end(_number: int, _frame: object) -> NoReturn:
    raise SystemExit(ENDED)
