"""Writing whole files or none: to a temporary name in the same folder, then moved into place."""

from __future__ import annotations

import contextlib
import io
import os
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from flatten.errors import OutputError
from flatten.files.source import PathLike, plain_reason
from flatten.scan import Scan
from flatten.version import __version__

Attitude = tuple[float, float]
Fill = Callable[[io.BufferedIOBase], None]
Job = tuple[Path, Fill]

CAUTION = "A planar scan is not a personnel-safety device."


class ProfileText(Protocol):
    """The little that a written scan needs of a profile: its text and its plain values."""

    def to_yaml(self) -> str:
        """Give the effective profile as YAML."""

    def to_dict(self) -> dict[str, object]:
        """Give the effective profile as plain values that JSON can hold."""


def origin(source: str, attitude: Attitude | None) -> dict[str, object]:
    """Say where scans come from: library version, source and attitude (roll, pitch in rad)."""
    level = None if attitude is None else [float(angle) for angle in attitude]
    return {"flatten": __version__, "source": str(source), "attitude_rad": level}


def remarks(source: str, attitude: Attitude | None) -> list[str]:
    """Say the same, with the usual caution, as lines for the comments of a text."""
    return [
        *(f"{key}: {value}" for key, value in origin(" ".join(str(source).split()), attitude).items()),
        CAUTION,
    ]


def target(path: PathLike) -> Path:
    """Take a path to write to; OutputError where it is none."""
    try:
        return Path(os.fsdecode(os.fspath(path)))
    except TypeError as error:
        raise OutputError(f"{path!r}: not a path: give a file name") from error


def check_scans(scans: Mapping[str, Scan], place: object) -> None:
    """Raise OutputError where there is no scan to write."""
    if not scans:
        raise OutputError(f"{place}: there are no scans to write: give at least one slice")


def write_all(jobs: Sequence[Job], overwrite: bool) -> None:
    """Write every file to a temporary name beside its own, then move all into place.

    Raises OutputError, with nothing left behind, where a file is there already (unless
    `overwrite`), its folder is missing or closed, or the disk is full.
    """
    for path, _ in jobs:
        with _told(path):
            _check_place(path, overwrite)
    with contextlib.ExitStack() as stack:
        staged = [(stack.enter_context(_temporary(path)), path, fill) for path, fill in jobs]
        for temporary, path, fill in staged:
            with _told(path), temporary.open("wb") as stream:
                fill(stream)
                stream.flush()
                os.fsync(stream.fileno())
        for temporary, path, _ in staged:
            with _told(path):
                temporary.replace(path)


def _check_place(path: Path, overwrite: bool) -> None:
    if "\0" in str(path) or not path.name:
        raise OutputError(f"{path}: not a file name that can be written: choose another")
    if path.is_dir():
        raise OutputError(f"{path}: is a folder: give a file name in it")
    if not overwrite and os.path.lexists(path):
        raise OutputError(f"{path}: is there already: choose another name, or allow overwriting")


@contextmanager
def _temporary(path: Path) -> Iterator[Path]:
    """Reserve a temporary file beside `path` and remove it afterwards, if it is still there."""
    temporary = path.with_name(f".{path.name[:100]}.{secrets.token_hex(6)}.part")
    with _told(path):
        os.close(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    try:
        yield temporary
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what the system or a value says into an OutputError that names the file."""
    try:
        yield
    except OutputError:
        raise
    except FileNotFoundError as error:
        raise OutputError(f"{path}: there is no folder {path.parent}: make it first") from error
    except PermissionError as error:
        raise OutputError(
            f"{path}: no permission to write in {path.parent}: choose another folder"
        ) from error
    except OSError as error:
        reason = error.strerror or plain_reason(error)
        raise OutputError(
            f"{path}: cannot be written ({reason}): make room or choose another folder"
        ) from error
    except Exception as error:
        raise OutputError(
            f"{path}: cannot be written ({plain_reason(error)}): check scans and profile"
        ) from error
