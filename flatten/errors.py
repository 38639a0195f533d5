"""What can go wrong, as one family of exceptions.

The library raises these and prints nothing; the command line prints their text as one line.
Each text says what happened, where, and what to do about it.

    FlattenError
    ├── ProfileError      the profile cannot be read or does not make sense
    ├── CloudError        a cloud (file, array or message) cannot be read
    ├── AttitudeError     an attitude that is not two finite angles, or not of its frame's time
    ├── TuningError       what is asked cannot be told from these clouds
    ├── RecordingError    a recording cannot be read, or has not what is asked of it
    ├── MotionError       a motion that cannot be right, or that does not fit the cloud
    ├── OutputError       a result cannot be written
    ├── MapError          scans and poses that make no map, or a map that cannot be read
    ├── PageError         the page cannot be served, or cannot do what it was asked
    └── MissingPartError  an optional library or a system package is not there
"""

from __future__ import annotations


class FlattenError(Exception):
    """Base of every error that flatten raises on purpose."""

    def __str__(self) -> str:
        """Give the text on one line, whatever the cause put into it."""
        return " ".join(super().__str__().split())


class ProfileError(FlattenError):
    """The profile cannot be read, or a value in it does not make sense.

    The text names file, line, key, value and allowed range; `file`, `line` and `key` hold the
    same for programs (line counts from 1, 0 where there is none).
    """

    def __init__(self, message: str, *, file: str = "", line: int = 0, key: str = "") -> None:
        super().__init__(message)
        self.file, self.line, self.key = file, line, key


class CloudError(FlattenError):
    """A cloud file, array or message cannot be read as returns."""


class AttitudeError(FlattenError, ValueError):
    """An attitude must be two finite angles in radians, and belong to its frame where the times are known."""


class MotionError(FlattenError, ValueError):
    """Poses or return times cannot be right, or do not fit each other."""


class TuningError(FlattenError):
    """Recorded clouds do not tell what is asked: no floor, too little of it, or two of them."""


class RecordingError(FlattenError):
    """A recording cannot be read, or has no such topic, poses or clouds as are asked of it."""


class OutputError(FlattenError):
    """A result cannot be written."""


class PageError(FlattenError):
    """The page cannot be served, or what it was asked for cannot be done."""


class MissingPartError(FlattenError, ImportError):
    """An optional library, or a system package that it loads, is not installed."""


class MapError(FlattenError):
    """Scans and poses that make no map, or a map file that cannot be read."""
