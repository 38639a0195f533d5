"""From recorded frames to slices: look, judge every candidate, choose, and run what was chosen for real."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from flatten.cloud import Cloud
from flatten.errors import FlattenError, TuningError
from flatten.motion import Motion
from flatten.profile import Profile
from flatten.profile.models import Slice
from flatten.tuning import recommend
from flatten.tuning.candidates import Sweep
from flatten.tuning.labels import LEAST_MARGIN, Limits
from flatten.tuning.probes import DISTANCES, BodyRow, check_bodies
from flatten.tuning.proving import Checked, Prover
from flatten.tuning.recommend import Choice
from flatten.tuning.seen import Seen, Watcher
from flatten.tuning.shake import Shake, shake_of
from flatten.tuning.unseen import Gathering, Unseen

SIGMAS = 3.0
"""So many times the floor's scatter keep its returns apart from things."""
MOST_MARGIN = 0.06
KEPT_RETURNS = 2_000_000
"""Returns of frames that are kept in memory from pass to pass (200 MB); further frames are read again."""
BODY_FRAMES = 3
"""Frames into which the test bodies are put."""
DRIVE, MAP = "drive", "walls"
"""Names of slices that are made where a profile has none of the kind."""


class Frame(NamedTuple):
    """A recorded frame: how to read it, and how the body leaned."""

    name: str
    read: Callable[[], Cloud]
    attitude: tuple[float, float] | None = None


@dataclass(frozen=True)
class Refused:
    """A frame that tells nothing, and why."""

    name: str
    reason: str


@dataclass(eq=False)
class Tuned:
    """What came out."""

    before: Profile
    after: Profile
    """The profile with the two slices in it."""
    names: tuple[str, str]
    """Names of the slices to drive and to map by."""
    drive: Choice
    mapping: Choice | None
    shake: Shake
    limits: Limits
    sweep: Sweep
    lean: tuple[float, float]
    """Median slope of the floor ahead and to the left, as the slices see it, m per m."""
    checked: dict[str, Checked]
    """By slice, the new ones run for real; and the driving slice as it was, by its name and "before"."""
    bodies: list[BodyRow]
    unseen: Unseen
    refused: tuple[Refused, ...] = ()
    millimetres: tuple[str, ...] = ()
    labels: dict[int, int] = field(default_factory=dict)
    """Returns by `Label`."""

    @property
    def leak_before(self) -> float:
        """Expected leak of the driving slice as it was, as far as the candidates tell; NaN without one."""
        band = self.before.slices.get(self.names[0])
        if band is None:
            return math.nan
        leaks = self.sweep.leak(band.rise, self.shake.sigma)
        return float(np.interp(band.bottom, self.sweep.driving.grid.bottoms, leaks))

    @property
    def same_place(self) -> bool:
        """Whether frames in a row show the same place, so that steadiness means something."""
        return self.drive.steady >= recommend.OTHER_PLACES


