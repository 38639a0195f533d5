"""The workbench without its browser: what is asked of it, and what it shows."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import FlattenError, OutputError, PageError
from flatten.files.writing import Fill, write_all
from flatten.page import figures
from flatten.page.draft import Draft
from flatten.page.looking import Fate, Look, Looker
from flatten.page.saving import place_in
from flatten.page.sliders import groups_of
from flatten.page.source import Shot, Source
from flatten.profile.lines import read_text

STEEPEST = 45.0
MOST_SHAKE = 5.0
"""Degrees that may be asked for: body attitude either way, shaking."""


@dataclass(frozen=True, eq=False)
class Shown:
    """What the page shows at a time."""

    look: Look
    shot: Shot
    slice: str
    state: dict[str, Any]
    """Plain values: sliders, file, frame, attitude."""
    figures: dict[str, Any]
    fates: npt.NDArray[np.uint8]
    """(N,) of Fate, of the returns of `look.placed`."""
    leaking: npt.NDArray[np.bool_] | None
    """(bins,) HITs that the floor decided; None at first glance."""


class Bench:
    """Frames under a profile that is being changed; raises FlattenError for what cannot be done.

    Parameters
    ----------
    source:
        The frames.
    draft:
        The profile.
    folder:
        The only folder that is written to.
    attitude:
        Roll and pitch of the body in radians where no recording tells them; None for level.

    """

    def __init__(
        self, source: Source, draft: Draft, folder: Path, attitude: tuple[float, float] | None = None
    ) -> None:
        self.source, self.draft, self.folder = source, draft, folder
        self.slice = next(iter(draft.profile.slices))
        self.shake = 1.0
        self.by_hand: tuple[float, float] | None = attitude
        self.shot = source.shot(0)
        self.problem = ""
        """Why the last wish was not granted."""
        self._looker = Looker()
        self._moving = False

    @property
    def attitude(self) -> tuple[float, float] | None:
        """Roll and pitch that heights are measured by (rad): by hand, or as recorded."""
        if self.by_hand is not None:
            return self.by_hand
        return self.source.attitude(self.shot, self.draft.profile)

    def ask(self, wish: Mapping[str, Any]) -> dict[str, Any]:
        """Do what a message of the page asks for; give what only its sender is told.

        Raises PageError for what is no wish, ProfileError and others for what cannot be.
        """
        wishes = {
            "set": self._set, "off": self._leave_out, "view": self._view, "do": self._do, "save": self._save,
        }  # fmt: skip
        kinds = [kind for kind in wishes if kind in wish]
        if len(kinds) != 1:
            raise PageError("a message of the page was not understood: reload it")
        self.problem = ""
        try:
            return wishes[kinds[0]](wish[kinds[0]], bool(wish.get("end", True))) or {}
        except FlattenError as error:
            self.problem = str(error)
            raise

    def _set(self, values: Any, end: bool) -> None:
        known = {slider.key for group in self._groups() for slider in group.sliders}
        checked: dict[str, Any] = {}
        for key, value in mapping(values).items():
            if key not in known:
                raise PageError(f"{key[:60]}: there is no such slider: reload the page")
            number = finite(key, value)
            checked[key] = round(number) if key == "fan.bins" else number
        self._step(end)
        self.draft.change(checked, {})

    def _leave_out(self, zones: Any, end: bool) -> None:
        self._step(True)
        self.draft.change({}, {name: bool(value) for name, value in mapping(zones).items()})

    def _step(self, end: bool) -> None:
        """Remember where a movement began; the movement is one step, however many values it passes."""
        if not self._moving:
            self.draft.remember()
        self._moving = not end

    def _view(self, values: Any, end: bool) -> None:
        for key, value in mapping(values).items():
            if key == "slice":
                if not isinstance(value, str) or value not in self.draft.profile.slices:
                    raise PageError(f"no slice {value!r:.60}: reload the page")
                self.slice = value
            elif key == "frame":
                self.shot = self.source.shot(round(finite(key, value)))
            elif key == "shake":
                self.shake = within(key, value, 0.0, MOST_SHAKE)
            elif key in ("roll", "pitch"):
                angle = math.radians(within(key, value, -STEEPEST, STEEPEST))
                roll, pitch = self.attitude or (0.0, 0.0)
                self.by_hand = (angle, pitch) if key == "roll" else (roll, angle)
            elif key == "recorded":
                self.by_hand = None
            else:
                raise PageError(f"{key[:60]}: is nothing that can be viewed: reload the page")

    def _do(self, what: Any, end: bool) -> None:
        steps = {"undo": self.draft.undo, "redo": self.draft.redo, "reset": self.draft.reset}
        if not isinstance(what, str) or what not in steps:
            raise PageError(f"{what!r:.60}: cannot be done: reload the page")
        self._moving = False
        steps[what]()
        if self.slice not in self.draft.profile.slices:
            self.slice = next(iter(self.draft.profile.slices))

    def _save(self, how: Any, end: bool) -> dict[str, Any]:
        """Write the profile; a file that is there is written over only when the page has asked."""
        name, overwrite = mapping(how).get("name"), mapping(how).get("overwrite") is True
        if not isinstance(name, str):
            raise PageError("a file name is wanted: write one such as rover.yaml")
        place = place_in(self.folder, name)
        text = self.draft.new_text()
        if place.exists() and not overwrite:
            return {"ask": f"{place.name} is there already{self._altered(place)}. Write over it?"}
        write_all([(place, filler(text))], overwrite)
        self.draft.saved(place, text)
        return {"told": f"saved as {place}; comments and order are kept"}

    def _altered(self, place: Path) -> str:
        """Say so where the profile's file was changed by others meanwhile."""
        try:
            same = place.resolve() == self.draft.path.resolve() and read_text(place) != self.draft.text
        except (FlattenError, OSError) as error:
            raise OutputError(f"{place}: cannot be written over ({error}): choose another name") from error
        return ", and was changed by somebody else since it was read" if same else ""

    def glance(self) -> Shown:
        """Give scans and returns, coloured by labels where these are known already; no figures by labels."""
        return self._shown(self._looker.glance(self.shot.cloud, self.draft.profile, self.attitude), False)

    def study(self) -> Shown:
        """Give all of it."""
        look = self._looker.glance(self.shot.cloud, self.draft.profile, self.attitude)
        return self._shown(self._looker.study(look), True)

    def _shown(self, look: Look, whole: bool) -> Shown:
        told = figures.of_scan(look, self.slice)
        fates = look.fates(self.slice)
        told["fates"] = np.bincount(fates, minlength=len(Fate)).tolist()
        leaking = None
        if whole:
            known, leaking = figures.of_labels(look, self.slice, self.shake)
            told |= known
        return Shown(look, self.shot, self.slice, self.state(), told, fates, leaking)

    def _groups(self) -> list[Any]:
        return groups_of(self.draft.whole, self.draft.changes.off, self.draft.file)

    def state(self) -> dict[str, Any]:
        """Give the plain values that the page shows beside the pictures."""
        roll, pitch = self.attitude or (0.0, 0.0)
        undo, redo = self.draft.steps
        return {
            "file": self.draft.path.name, "folder": str(self.folder), "changed": self.draft.is_changed,
            "undo": undo, "redo": redo, "problem": self.problem,
            "slice": self.slice, "slices": list(self.draft.profile.slices),
            "frame": self.shot.number, "frames": self.source.count, "name": self.shot.name,
            "note": self.shot.note, "source": self.source.name,
            "roll": round(math.degrees(roll), 2), "pitch": round(math.degrees(pitch), 2),
            "attitude": "by hand" if self.by_hand is not None else "recorded" if self.attitude else "level",
            "shake": self.shake, "level": self.draft.profile.level,
            "warnings": list(self.draft.profile.warnings),
            "groups": [group.plain() for group in self._groups()],
            "profile": self.draft.whole.to_dict(),
        }  # fmt: skip


def filler(text: str) -> Fill:
    """Make what fills a file with a text."""

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(text.encode())

    return fill


def mapping(value: Any) -> dict[str, Any]:
    """Give a mapping with words for keys; PageError for anything else."""
    if not isinstance(value, dict) or not all(isinstance(key, str) for key in value):
        raise PageError("a message of the page was not understood: reload it")
    return value


def finite(key: str, value: Any) -> float:
    """Give a finite number; PageError for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PageError(f"{key[:60]}: {value!r:.40} is no number")
    return float(value)


def within(key: str, value: Any, low: float, high: float) -> float:
    """Give a number from low to high; PageError for anything else."""
    number = finite(key, value)
    if not low <= number <= high:
        raise PageError(f"{key}: {number:g} is not within {low:g} to {high:g} deg")
    return number
