"""The profile being changed: the file's text, what was changed of it, and the way back."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from flatten.errors import PageError, ProfileError
from flatten.page.saving import changed_text
from flatten.profile import Profile
from flatten.profile.lines import read_declaration, read_text

MOST_STEPS = 200
"""Changes that can be taken back."""


class Changes(NamedTuple):
    """What differs from the file."""

    values: dict[str, Any]
    """By dotted key, as `Profile.load` takes overrides."""
    off: frozenset[str]
    """Names of blind zones that are left out."""


class Draft:
    """A profile file and changes to it; what is not sound is refused and changes nothing.

    `settings` are changes from the start, by dotted key. Raises ProfileError.
    """

    def __init__(self, path: Path, settings: Mapping[str, Any] | None = None) -> None:
        self._past: list[Changes] = []
        self._future: list[Changes] = []
        self._open(path, read_text(path))
        if settings:
            self._take(Changes(dict(settings), frozenset()))

    def _open(self, path: Path, text: str) -> None:
        tree: dict[str, Any] = read_declaration(text, str(path)).tree
        file = Profile.parse(text, str(path))
        self.path, self.text, self._tree, self.file = path, text, tree, file
        self._take(Changes({}, frozenset()))

    def _take(self, changes: Changes) -> None:
        whole = Profile.from_dict(self._tree, changes.values)
        unknown = changes.off - {zone.name for zone in whole.blind_zones}
        if unknown:
            raise PageError(f"no blind zone {min(unknown)!r}: reload the page")
        kept = tuple(zone for zone in whole.blind_zones if zone.name not in changes.off)
        profile = whole.model_copy(update={"blind_zones": kept})
        profile._source = str(self.path)
        self.whole, self.profile, self.changes = whole, profile, changes
        """`whole` has the blind zones that are left out, `profile` has not."""

    @property
    def is_changed(self) -> bool:
        """Whether it says something else than its file."""
        return self.profile != self.file

    @property
    def steps(self) -> tuple[int, int]:
        """How many changes can be taken back, and made again."""
        return len(self._past), len(self._future)

    def remember(self) -> None:
        """Make what is there now a step that `undo` comes back to."""
        if not self._past or self._past[-1] != self.changes:
            self._past = [*self._past[-MOST_STEPS + 1 :], self.changes]
        self._future = []

    def change(self, values: Mapping[str, Any], off: Mapping[str, bool]) -> None:
        """Change values by dotted key, and leave blind zones out or take them in by name.

        Raises ProfileError in one line, with nothing changed, where the profile would not be sound.
        """
        names = set(self.changes.off)
        for name, leave_out in off.items():
            names = names | {name} if leave_out else names - {name}
        try:
            self._take(Changes({**self.changes.values, **values}, frozenset(names)))
        except ProfileError as error:
            words = str(error).removeprefix("profile: ").removeprefix("override ")
            raise ProfileError(words, key=error.key) from None

    def undo(self) -> None:
        """Go one step back; nothing where there is none."""
        if self._past:
            before, now = self._past.pop(), self.changes
            self._take(before)
            self._future.append(now)

    def redo(self) -> None:
        """Go one step forward again."""
        if self._future:
            after, now = self._future.pop(), self.changes
            self._take(after)
            self._past.append(now)

    def reset(self) -> None:
        """Go back to the file, read anew; `undo` comes back from there while the file has the same keys."""
        before = self.changes
        self._open(self.path, read_text(self.path))
        self._past.append(before)
        self._future = []

    def new_text(self) -> str:
        """Give the file's text with the changes in it; comments and order stay."""
        return changed_text(self.text, str(self.path), self.changes.values, self.changes.off, self.profile)

    def saved(self, path: Path, text: str) -> None:
        """Go on with what was written."""
        self._open(path, text)
        self._past, self._future = [], []
