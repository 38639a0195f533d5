"""An opened cloud file: regular, sized, and never read past what is there."""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from flatten.errors import CloudError

PathLike = str | os.PathLike[str]

MOST_RETURNS = 2**31 - 1
"""Most returns a file may hold."""
MOST_UNPACKED = 4 * 2**30
"""Most bytes that a packed file (NPZ, LAZ, compressed PCD) may unpack to."""
MOST_RATIO = 100
"""Most bytes a packed byte may stand for, once a file unpacks to more than `ALWAYS_FINE`."""
ALWAYS_FINE = 64 * 2**20
"""Bytes that any packed file may unpack to, whatever its ratio."""
HEAD = 4096
"""Bytes at the start of a file by which its format is recognised."""
LONGEST_LINE = 64 * 2**10
"""Bytes in the longest line that is taken for a line of text."""


class SizedReader(io.BufferedReader):
    """A buffered file whose reads are cut to its size, so that no declared length reserves memory."""

    def __init__(self, raw: io.FileIO, size: int) -> None:
        super().__init__(raw)
        self.size = size

    def read(self, size: int | None = -1, /) -> bytes:
        """Read at most `size` bytes, and never ask for more than the file has left."""
        left = max(0, self.size - self.tell())
        return super().read(left if size is None or size < 0 else min(size, left))


@dataclass(frozen=True)
class Source:
    """One cloud file, open for reading."""

    name: str
    """The path as it was given, for messages."""
    suffix: str
    """Suffix of the file name in small letters, with its dot."""
    size: int
    """Bytes in the file."""
    head: bytes
    """The first bytes of the file, at most `HEAD`."""
    stream: SizedReader

    @property
    def left(self) -> int:
        """Bytes between the reading position and the end of the file."""
        return max(0, self.size - self.stream.tell())

    def error(self, what: str, todo: str = "write the file again at its source") -> CloudError:
        """Make the error that says what is wrong with this file and what to do about it."""
        return CloudError(f"{self.name}: {what}: {todo}")

    def check_returns(self, count: int) -> None:
        """Raise CloudError where a declared number of returns is negative or beyond `MOST_RETURNS`."""
        if not 0 <= count <= MOST_RETURNS:
            raise self.error(
                f"declares {count} returns, at most {MOST_RETURNS} can be read", "split or repair the file"
            )

    def check_held(self, count: int, each: int) -> None:
        """Raise CloudError where `count` returns of `each` bytes cannot lie between here and the end."""
        self.check_returns(count)
        if count * each > self.left:
            raise self.error(
                f"cut short or with a wrong header: {count} returns of {each} bytes need "
                f"{count * each} bytes, {self.left} are there"
            )

    def check_rest(self, each: int) -> None:
        """Raise CloudError where bytes for one more return of `each` bytes follow, padding zeros aside."""
        if self.left < each:
            return
        while chunk := self.stream.read(2**20):
            if chunk.count(0) != len(chunk):
                raise self.error("wrong counts: there are more returns than its header declares")

    def check_unpacked(self, unpacked: int, packed: int) -> None:
        """Raise CloudError where a file claims to unpack to more than the stated limits."""
        if unpacked > MOST_UNPACKED or unpacked > max(ALWAYS_FINE, MOST_RATIO * packed):
            raise self.error(
                f"{packed} packed bytes claim to unpack to {unpacked}; allowed are {MOST_UNPACKED} in all, "
                f"and {MOST_RATIO} for one above {ALWAYS_FINE}",
                "store it unpacked, or in parts, if it is meant to be so large",
            )

    def lines(self) -> Iterator[tuple[int, bytes]]:
        """Yield number (from 1, counted from here) and bytes of each line; CloudError for an endless one."""
        number = 0
        while line := self.stream.readline(LONGEST_LINE + 1):
            number += 1
            if len(line) > LONGEST_LINE:
                raise self.error(f"line {number} is longer than {LONGEST_LINE} bytes: not a text of returns")
            yield number, line


def plain_reason(error: BaseException) -> str:
    """Give what an exception of a library says, on one line that is not overly long."""
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 200 else text[:197] + "…"


def path_name(path: PathLike) -> str:
    """Give the path as text; CloudError where it is none."""
    try:
        return os.fsdecode(os.fspath(path))
    except TypeError as error:
        raise CloudError(f"{path!r}: not a path: give a file name") from error


@contextmanager
def open_source(path: PathLike) -> Iterator[Source]:
    """Open a regular, non-empty file; raise CloudError for anything else, without waiting on pipes."""
    name = path_name(path)
    try:
        _refuse_special(name, Path(name).stat().st_mode)
        descriptor = os.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError as error:
        raise CloudError(f"{name}: there is no such file: check the path") from error
    except PermissionError as error:
        raise CloudError(f"{name}: no permission to read it: change its mode or owner") from error
    except (OSError, ValueError) as error:
        raise CloudError(f"{name}: cannot be opened ({plain_reason(error)}): check the path") from error
    with io.FileIO(descriptor) as raw:
        info = os.fstat(descriptor)
        _refuse_special(name, info.st_mode)
        if info.st_size == 0:
            raise CloudError(f"{name}: the file is empty: record or copy it again")
        stream = SizedReader(raw, info.st_size)
        head = stream.read(HEAD)
        stream.seek(0)
        yield Source(name, Path(name).suffix.lower(), info.st_size, head, stream)


def _refuse_special(name: str, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise CloudError(f"{name}: is a folder, not a file: name a cloud file in it")
    if not stat.S_ISREG(mode):
        raise CloudError(f"{name}: is a device, pipe or socket, not a regular file: copy it to a file first")