class Tuner:
    """Tunes the slices of a profile to a recording."""

    def __init__(self, profile: Profile, step: Callable[[str], None] = lambda name: None) -> None:
        self._profile, self._step = profile, step
        self._watcher = Watcher(profile)
        self._kept: dict[int, Seen] = {}
        self._returns = 0

    def tune(
        self,
        frames: Sequence[Frame],
        motion: Motion | None = None,
        shake: float | None = None,
        distances: Sequence[float] = DISTANCES,
    ) -> Tuned:
        """Find a slice to drive by and one to map by.

        Parameters
        ----------
        frames:
            The recording, in its order.
        motion:
            The poses, where there are some: they tell how the body shakes.
        shake:
            How much the floor will tilt against the slices, radians, one sigma; None to measure it.
        distances:
            Where the test bodies are put, metres.

        Raises TuningError where no frame tells anything.

        """
        good, refused, limits, told = self._survey(frames)
        weighed = shake_of(told, motion, shake)
        lean = np.median(np.array(told), axis=0)
        middle = (float(lean[0]), float(lean[1]))
        sweep, unseen, labels, few = self._sweep(good, limits, middle)
        drive, mapping = recommend.drive(sweep, weighed), recommend.mapping(sweep, weighed)
        names = names_of(self._profile)
        after = with_choices(self._profile, names, drive, mapping)
        checked = self._prove(good, limits, after, names)
        return Tuned(
            self._profile, after, names, drive, mapping, weighed, limits, sweep,
            middle, checked, check_bodies(after, few, distances), unseen,
            tuple(refused), tuple(self._millimetres), labels,
        )  # fmt: skip

    def _survey(
        self, frames: Sequence[Frame]
    ) -> tuple[list[Frame], list[Refused], Limits, list[tuple[float, float]]]:
        """First pass: which frames are of use, how noisy the floor is, how it leans."""
        good, refused = [], []
        leans, scatters = [], []
        self._millimetres: list[str] = []
        for frame in frames:
            try:
                seen = self._look(frame)
            except FlattenError as error:
                refused.append(Refused(frame.name, str(error)))
            else:
                good.append(frame)
                leans.append(seen.lean)
                scatters.append(seen.scatter)
                self._millimetres += [frame.name] * seen.millimetres
            self._step(frame.name)
        if not good:
            raise TuningError("; ".join(left.reason for left in refused[:3]) or "no clouds given")
        margin = min(max(SIGMAS * float(np.median(scatters)), LEAST_MARGIN), MOST_MARGIN)
        return good, refused, Limits.of(self._profile, math.ceil(1000.0 * margin) / 1000.0), leans

    def _look(self, frame: Frame) -> Seen:
        if id(frame) in self._kept:
            return self._kept[id(frame)]
        seen = self._watcher.look(frame.read(), frame.attitude, frame.name)
        self._returns += len(seen.bins)
        if self._returns <= KEPT_RETURNS:
            self._kept[id(frame)] = seen
        return seen

    def _sweep(
        self, frames: Sequence[Frame], limits: Limits, lean: tuple[float, float]
    ) -> tuple[Sweep, Unseen, dict[int, int], list[Seen]]:
        """Second pass: every candidate on every frame."""
        sweep, dark = Sweep(self._profile, limits, lean), Gathering(self._profile)
        few: list[Seen] = []
        labels: dict[int, int] = {}
        kept = {id(frame) for frame in evenly(frames, BODY_FRAMES)}
        for frame in frames:
            seen = self._watcher.relabel(self._look(frame), limits)
            sweep.add(seen)
            dark.add(seen)
            for value, count in zip(*np.unique(seen.labels, return_counts=True), strict=True):
                labels[int(value)] = labels.get(int(value), 0) + int(count)
            if id(frame) in kept:
                few.append(seen)
            self._step(frame.name)
        return sweep, dark.told(), labels, few

    def _prove(
        self, frames: Sequence[Frame], limits: Limits, after: Profile, names: tuple[str, str]
    ) -> dict[str, Checked]:
        """Third pass: the chosen slices, and the driving slice as it was, through the Flattener."""
        old = names[0] if names[0] in self._profile.slices else None
        there = tuple(name for name in names if name in after.slices)
        new, before = Prover(after, there), Prover(self._profile, (old,) if old else ())
        for frame in frames:
            seen = self._watcher.relabel(self._look(frame), limits)
            new.add(seen)
            before.add(seen)
            self._step(frame.name)
        found = dict(new.checked)
        if old:
            found["before"] = before.checked[old]
        return found


def evenly(frames: Sequence[Frame], most: int) -> list[Frame]:
    """Give at most so many, evenly spaced, in their order."""
    if len(frames) <= most:
        return list(frames)
    return [frames[k] for k in np.linspace(0, len(frames) - 1, most).round().astype(int)]


def names_of(profile: Profile) -> tuple[str, str]:
    """Give names of the slices to drive and to map by: those of the profile that pick so, else new ones."""
    drives = [name for name, band in profile.slices.items() if band.pick == "nearest"]
    maps = [name for name, band in profile.slices.items() if band.pick == "farthest"]
    drive = DRIVE if DRIVE in drives or not drives else drives[0]
    mapping = MAP if MAP in maps or not maps else maps[0]
    return unused(drive, profile, "nearest"), unused(mapping, profile, "farthest")


def unused(name: str, profile: Profile, pick: str) -> str:
    """Give a name that no slice of another kind has."""
    band = profile.slices.get(name)
    return name if band is None or band.pick == pick else unused(f"{name}_tuned", profile, pick)


def with_choices(profile: Profile, names: tuple[str, str], drive: Choice, mapping: Choice | None) -> Profile:
    """Put the choices in; min_hits and the like stay as they are."""
    return profile.model_copy(
        update={"slices": {**profile.slices, **new_slices(profile, names, drive, mapping)}}
    )


def new_slices(
    profile: Profile, names: tuple[str, str], drive: Choice, mapping: Choice | None
) -> dict[str, Slice]:
    """Give the slices that change, by name."""
    made = {names[0]: changed(profile.slices.get(names[0]), drive, "nearest")}
    if mapping is not None:
        made[names[1]] = changed(profile.slices.get(names[1]), mapping, "farthest")
    return made


def changed(band: Slice | None, choice: Choice, pick: str) -> Slice:
    """Give a slice the borders of a choice."""
    borders = {"bottom": choice.bottom, "top": choice.top}
    if band is None:
        return Slice.model_validate({**borders, "rise": choice.rise, "pick": pick})
    return band.model_copy(update={**borders, "rise": choice.rise})
